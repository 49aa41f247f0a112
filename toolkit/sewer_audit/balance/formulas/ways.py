"""How each kind of use or inflow is worked out: the equation as printed, its limit, its function.

The names of kinds and ways are those of the case file. A way without a function is read from a
meter as it stands.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from sewer_audit.balance.formulas.process import laundry_evaporation
from sewer_audit.balance.formulas.steam import boiler_makeup, humidification, steam_lost
from sewer_audit.balance.formulas.surfaces import (
    EXTRANEOUS,
    extraneous_inflow,
    irrigation_volume,
    pan_evaporation,
    pool_evaporation,
    saturation_pressure,
)
from sewer_audit.balance.formulas.towers import WATER_DENSITY, evaporation_from_heat, tower_drift
from sewer_audit.balance.formulas.towers import tower_evaporation as evaporation_of_tower
from sewer_audit.balance.instants import DAY

__all__ = ["FORMULAS", "WayFormula"]

JUDGED = "judgement, to be confirmed for the site"
BY_METER = "certificate of the meter, else 3 % at 95 % (judgement)"
CEILING = 1.0 + 1e-9
FACTOR = 1.8 * (0.00085 + 0.001) / 2
"""Share of the circulation evaporated per kelvin: middle of two published figures [1/K]."""
LATENT = 0.95
"""Share of a tower's heat that leaves as vapour, where the case states none (judgement) [-]."""


@dataclass(frozen=True)
class WayFormula:
    """One way of working out a volume.

    Parameters
    ----------
    equation : str
        As the report prints it [text].
    record : str
        Entry of `USES` with the evidence and the traps [text].
    limit_95 : float
        Relative 95 % limit of the formula where the case states no error; zero where the inputs
        carry all of it [-].
    limit_source : str
        Where the limit comes from [text].
    compute : callable or None
        Inputs by name to m3/s, to a share of a meter, or to m3 per unit of a log [any].
    steady_drain : callable or None
        Inputs by name to a flow to the sewer beside what the meter sees [m3/s].
    """

    equation: str
    record: str
    limit_95: float = 0.0
    limit_source: str = BY_METER
    compute: Callable[..., Any] | None = None
    steady_drain: Callable[..., Any] | None = None


def _part(share: Any) -> Any:
    return np.clip(share, 0.0, 1.0)


def _tower_by_range(
    circulation: Any, cooling_range: Any, running: Any, drift: Any = 0.0,
    evaporation_factor: Any = FACTOR,
) -> Any:  # fmt: skip
    evaporated = evaporation_of_tower(circulation, cooling_range, evaporation_factor)
    return _part(running) * (evaporated + tower_drift(circulation, drift))


def _tower_by_heat(heat: Any, running: Any, latent_share: Any = LATENT) -> Any:
    return _part(running) * evaporation_from_heat(heat, latent_share=_part(latent_share))


def _by_cycles(cycles_of_concentration: Any) -> Any:
    return 1.0 - 1.0 / np.maximum(cycles_of_concentration, CEILING)


def _by_conductivities(conductivity: Any, conductivity_of_feed: Any) -> Any:
    return _by_cycles(conductivity / np.maximum(conductivity_of_feed, 1e-12))


def _boiler_by_cycles(
    cycles_of_concentration: Any, condensate_share: Any, condensate_to_drain: Any = 0.0
) -> Any:
    cycles = np.maximum(cycles_of_concentration, CEILING)
    return 1.0 - 1.0 / ((1.0 - _part(condensate_share)) * (cycles - 1.0) + 1.0)


def _boiler_by_conductivities(
    conductivity: Any, conductivity_of_feed: Any, condensate_share: Any,
    condensate_to_drain: Any = 0.0,
) -> Any:  # fmt: skip
    cycles = conductivity / np.maximum(conductivity_of_feed, 1e-12)
    return _boiler_by_cycles(cycles, condensate_share)


def _condensate_drained(condensate_to_drain: Any = 0.0, **others: Any) -> Any:
    return condensate_to_drain / WATER_DENSITY


def _steam(steam: Any, condensate_return: Any, condensate_to_drain: Any = 0.0) -> Any:
    lost = steam_lost(boiler_makeup(steam, condensate_return, 0.0), 0.0, condensate_to_drain)
    return np.maximum(lost, 0.0) / WATER_DENSITY


