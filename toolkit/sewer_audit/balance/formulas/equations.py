"""Equations of uses and inflows, in SI: what leaves as vapour or product, what joins unmetered.

A function takes the inputs of a way by their names, as draws, and gives a volume flow [m3/s], a
share of a meter, or a volume per unit of what a log counts [m3]. Draws beyond what is physically
possible are held at the bound; the stated value itself is checked by the case.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from sewer_audit.balance.instants import DAY
from sewer_audit.spoken import FOOT

CEILING = 1.0 + 1e-9
"""Least cycles of concentration that are computed [-]."""
FACTOR = 1.8 * (0.00085 + 0.001) / 2
"""Share of the circulation evaporated per kelvin: middle of two published figures [1/K]."""
LATENT = 0.95
"""Share of a tower's heat that leaves as vapour, where the case states none (judgement) [-]."""
LATENT_HEAT_AT_TOWER = 1045.0 * 2326.0
"""Latent heat of evaporation near 30 degC, 1045 Btu/lb [J/kg]."""
WATER_DENSITY = 998.0
"""Density of water at 20 degC, rounded [kg/m3]."""
POUND, HOUR = 0.45359237, 3600.0
INCH_OF_MERCURY = 3386.389
"""Pressure of an inch of mercury at 0 degC [Pa]."""
POOL_STILL = 95.0 * POUND / HOUR / FOOT**2 / INCH_OF_MERCURY * 2326.0
"""95 lb Btu / (h ft2 inHg lb), the still-air term [W/(m2 Pa)]."""
POOL_WIND = 0.425 * POUND / HOUR / FOOT**2 / INCH_OF_MERCURY * 2326.0 / (FOOT / 60.0)
"""0.425 per ft/min, the air-speed term [W s/(m3 Pa)]."""
EXTRANEOUS = 300.0 * 3.785411784e-3 / 86400.0 / (0.0254 * 1609.344)
"""300 gal per day, inch and mile: design guidance 250 to 500, above 200 called in excess [m/s]."""


def _part(share: Any) -> Any:
    return np.clip(share, 0.0, 1.0)


# cooling towers and evaporative condensers


def tower_evaporation(circulation: Any, cooling_range: Any, factor: Any) -> Any:
    """Evaporation of a cooling tower from its circulation and range.

    Notes
    -----
    E = f Q dT. All heat leaving as vapour would give f = cp/h = 1/1045 per degF, so the rule of
    thumb, 0.001 per degF or 0.0018 per kelvin, overstates evaporation by at least 4 %, and by 18 %
    against 0.00085.

    References
    ----------
    Water-planning guide for industry (worked case) and a trade newsletter of 2011, factor 0.001
    per degF; the textbook figure 0.00085 per degF as quoted at second hand.
    """
    return factor * circulation * cooling_range


def tower_by_range(
    circulation: Any,
    cooling_range: Any,
    running: Any,
    drift: Any = 0.0,
    evaporation_factor: Any = FACTOR,
) -> Any:
    """Evaporation and drift: droplets carried out with the air, a share w of the circulation.

    Notes
    -----
    V = (f Q dT + w Q) x running time; w is 0.001 in old towers, 0.00005 and less with modern
    eliminators.

    References
    ----------
    Water-planning guide for industry, worked case (0.1 % of circulation).
    """
    evaporated = tower_evaporation(circulation, cooling_range, evaporation_factor)
    return _part(running) * (evaporated + drift * circulation)


def evaporation_from_heat(
    heat: Any, latent_heat: float = LATENT_HEAT_AT_TOWER, density: float = WATER_DENSITY
) -> Any:
    """Evaporation from the heat a tower rejects.

    Notes
    -----
    E = P / (h rho): an energy balance without losses.

    References
    ----------
    First law; a ton of refrigeration rejects about 15 000 Btu/h (common practice, no source).
    """
    return heat / (latent_heat * density)


def tower_by_heat(heat: Any, running: Any, latent_share: Any = LATENT) -> Any:
    """Evaporation from the heat rejected while the tower runs."""
    return _part(running) * _part(latent_share) * evaporation_from_heat(heat)


def by_cycles(cycles_of_concentration: Any) -> Any:
    """Share of the makeup that never reaches the sewer.

    Notes
    -----
    (E + W) / M = 1 - B / M, which is 1 - 1/C while drift is small; drift makes it larger, so that
    the figure is on the cautious side for a credit. A leak or an overflow goes to the sewer and is
    not covered by it.

    References
    ----------
    Follows from B = E / (C - 1) with no drift; relation from memory, common practice.
    """
    return 1.0 - 1.0 / np.maximum(cycles_of_concentration, CEILING)


