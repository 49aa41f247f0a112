"""[[use]] and [[inflow]]: water past the sewer, and water that joins it unmetered.

A use has a kind, and each kind can be known in one of several ways. The keys that are given say
which way is meant; what belongs to no way of the kind is refused, so nothing stated is ignored.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from sewer_audit.case.models_records import (
    WRONG_UNIT,
    FurtherRegister,
    Name,
    Register,
    TextFile,
    known_columns,
    register_of,
)
from sewer_audit.case.models_ways import (
    INFLOW_WAYS,
    INPUTS,
    SECTOR,
    SHARE_OF_INTAKE,
    SHARES,
    STEADY,
    WAYS,
    Way,
    log_dimension,
)
from sewer_audit.case.values import Strict, Uncertain
from sewer_audit.units import parse

MONTHS = 12
ALWAYS = {"name", "kind", "source", "credited", "error", "monthly"}


def _exact(value: Any) -> Any:
    """A bare quantity is an exact one: its spread is zero in its own unit."""
    if isinstance(value, str):
        unit = re.sub(r"^\s*[-+]?[\d.]+(?:[eE][-+]?\d+)?\s*", "", value)
        return {"value": value, "standard": f"0 {unit}".strip()}
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return {"value": value, "standard": 0.0}
    return value


Stated = Annotated[Uncertain, BeforeValidator(_exact)]


class DatedLog(TextFile):
    """[use.log]: amounts written down by date, such as manifests, shipments or rain."""

    file: str
    unit: str

    @field_validator("columns")
    @classmethod
    def _columns(cls, columns: dict[str, str]) -> dict[str, str]:
        known_columns(columns, ("time", "amount"), "dated amounts")
        return columns


class Quantified(Strict):
    """What a use and an inflow have in common: a kind, and one way of knowing the volume."""

    ROOM: ClassVar[str] = ""
    name: str
    kind: str
    file: str | list[str] | None = None
    form: Literal["table", "green button"] = "table"
    unit: str | None = None
    sheet: str | None = None
    decimal: Literal[".", ","] | None = None
    multiplier: float = 1.0
    digits: int | None = None
    columns: dict[str, Name] = Field(default_factory=dict)
    unit_because: str = Field("", description=WRONG_UNIT)
    day_first: bool | None = None
    further_register: list[FurtherRegister] = Field(default_factory=list)
    error: Uncertain | None = None
    credited: bool | None = None
    drain: Register | None = None
    log: DatedLog | None = None
    fraction_of: str | None = None
    fraction: Stated | None = None
    per_day: Stated | None = None
    cycles_of_concentration: Stated | None = None
    conductivity: Stated | None = None
    conductivity_of_feed: Stated | None = None
    circulation: Stated | None = None
    cooling_range: Stated | None = None
    evaporation_factor: Stated | None = None
    drift: Stated | None = None
    heat: Stated | None = None
    latent_share: Stated | None = None
    running: Stated | None = None
    steam: Stated | None = None
    condensate_return: Stated | None = None
    condensate_share: Stated | None = None
    condensate_to_drain: Stated | None = None
    outdoor_air: Stated | None = None
    moisture_indoors: Stated | None = None
    moisture_outdoors: Stated | None = None
    water_share: Stated | None = None
    batches_per_day: Stated | None = None
    water_per_batch: Stated | None = None
    dry_mass: Stated | None = None
    retained: Stated | None = None
    reference_evapotranspiration: Stated | None = None
    area: Stated | None = None
    plant_factor: Stated | None = None
    irrigation_efficiency: Stated | None = None
    water_temperature: Stated | None = None
    air_temperature: Stated | None = None
    relative_humidity: Stated | None = None
    air_speed: Stated | None = None
    activity: Stated | None = None
    pan_depth: Stated | None = None
    pan_coefficient: Stated | None = None
    loads_per_day: Stated | None = None
    volume_per_load: Stated | None = None
    runoff_share: Stated | None = None
    mean_discharge: Stated | None = None
    driest_discharge: Stated | None = None
    sewer_diameter: Stated | None = None
    sewer_length: Stated | None = None
    extraneous_flow: Stated | None = None
    sector: Literal[
        "public supply", "commercial and institutional", "industrial", "irrigation"
    ] | None = None  # fmt: skip
    losses: list[
        Literal[
            "traps and receivers", "sootblowing with oil", "sootblowing with coal", "atomizing"
        ]
    ] = Field(default_factory=list)  # fmt: skip
    monthly: dict[str, list[str | float]] = Field(default_factory=dict)
    source: str = ""

    @property
    def ways(self) -> tuple[Way, ...]:
        """The ways of knowing this kind [-]."""
        return WAYS[self.kind]

    @property
    def given(self) -> set[str]:
        """Keys that say how the volume is known [text]."""
        return (self.model_fields_set | set(self.monthly)) - ALWAYS

    @property
    def way(self) -> Way:
        """The one way the given keys mean [-]."""
        given = self.given
        fits = [w for w in self.ways if set(w.needs) <= given <= {*w.needs, *w.may}]
        if not fits:
            told = "; or ".join(f"{w.name}: {', '.join(w.needs) or 'nothing'}" for w in self.ways)
            raise ValueError(
                f"{', '.join(sorted(given)) or 'nothing'} given for {self.name!r}; "
                f"kind {self.kind!r} needs by {told}"
            )
        return fits[0]

    @property
    def inputs(self) -> dict[str, Uncertain]:
        """Every stated input by its key [-]."""
        return {key: getattr(self, key) for key in INPUTS if getattr(self, key) is not None}

    @property
    def reads(self) -> Register | None:
        """The register of a metered use, or None [-]."""
        return register_of(self)

    @property
    def by_month(self) -> dict[str, list[float]]:
        """Twelve values from January on by key [SI]."""
        return {
            key: [parse(str(value), INPUTS[key]) for value in values]
            for key, values in self.monthly.items()
        }

    @model_validator(mode="after")
    def _whole(self) -> Quantified:
        way = self.way
        self.reads  # noqa: B018  refuses what a register cannot be
        if self.error is not None:
            if way in (SHARE_OF_INTAKE, STEADY):
                raise ValueError("error beside the figure; state its spread with the figure itself")
            if way == SECTOR:
                raise ValueError("error beside sector; state a fraction with its spread instead")
            self.error.standard_in("ratio")
        if "losses" in self.given and len(set(self.losses)) != max(len(self.losses), 1):
            raise ValueError(f"losses are {self.losses}; name at least one, and each once")
        for key, values in self.monthly.items():
            if key not in way.monthly or getattr(self, key, None) is not None:
                known = ", ".join(way.monthly) or "none"
                raise ValueError(f"monthly values of {key!r}; by {way.name} may vary: {known}")
            if len(values) != MONTHS:
                raise ValueError(f"{len(values)} monthly values of {key!r}; from January on, 12")
        for key, values in self.by_month.items():
            for value in values:
                _check_range(key, value)
        for key, stated in self.inputs.items():
            if stated.value is None:
                raise ValueError(
                    f"{key} has no value; write {key} = {{ value = ..., standard = ..."
                )
            _check_range(key, stated.value_in(INPUTS[key]))
            dimension = INPUTS[key]
            stated.standard_in(
                "temperature difference" if dimension == "temperature" else dimension
            )
        if self.log is not None:
            log_dimension(self.kind, self.log.unit)
        return self


class UseTable(Quantified):
    """[[use]]: water that never reaches the sewer."""

    ROOM: ClassVar[str] = "use"
    kind: Literal[
        "deduct meter", "cooling tower", "boiler and steam", "humidification", "water in product",
        "laundry evaporation", "irrigation", "tank evaporation", "trucked waste", "fraction",
        "per day",
    ]  # fmt: skip


class InflowTable(Quantified):
    """[[inflow]]: water that reaches the sewer without passing a supply meter."""

    ROOM: ClassVar[str] = "inflow"
    kind: Literal["per day", "meter", "neighbour's return", "rain", "ground water"] = "per day"
    credited: None = None

    @property
    def ways(self) -> tuple[Way, ...]:
        """The ways of knowing this kind [-]."""
        return INFLOW_WAYS[self.kind]


def _check_range(key: str, value: float) -> None:
    if key in SHARES and not 0 <= value <= 1:
        raise ValueError(f"{key} is {value:g}; a share lies between 0 and 1")
    if key == "cycles_of_concentration" and not value > 1:
        raise ValueError(f"{value:g} cycles of concentration; what evaporates has more than 1")
    if key != "per_day" and value < 0:
        raise ValueError(f"{key} is {value:g}; it is zero or more")


def records_of(tables: Any) -> Mapping[str, tuple[str, Any, list[str]]]:
    """Registers and logs of uses, inflows and further measurements.

    Parameters
    ----------
    tables : sequence of Quantified
        As the case states them [-].

    Returns
    -------
    mapping
        Name of the record to its key in the case, its table and its files: the name of the use
        for its own register, with ": drain" or ": log" for the others [text].
    """
    found: dict[str, tuple[str, Any, list[str]]] = {}
    for table in tables:
        room = table.ROOM
        if table.reads is not None:
            found[table.name] = (f"{room}[{table.name}].file", table.reads, table.reads.every_file)
        if table.drain is not None:
            key = f"{room}[{table.name}].drain.file"
            found[f"{table.name}: drain"] = (key, table.drain, table.drain.every_file)
        if table.log is not None:
            key = f"{room}[{table.name}].log.file"
            found[f"{table.name}: log"] = (key, table.log, table.log.files)
    return found


def credited(use: UseTable) -> bool:
    """Whether the schedule takes this use off the billed volume."""
    return use.kind == "deduct meter" if use.credited is None else use.credited
