"""Irrigated land, open water surfaces, roofs and the ground: water from and to the open air."""

from __future__ import annotations

import numpy as np

from sewer_audit.errors import OutOfRange

__all__ = [
    "dry_month_infiltration",
    "extraneous_inflow",
    "irrigation_volume",
    "pan_evaporation",
    "pool_evaporation",
    "rain_inflow",
    "saturation_pressure",
    "wet_hour_inflow",
]

FOOT, POUND, HOUR = 0.3048, 0.45359237, 3600.0
INCH_OF_MERCURY = 3386.389
"""Pressure of an inch of mercury at 0 degC [Pa]."""
POOL_STILL = 95.0 * POUND / HOUR / FOOT**2 / INCH_OF_MERCURY * 2326.0
"""95 lb Btu / (h ft2 inHg lb), the still-air term [W/(m2 Pa)]."""
POOL_WIND = 0.425 * POUND / HOUR / FOOT**2 / INCH_OF_MERCURY * 2326.0 / (FOOT / 60.0)
"""0.425 per ft/min, the air-speed term [W s/(m3 Pa)]."""


EXTRANEOUS = 300.0 * 3.785411784e-3 / 86400.0 / (0.0254 * 1609.344)
"""300 gal per day, inch and mile: design guidance 250 to 500, above 200 called in excess [m/s]."""


def irrigation_volume(
    reference_evapotranspiration: np.ndarray | float,
    area: np.ndarray | float,
    plant_factor: np.ndarray | float,
    irrigation_efficiency: np.ndarray | float,
    printed_factor: float | None = None,
) -> np.ndarray:
    """Water an irrigated area is expected to take.

    Units: reference_evapotranspiration [m]; printed_factor [gal/(ft2 in)]; returns [m3].

    plant_factor: 0.2 for low, 0.5 for medium, 0.8 for high water use. irrigation_efficiency:
    0.75 for spray, 0.81 for drip. printed_factor: Gallons per square foot and inch as an
    ordinance rounds it, 0.62; exact without it.

    Notes
    -----
    V = ETo (PF / IE) A. The factor 0.62 of the ordinances is 0.6234 rounded, 0.5 % low.

    References
    ----------
    Model water-efficient landscape ordinance, estimated total water use; Gridley CA code,
    appendix B; filled public worksheets.
    """
    efficiency = np.asarray(irrigation_efficiency, dtype=float)
    if np.any((efficiency <= 0) | (efficiency > 1)):
        raise OutOfRange(f"irrigation efficiency {np.min(efficiency):g}; it lies between 0 and 1")
    exact = 144.0 / 231.0  # gallons per square foot and inch
    rounding = 1.0 if printed_factor is None else printed_factor / exact
    depth = np.asarray(reference_evapotranspiration, dtype=float)
    return rounding * depth * np.asarray(area) * np.asarray(plant_factor) / efficiency


def pool_evaporation(
    area: np.ndarray | float,
    vapour_pressure_at_water: np.ndarray | float,
    vapour_pressure_of_air: np.ndarray | float,
    air_speed: np.ndarray | float = 0.0,
    latent_heat: float = 1047.0 * 2326.0,
    activity: float = 1.0,
) -> np.ndarray:
    """Evaporation of an indoor pool or open tank.

    Units: vapour_pressure_at_water [Pa]; vapour_pressure_of_air [Pa]; air_speed [m/s]; latent_heat
    [J/kg]; returns [kg/s].

    activity: Measured over computed: 0.74 for a quiet surface, 1.26 for a busy public pool.

    Notes
    -----
    W = a (95 + 0.425 v)(pw - pa) / Y in lb/h/ft2 with v in ft/min, p in inHg, Y in Btu/lb. Quiet
    pools were measured at 74 % of it, pools in use 40 to 70 % above the quiet rate.

    References
    ----------
    ASHRAE Transactions 104 (1998) part 1, rates of evaporation from swimming pools in active use
    (abstract).
    """
    pressure = np.asarray(vapour_pressure_at_water) - np.asarray(vapour_pressure_of_air)
    transfer = POOL_STILL + POOL_WIND * np.asarray(air_speed, dtype=float)
    return np.maximum(activity * transfer * pressure / latent_heat, 0.0) * np.asarray(area)