def by_conductivities(conductivity: Any, conductivity_of_feed: Any) -> Any:
    """The same from two conductivities or two chloride contents.

    Notes
    -----
    C = k / k of the makeup. Treatment chemicals raise conductivity; chloride is the better tracer.

    References
    ----------
    UFC 3-240-13FN (25 May 2005), chapter 4 (towers) and 3-1.5 equation 5 (boilers).
    """
    return by_cycles(conductivity / np.maximum(conductivity_of_feed, 1e-12))


# boilers, steam and humidification


def boiler_by_cycles(
    cycles_of_concentration: Any, condensate_share: Any, condensate_to_drain: Any = 0.0
) -> Any:
    """Share of a boiler's makeup that leaves as vapour; what drains is taken off by itself.

    Notes
    -----
    B = E / (C - 1), M = E - R + B with R = r E: vapour over makeup is
    1 - 1/[(1 - r)(C - 1) + 1].

    References
    ----------
    UFC 3-240-13FN (25 May 2005), section 3-1.5, equations 5 to 8; water-planning guide for
    industry, calculations page.
    """
    cycles = np.maximum(cycles_of_concentration, CEILING)
    return 1.0 - 1.0 / ((1.0 - _part(condensate_share)) * (cycles - 1.0) + 1.0)


def boiler_by_conductivities(
    conductivity: Any,
    conductivity_of_feed: Any,
    condensate_share: Any,
    condensate_to_drain: Any = 0.0,
) -> Any:
    """The same from the conductivities of boiler water and feedwater."""
    cycles = conductivity / np.maximum(conductivity_of_feed, 1e-12)
    return boiler_by_cycles(cycles, condensate_share)


def condensate_drained(condensate_to_drain: Any = 0.0, **others: Any) -> Any:
    """Condensate dumped to a drain, which is sewered and must not be claimed."""
    return condensate_to_drain / WATER_DENSITY


def steam_lost(steam: Any, condensate_return: Any, condensate_to_drain: Any = 0.0) -> Any:
    """Water that leaves a boiler plant as vapour and never reaches the sewer.

    Notes
    -----
    V = (E - R - D) / rho: what neither comes back nor is let to a drain. The water added to temper
    drained condensate is sewered too.

    References
    ----------
    UFC 3-240-13FN (25 May 2005), section 3-1.5 (worked figures); the drained part: EPA WaterSense
    at Work, boiler section (tempering water).
    """
    return np.maximum(steam - condensate_return - condensate_to_drain, 0.0) / WATER_DENSITY


def usual_losses(steam: Any, **shares: Any) -> Any:
    """Steam times the published shares that a plant loses as vapour."""
    return steam * _part(sum(shares.values())) / WATER_DENSITY


def humidification(
    outdoor_air: Any, moisture_indoors: Any, moisture_outdoors: Any, air_density: float = 1.2
) -> Any:
    """Water [kg/s] a humidifier gives to a flow of outdoor air, without gains and other losses.

    Notes
    -----
    H = rho Q (Wi - Wo); 0.075 lb/ft3 of air is 1.2014 kg/m3.

    References
    ----------
    ASHRAE Handbook, HVAC Systems and Equipment, humidifiers chapter, equation 2 (as reproduced by
    an engineering site).
    """
    return np.maximum(air_density * outdoor_air * (moisture_indoors - moisture_outdoors), 0.0)


def humidifier(
    outdoor_air: Any, moisture_indoors: Any, moisture_outdoors: Any, running: Any
) -> Any:
    """What a humidifier gives while it runs."""
    given = humidification(outdoor_air, moisture_indoors, moisture_outdoors)
    return _part(running) * given / WATER_DENSITY


# product, laundry, trucked waste


def clipped_share(water_share: Any) -> Any:
    """Water share of a product."""
    return _part(water_share)


def batches(batches_per_day: Any, water_per_batch: Any) -> Any:
    """Water of a process that runs in batches."""
    return batches_per_day * water_per_batch / DAY


def laundry_evaporation(retained: Any, dry_mass: Any = 1.0) -> Any:
    """Water left in laundry after extraction, which the dryers evaporate.

    Notes
    -----
    V = r m / rho, r the mass of water left per dry mass. Weighing a load wet and dry replaces the
    figure.

    References
    ----------
    Laundry Today, water retention and drying time for terry towels: 2.5 lb of water per lb
    saturated, 2 lb removed by extraction.
    """
    return retained * dry_mass / WATER_DENSITY


def loads(loads_per_day: Any, volume_per_load: Any) -> Any:
    """Waste water taken away by truck."""
    return loads_per_day * volume_per_load / DAY


def one() -> Any:
    """What a log counts is the volume itself."""
    return np.ones((1, 1))


# land, open water, roofs and the ground