def _usual_losses(steam: Any, **shares: Any) -> Any:
    return steam * _part(sum(shares.values())) / WATER_DENSITY


def _humidifier(
    outdoor_air: Any, moisture_indoors: Any, moisture_outdoors: Any, running: Any
) -> Any:
    given = humidification(outdoor_air, moisture_indoors, moisture_outdoors)
    return _part(running) * given / WATER_DENSITY


def _share(water_share: Any) -> Any:
    return _part(water_share)


def _batches(batches_per_day: Any, water_per_batch: Any) -> Any:
    return batches_per_day * water_per_batch / DAY


def _laundry(dry_mass: Any, retained: Any) -> Any:
    return laundry_evaporation(dry_mass, retained)


def _laundry_log(retained: Any) -> Any:
    return laundry_evaporation(1.0, retained)


def _irrigation(
    reference_evapotranspiration: Any, area: Any, plant_factor: Any, irrigation_efficiency: Any
) -> Any:
    efficiency = np.clip(irrigation_efficiency, 0.05, 1.0)
    return irrigation_volume(reference_evapotranspiration, area, plant_factor, efficiency)


def _indoors(
    area: Any, water_temperature: Any, air_temperature: Any, relative_humidity: Any,
    air_speed: Any = 0.0, activity: Any = 1.0, running: Any = 1.0,
) -> Any:  # fmt: skip
    at_water = saturation_pressure(water_temperature)
    of_air = _part(relative_humidity) * saturation_pressure(air_temperature)
    mass = pool_evaporation(area, at_water, of_air, air_speed, activity=activity)
    return _part(running) * mass / WATER_DENSITY


def _pan(area: Any, pan_depth: Any, pan_coefficient: Any = 0.7) -> Any:
    return pan_evaporation(pan_depth, area, pan_coefficient)


def _loads(loads_per_day: Any, volume_per_load: Any) -> Any:
    return loads_per_day * volume_per_load / DAY


def _drained_rain(area: Any, runoff_share: Any) -> Any:
    return area * _part(runoff_share)


def _dry_days(mean_discharge: Any, driest_discharge: Any) -> Any:
    return mean_discharge - driest_discharge


def _sewer(sewer_diameter: Any, sewer_length: Any, extraneous_flow: Any = EXTRANEOUS) -> Any:
    return extraneous_inflow(sewer_diameter, sewer_length, extraneous_flow)


def _one() -> Any:
    return np.ones((1, 1))


_METER = WayFormula("V = registered volume", "deduct meter")
_IN_OUT = "V = volume in - volume out"
_CYCLES = "V = makeup (1 - 1/C)"
_TRACER = f"{_CYCLES}, C = k / k of the makeup"
_BOILER = "V = makeup (1 - 1/[(1 - r)(C - 1) + 1]) - condensate drained"
_INTAKE = WayFormula("V = share x intake", "product water", compute=None)
_STEADY = WayFormula("V = rate x days", "stated rate")