def saturation_pressure(temperature: np.ndarray | float) -> np.ndarray:
    """Saturation vapour pressure over water.

    Units: temperature [K]; returns [Pa].

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


def pan_evaporation(
    pan_depth: np.ndarray | float, area: np.ndarray | float, pan_coefficient: float = 0.7
) -> np.ndarray:
    """Evaporation of an outdoor tank or pond from the depth lost by a class A pan.

    Units: pan_depth [m]; returns [m3].

    Notes
    -----
    V = c d A. Rain on the surface is not subtracted here.

    References
    ----------
    Pan coefficient 0.7: from memory and one weak source.
    """
    return pan_coefficient * np.asarray(pan_depth, dtype=float) * np.asarray(area, dtype=float)


def rain_inflow(
    rain_depth: np.ndarray | float, area: np.ndarray | float, runoff_share: float = 1.0
) -> np.ndarray:
    """Rain from a roof or a paved area that drains to the sewer.

    Units: rain_depth [m]; returns [m3].

    Notes
    -----
    V = s d A; 0.6234 gal per square foot and inch.

    References
    ----------
    A municipal newsletter prints about 1 200 gal for 1 in on 2 000 ft2; geometry otherwise.
    """
    if not 0 <= runoff_share <= 1:
        raise OutOfRange(f"runoff share {runoff_share:g}; it lies between 0 and 1")
    return runoff_share * np.asarray(rain_depth, dtype=float) * np.asarray(area, dtype=float)


def dry_month_infiltration(mean_discharge: float, driest_month_discharge: float) -> float:
    """Infiltration and inflow as the yearly mean less the driest month.

    Units: mean_discharge [m3/s]; driest_month_discharge [m3/s]; returns [m3/s].

    Notes
    -----
    I = Q_year - Q_dry. It takes use as constant through the year, so production or irrigation that
    follows a season spoils it.

    References
    ----------
    Municipal infiltration and inflow estimate of 2004 to 2006, figure 3, method 1.
    """
    return mean_discharge - driest_month_discharge


def wet_hour_inflow(wet_peak_hour: float, same_hour_dry: float) -> float:
    """Inflow as the wettest hour less the same hour in dry weather.

    Units: wet_peak_hour [m3/s]; same_hour_dry [m3/s]; returns [m3/s].

    Notes
    -----
    I = Q_wet - Q_dry.

    References
    ----------
    Municipal infiltration and inflow estimate of 2004 to 2006, figure 3, method 2.
    """
    return wet_peak_hour - same_hour_dry


def extraneous_inflow(
    sewer_diameter: np.ndarray | float,
    sewer_length: np.ndarray | float,
    extraneous_flow: np.ndarray | float = EXTRANEOUS,
) -> np.ndarray:
    """Ground water that a length of gravity sewer takes up, from its diameter and length.

    Units: sewer_diameter [m]; sewer_length [m]; extraneous_flow [m/s]; returns [m3/s].

    extraneous_flow: Flow per diameter and length; 1 gal per day, inch and mile is 1.0718e-9.

    Notes
    -----
    Q = q d L; q by default 300 gal per day, inch of diameter and mile, infiltration and inflow.
    Sewers of another age or depth take up far more or nothing: 0 to 1 500 was seen.

    References
    ----------
    TM 5-814-3 in UFC 3-240-09FA, 250 to 500 (read); J. Water Resource and Protection 4(6), 2012:
    above 200 in excess, two leaky sheds 1 143 and 1 912 with their inflow of rain (read).
    """
    size = np.asarray(sewer_diameter, dtype=float) * np.asarray(sewer_length, dtype=float)
    return np.asarray(extraneous_flow, dtype=float) * size
