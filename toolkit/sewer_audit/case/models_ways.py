"""The ways in which a use of water, or an inflow, can be known, and the keys each takes."""

from __future__ import annotations

from dataclasses import dataclass

from sewer_audit.units import UnitError, to_si

# key: dimension of what it states
INPUTS: dict[str, str] = {
    "fraction": "ratio",
    "per_day": "discharge",
    "cycles_of_concentration": "ratio",
    "conductivity": "conductivity",
    "conductivity_of_feed": "conductivity",
    "circulation": "discharge",
    "cooling_range": "temperature difference",
    "evaporation_factor": "ratio",
    "drift": "ratio",
    "heat": "power",
    "latent_share": "ratio",
    "running": "ratio",
    "steam": "mass rate",
    "condensate_return": "mass rate",
    "condensate_share": "ratio",
    "condensate_to_drain": "mass rate",
    "outdoor_air": "discharge",
    "moisture_indoors": "ratio",
    "moisture_outdoors": "ratio",
    "water_share": "ratio",
    "batches_per_day": "ratio",
    "water_per_batch": "volume",
    "dry_mass": "mass rate",
    "retained": "ratio",
    "reference_evapotranspiration": "length",
    "area": "area",
    "plant_factor": "ratio",
    "irrigation_efficiency": "ratio",
    "water_temperature": "temperature",
    "air_temperature": "temperature",
    "relative_humidity": "ratio",
    "air_speed": "velocity",
    "activity": "ratio",
    "pan_depth": "length",
    "pan_coefficient": "ratio",
    "loads_per_day": "ratio",
    "volume_per_load": "volume",
    "runoff_share": "ratio",
    "mean_discharge": "discharge",
    "driest_discharge": "discharge",
    "sewer_diameter": "length",
    "sewer_length": "length",
    "extraneous_flow": "velocity",
}
SHARES = {
    "fraction", "running", "drift", "latent_share", "condensate_share", "water_share",
    "irrigation_efficiency", "relative_humidity", "moisture_indoors", "moisture_outdoors",
    "runoff_share",
}  # fmt: skip
"""Ratios that lie between 0 and 1."""


@dataclass(frozen=True)
class Way:
    """One way of knowing a use or an inflow."""

    name: str
    needs: tuple[str, ...]
    may: tuple[str, ...] = ()
    monthly: tuple[str, ...] = ()


METER = ("file",)
DIAL = (
    *("unit", "form", "sheet", "decimal", "multiplier", "digits", "columns", "day_first"),
    *("further_register", "unit_because"),
)
SECTOR = Way("coefficient of a sector", ("fraction_of", "sector"))
SHARE_OF_INTAKE = Way("share of the intake", ("fraction_of", "fraction"))
STEADY = Way("so much per day", ("per_day",), (), ("per_day",))

# kind of use: the ways of knowing it, the best evidence first
WAYS: dict[str, tuple[Way, ...]] = {
    "deduct meter": (
        Way("meter of its own", METER, DIAL),
        Way("meters in and out", (*METER, "drain"), DIAL),
    ),
    "cooling tower": (
        Way("makeup and blowdown meters", (*METER, "drain"), DIAL),
        Way("makeup meter and cycles", (*METER, "cycles_of_concentration"), DIAL),
        Way("makeup meter and conductivities",
            (*METER, "conductivity", "conductivity_of_feed"), DIAL),
        Way("circulation and range", ("circulation", "cooling_range", "running"),
            ("drift", "evaporation_factor"), ("cooling_range", "running")),
        Way("heat rejected", ("heat", "running"), ("latent_share",), ("heat", "running")),
    ),
    "boiler and steam": (
        Way("makeup and drain meters", (*METER, "drain"), DIAL),
        Way("makeup meter and cycles",
            (*METER, "cycles_of_concentration", "condensate_share"),
            (*DIAL, "condensate_to_drain")),
        Way("makeup meter and conductivities",
            (*METER, "conductivity", "conductivity_of_feed", "condensate_share"),
            (*DIAL, "condensate_to_drain")),
        Way("steam less condensate", ("steam", "condensate_return"), ("condensate_to_drain",),
            ("steam", "condensate_return")),
        Way("steam and usual losses", ("steam", "losses"), (), ("steam",)),
    ),
    "humidification": (
        Way("feed and drain meters", (*METER, "drain"), DIAL),
        Way("air flow and moisture",
            ("outdoor_air", "moisture_indoors", "moisture_outdoors", "running"), (),
            ("outdoor_air", "moisture_outdoors", "running")),
    ),
    "water in product": (
        Way("register of the filler", (*METER, "water_share"), DIAL),
        Way("dated shipments", ("log", "water_share")),
        Way("batches", ("batches_per_day", "water_per_batch"), (), ("batches_per_day",)),
        SHARE_OF_INTAKE,
    ),
    "laundry evaporation": (
        Way("dated loads", ("log", "retained")),
        Way("mass washed", ("dry_mass", "retained"), (), ("dry_mass",)),
    ),
    "irrigation": (
        Way("meter of its own", METER, DIAL),
        Way("areas and evapotranspiration",
            ("reference_evapotranspiration", "area", "plant_factor", "irrigation_efficiency"), (),
            ("reference_evapotranspiration",)),
    ),
    "tank evaporation": (
        Way("surface indoors",
            ("area", "water_temperature", "air_temperature", "relative_humidity"),
            ("air_speed", "activity", "running"),
            ("water_temperature", "air_temperature", "relative_humidity", "running")),
        Way("evaporation pan", ("area", "pan_depth"), ("pan_coefficient",), ("pan_depth",)),
    ),
    "trucked waste": (
        Way("manifests", ("log",)),
        Way("loads", ("loads_per_day", "volume_per_load"), (), ("loads_per_day",)),
    ),
    "fraction": (SHARE_OF_INTAKE, SECTOR),
    "per day": (STEADY,),
}  # fmt: skip

# kind of inflow: the ways of knowing it
INFLOW_WAYS: dict[str, tuple[Way, ...]] = {
    "per day": (STEADY,),
    "meter": (Way("meter of its own", METER, DIAL),),
    "neighbour's return": (Way("meter of its own", METER, DIAL), STEADY),
    "rain": (
        Way("drained area and dated rain", ("area", "runoff_share", "log")),
        Way("drained area and the record's rain", ("area", "runoff_share")),
        Way("wet days against dry days", (), ("log",)),
    ),
    "ground water": (
        Way("dry-day statistics", ("mean_discharge", "driest_discharge")),
        Way("sewer length and diameter", ("sewer_diameter", "sewer_length"), ("extraneous_flow",)),
        STEADY,
    ),
}
LOG_DIMENSIONS = {
    "water in product": ("volume", "mass"),
    "laundry evaporation": ("mass",),
    "trucked waste": ("volume", "mass"),
    "rain": ("length",),
}


def log_dimension(kind: str, unit: str) -> str:
    """What a dated log of some kind of use is written in.

    Raises
    ------
    UnitError
        If the unit is of none of the dimensions this kind allows.
    """
    faults = []
    for dimension in LOG_DIMENSIONS[kind]:
        try:
            to_si(1.0, unit, dimension)
        except UnitError as fault:
            faults.append(fault)
        else:
            return dimension
    raise faults[0]