FORMULAS: Mapping[tuple[str, str], WayFormula] = MappingProxyType(
    {
        ("deduct meter", "meter of its own"): _METER,
        ("deduct meter", "meters in and out"): WayFormula(_IN_OUT, "deduct meter"),
        ("cooling tower", "makeup and blowdown meters"): WayFormula(_IN_OUT, "cooling tower"),
        ("cooling tower", "makeup meter and cycles"): WayFormula(
            _CYCLES, "cooling tower", compute=_by_cycles
        ),
        ("cooling tower", "makeup meter and conductivities"): WayFormula(
            _TRACER, "cooling tower", compute=_by_conductivities
        ),
        ("cooling tower", "circulation and range"): WayFormula(
            "V = (f Q dT + w Q) x running time", "cooling tower", 0.15, JUDGED, _tower_by_range
        ),
        ("cooling tower", "heat rejected"): WayFormula(
            "V = s P / (h rho) x running time", "cooling tower", 0.30,
            "judgement: load from a nameplate 30 % and more", _tower_by_heat,
        ),
        ("boiler and steam", "makeup and drain meters"): WayFormula(_IN_OUT, "boiler and steam"),
        ("boiler and steam", "makeup meter and cycles"): WayFormula(
            _BOILER, "boiler and steam", compute=_boiler_by_cycles,
            steady_drain=_condensate_drained,
        ),
        ("boiler and steam", "makeup meter and conductivities"): WayFormula(
            f"{_BOILER}, C = k / k of the feedwater", "boiler and steam",
            compute=_boiler_by_conductivities, steady_drain=_condensate_drained,
        ),
        ("boiler and steam", "steam less condensate"): WayFormula(
            "V = (steam - condensate returned - condensate drained) / rho", "boiler and steam",
            0.15, JUDGED, _steam,
        ),
        ("boiler and steam", "steam and usual losses"): WayFormula(
            "V = steam x sum of the published shares / rho", "boiler and steam",
            limit_source="published ranges, MIL-HDBK-1003/6 10.7.2", compute=_usual_losses,
        ),
        ("humidification", "feed and drain meters"): WayFormula(_IN_OUT, "humidification"),
        ("humidification", "air flow and moisture"): WayFormula(
            "V = rho_air Q (Wi - Wo) / rho x running time", "humidification", 0.15, JUDGED,
            _humidifier,
        ),
        ("water in product", "register of the filler"): WayFormula(
            "V = water share x volume filled", "product water", compute=_share
        ),
        ("water in product", "dated shipments"): WayFormula(
            "V = water share x volume shipped", "product water", 0.03, JUDGED, _share
        ),
        ("water in product", "batches"): WayFormula(
            "V = batches x water in one batch", "product water", 0.03, JUDGED, _batches
        ),
        ("water in product", "share of the intake"): _INTAKE,
        ("laundry evaporation", "dated loads"): WayFormula(
            "V = r m / rho", "laundry evaporation", 0.25, JUDGED, _laundry_log
        ),
        ("laundry evaporation", "mass washed"): WayFormula(
            "V = r m / rho", "laundry evaporation", 0.25, JUDGED, _laundry
        ),
        ("irrigation", "meter of its own"): WayFormula("V = registered volume", "irrigation"),
        ("irrigation", "areas and evapotranspiration"): WayFormula(
            "V = ETo (PF / IE) A", "irrigation", 0.40, JUDGED, _irrigation
        ),
        ("tank evaporation", "surface indoors"): WayFormula(
            "W = a (95 + 0.425 v)(pw - pa) / Y", "tank evaporation", 0.25, JUDGED, _indoors
        ),
        ("tank evaporation", "evaporation pan"): WayFormula(
            "V = c d A", "tank evaporation", 0.25, JUDGED, _pan
        ),
        ("trucked waste", "manifests"): WayFormula(
            "V = sum of the manifests", "trucked waste", 0.03, JUDGED, _one
        ),
        ("trucked waste", "loads"): WayFormula(
            "V = loads x volume of one", "trucked waste", 0.15, JUDGED, _loads
        ),
        ("fraction", "share of the intake"): WayFormula("V = share x intake", "stated share"),
        ("fraction", "coefficient of a sector"): WayFormula(
            "V = coefficient x intake", "consumptive coefficient",
            limit_source="published range of a regional table; no evidence for one site",
        ),
        ("per day", "so much per day"): _STEADY,
        ("meter", "meter of its own"): WayFormula("V = registered volume", "neighbour's return"),
        ("neighbour's return", "meter of its own"): WayFormula(
            "V = registered volume", "neighbour's return"
        ),
        ("neighbour's return", "so much per day"): WayFormula(
            "V = rate x days", "neighbour's return"
        ),
        ("rain", "drained area and dated rain"): WayFormula(
            "V = s d A", "rain and roof inflow", 0.40, JUDGED, _drained_rain
        ),
        ("rain", "drained area and the record's rain"): WayFormula(
            "V = s d A", "rain and roof inflow", 0.40, JUDGED, _drained_rain
        ),
        ("rain", "wet days against dry days"): WayFormula(
            "E - W = a + sum of b_k R(t-k), day by day", "rain and roof inflow", 0.0,
            "standard error of the regression",
        ),
        ("ground water", "dry-day statistics"): WayFormula(
            "V = (Q mean - Q driest) x days", "ground water", 0.40, JUDGED, _dry_days
        ),
        ("ground water", "sewer length and diameter"): WayFormula(
            "V = q d L x days", "ground water", 2.00,
            "judgement: infiltration and inflow of 0 to 1 500 gal a day, inch and mile were seen",
            _sewer,
        ),
        ("ground water", "so much per day"): WayFormula("V = rate x days", "ground water"),
    }
)  # fmt: skip
"""(kind, way) to how it is worked out."""