def irrigation_volume(
    reference_evapotranspiration: Any, area: Any, plant_factor: Any, irrigation_efficiency: Any
) -> Any:
    """Water an irrigated area is expected to take.

    Notes
    -----
    V = ETo (PF / IE) A; PF 0.2 for low, 0.5 for medium, 0.8 for high water use, IE 0.75 for spray,
    0.81 for drip. The factor 0.62 gal per square foot and inch of the ordinances is 0.6234 rounded,
    0.5 % low.

    References
    ----------
    Model water-efficient landscape ordinance, estimated total water use; Gridley CA code,
    appendix B; filled public worksheets.
    """
    efficiency = np.clip(irrigation_efficiency, 0.05, 1.0)
    return reference_evapotranspiration * area * plant_factor / efficiency


def saturation_pressure(temperature: Any) -> Any:
    """Saturation vapour pressure [Pa] over water.

    Notes
    -----
    p = 611.2 Pa exp(17.62 t / (243.12 + t)) with t in degC, from -45 to 60 degC.

    References
    ----------
    WMO-No. 8, Guide to Instruments and Methods of Observation, part I chapter 4 annex 4.B (formula
    from memory, checked against the two pressures printed beside the equation of ASHRAE
    Transactions 104).
    """
    celsius = np.asarray(temperature, dtype=float) - 273.15
    return 611.2 * np.exp(17.62 * celsius / (243.12 + celsius))


def pool_evaporation(
    area: Any,
    vapour_pressure_at_water: Any,
    vapour_pressure_of_air: Any,
    air_speed: Any = 0.0,
    activity: Any = 1.0,
    latent_heat: float = 1047.0 * 2326.0,
) -> Any:
    """Evaporation [kg/s] of an indoor pool or open tank.

    Notes
    -----
    W = a (95 + 0.425 v)(pw - pa) / Y in lb/h/ft2 with v in ft/min, p in inHg, Y in Btu/lb. Quiet
    pools were measured at 74 % of it, pools in use 40 to 70 % above the quiet rate.

    References
    ----------
    ASHRAE Transactions 104 (1998) part 1, rates of evaporation from swimming pools in active use
    (abstract).
    """
    transfer = POOL_STILL + POOL_WIND * air_speed
    pressure = vapour_pressure_at_water - vapour_pressure_of_air
    return np.maximum(activity * transfer * pressure / latent_heat, 0.0) * area


def tank_indoors(
    area: Any,
    water_temperature: Any,
    air_temperature: Any,
    relative_humidity: Any,
    air_speed: Any = 0.0,
    activity: Any = 1.0,
    running: Any = 1.0,
) -> Any:
    """Evaporation of an open tank indoors, from temperatures and humidity."""
    at_water = saturation_pressure(water_temperature)
    of_air = _part(relative_humidity) * saturation_pressure(air_temperature)
    mass = pool_evaporation(area, at_water, of_air, air_speed, activity)
    return _part(running) * mass / WATER_DENSITY


def pan_evaporation(area: Any, pan_depth: Any, pan_coefficient: Any = 0.7) -> Any:
    """Evaporation of an outdoor tank or pond from the depth lost by a class A pan.

    Notes
    -----
    V = c d A. Rain on the surface is not subtracted here.

    References
    ----------
    Pan coefficient 0.7: from memory and one weak source.
    """
    return pan_coefficient * pan_depth * area


def drained_rain(area: Any, runoff_share: Any) -> Any:
    """Area that drains to the sewer, to be multiplied with the rain on it.

    Notes
    -----
    V = s d A; 0.6234 gal per square foot and inch.

    References
    ----------
    A municipal newsletter prints about 1 200 gal for 1 in on 2 000 ft2; geometry otherwise.
    """
    return area * _part(runoff_share)


def dry_days(mean_discharge: Any, driest_discharge: Any) -> Any:
    """Infiltration and inflow as the mean less what runs in the driest time.

    Notes
    -----
    I = Q_mean - Q_dry. It takes use as constant, so production or irrigation that follows a season
    spoils it.

    References
    ----------
    Municipal infiltration and inflow estimate of 2004 to 2006, figure 3, method 1.
    """
    return mean_discharge - driest_discharge


def extraneous_inflow(
    sewer_diameter: Any, sewer_length: Any, extraneous_flow: Any = EXTRANEOUS
) -> Any:
    """Ground water that a length of gravity sewer takes up, from its diameter and length.

    Notes
    -----
    Q = q d L; q by default 300 gal per day, inch of diameter and mile, infiltration and inflow.
    Sewers of another age or depth take up far more or nothing: 0 to 1 500 was seen.

    References
    ----------
    TM 5-814-3 in UFC 3-240-09FA, 250 to 500 (read); J. Water Resource and Protection 4(6), 2012:
    above 200 in excess, two leaky sheds 1 143 and 1 912 with their inflow of rain (read).
    """
    return extraneous_flow * sewer_diameter * sewer_length
