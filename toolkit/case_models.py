"""The tables and keys of a case file. This is the one place that knows keys and defaults."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import ConfigDict, Field, field_validator, model_validator

from toolkit.case_models_claims import AccountTable, ClaimTable, NeighbourTable
from toolkit.case_values import Duration, Length, Months, Persistence, Ratio, Strict, Uncertain
from toolkit.units import DIMENSIONS, to_si

__all__ = ["CaseFile"]


def _unit_of(dimension: str):
    def check(cls: type, unit: str) -> str:
        to_si(1.0, unit, dimension)
        return unit

    return check


class CaseTable(Strict):
    """[case]: what the case is called, where it is, and what the schedule bills on."""

    title: str
    time_zone: str
    basis: Literal["intake", "discharge"]
    return_factor: Ratio = 1.0
    note: str = ""

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        if name not in available_timezones():
            raise ValueError(f"{name!r} is not an IANA zone; write for example 'America/Chicago'")
        return name

    @field_validator("return_factor")
    @classmethod
    def _share(cls, share: float) -> float:
        if not 0 < share <= 2:
            raise ValueError(f"{share} is no share of the intake; write for example 0.90 or '90 %'")
        return share


class DisplayTable(Strict):
    """[display]: the units people read. The computation is in SI whatever stands here."""

    volume: str = "m3"
    discharge: str = "m3/h"
    head: str = "mm"
    money: str = "USD"

    _volume = field_validator("volume")(classmethod(_unit_of("volume")))
    _discharge = field_validator("discharge")(classmethod(_unit_of("discharge")))
    _head = field_validator("head")(classmethod(_unit_of("length")))


class TextFile(Strict):
    """How a text file or a sheet is to be read, where it cannot be told from the file itself."""

    file: str | list[str]
    sheet: str | None = None
    day_first: bool | None = None
    decimal: Literal[".", ","] | None = None
    columns: dict[str, str] = Field(default_factory=dict)

    @property
    def files(self) -> list[str]:
        """Every file named [text]."""
        return [self.file] if isinstance(self.file, str) else list(self.file)


class InvoicesTable(TextFile):
    """[invoices]: one row per invoice."""

    file: str
    volume_unit: str
    end_day_counts: bool
    read_hour: str = "00:00"

    _unit = field_validator("volume_unit")(classmethod(_unit_of("volume")))

    @field_validator("read_hour")
    @classmethod
    def _hour(cls, text: str) -> str:
        datetime.strptime(text, "%H:%M")
        return text


class RatesTable(Strict):
    """[rates]: the dated rate schedule."""

    file: str


class Register(TextFile):
    """A meter whose register is read: file, unit, multiplier, digits and error."""

    unit: str
    multiplier: float = 1.0
    digits: int | None = Field(default=None, ge=2, le=12)
    error: Uncertain | None = None

    _unit = field_validator("unit")(classmethod(_unit_of("volume")))


class IntakeTable(Register):
    """[[intake]]: a supply meter."""

    meter: str
    role: Literal["supply", "well", "other source"] = "supply"


class UseTable(Strict):
    """[[use]]: water that never reaches the sewer, by exactly one way of knowing it."""

    name: str
    kind: Literal["deduct meter", "fraction", "per day", "cooling tower"]
    file: str | None = None
    unit: str | None = None
    multiplier: float = 1.0
    digits: int | None = Field(default=None, ge=2, le=12)
    columns: dict[str, str] = Field(default_factory=dict)
    day_first: bool | None = None
    error: Uncertain | None = None
    credited: bool | None = None
    fraction_of: str | None = None
    fraction: Uncertain | None = None
    per_day: Uncertain | None = None
    makeup_of: str | None = None
    cycles_of_concentration: Uncertain | None = None
    source: str = ""

    @model_validator(mode="after")
    def _whole(self) -> UseTable:
        needs = {
            "deduct meter": ("file", "unit"),
            "fraction": ("fraction_of", "fraction"),
            "per day": ("per_day",),
            "cooling tower": ("file", "unit", "cycles_of_concentration"),
        }[self.kind]
        missing = [key for key in needs if getattr(self, key) is None]
        if missing:
            raise ValueError(f"a use of kind {self.kind!r} needs {' and '.join(missing)}")
        if self.unit is not None:
            to_si(1.0, self.unit, "volume")
        if self.per_day is not None:
            self.per_day.standard_in("discharge")
        if self.fraction is not None:
            self.fraction.standard_in("ratio")
        return self


class InflowTable(Strict):
    """[[inflow]]: water that reaches the sewer without passing a supply meter."""

    name: str
    per_day: Uncertain
    source: str = ""


class ColumnTable(Strict):
    """One column of the logger export: its name in the file and its unit."""

    name: str
    unit: str


# role in a logger export: dimension of its values
ROLES = {
    "head": "length",
    "distance": "length",
    "echo_time": "time",
    "air_temperature": "temperature",
    "depth": "length",
    "velocity": "velocity",
    "downstream_head": "length",
    "flow": "discharge",
    "totaliser": "volume",
    "rain": "length",
}


class VisitTable(Strict):
    """[[effluent.visit]]: a hand reading of the head beside the instrument's."""

    time: str
    hand: Length
    instrument: Length
    rezeroed: bool = False
    hand_standard: Length = 0.001
    note: str = ""


# cause: (dimension of its standard uncertainty, what a correction of it would mean)
CAUSES = {
    "zero error": "length",
    "zero drift": "length",
    "gauge datum": "length",
    "head noise": "length",
    "air temperature": "temperature difference",
    "clock": "time",
    "discharge coefficient": "ratio",
    "exponent": "ratio",
    "throat width": "ratio",
    "notch angle": "angle",
    "crest length": "ratio",
    "diameter": "ratio",
    "roughness": "ratio",
    "slope": "ratio",
    "velocity factor": "ratio",
    "velocity offset": "velocity",
    "rating table": "ratio",
    "meter error": "ratio",
}


class CauseTable(Strict):
    """[[effluent.cause]]: overrides or adds an uncertain cause."""

    name: str
    value: str | float | None = None
    standard: str | float | None = None
    half_width: str | float | None = None
    expanded: str | float | None = None
    coverage_factor: float | None = None
    shape: Literal["normal", "rectangular", "triangular", "arcsine", "student t"] | None = None
    dof: float = float("inf")
    persistence: Persistence | None = None
    time_constant: str | None = None
    source: str = ""

    @model_validator(mode="after")
    def _known(self) -> CauseTable:
        if self.name not in CAUSES:
            raise ValueError(f"cause {self.name!r} is not known; known are {', '.join(CAUSES)}")
        self.spread().standard_in(CAUSES[self.name])
        return self

    def spread(self) -> Uncertain:
        """The cause as an uncertain value [SI]."""
        given = self.model_dump(exclude={"name", "persistence"}, exclude_none=True)
        if self.persistence is not None:
            given["persistence"] = self.persistence
        return Uncertain(**given)


class EffluentTable(TextFile):
    """[effluent]: the logger record and the device it stands at; device sizes are further keys."""

    model_config = ConfigDict(extra="allow", frozen=True)

    method: str
    columns: dict[str, str | ColumnTable]
    reference_distance: Length | None = None
    blanking_distance: Length | None = None
    time_zone: str | None = None
    stamp: Literal["instant", "interval start", "interval end"] = "instant"
    conflicts: Literal["reject", "first", "last"] = "reject"
    back_steps: Literal["refuse", "sort", "reject"] = "refuse"
    missing_hour: Literal["refuse", "reject"] = "refuse"
    longest_bridge: Duration = 1800.0
    allow_missing_periods: bool = False
    missing_marks: list[str] = Field(default_factory=list)
    screening: dict[str, Any] = Field(default_factory=dict)
    visit: list[VisitTable] = Field(default_factory=list)
    cause: list[CauseTable] = Field(default_factory=list)
    checklist: dict[str, str] = Field(default_factory=dict)
    source: str = ""

    @field_validator("columns")
    @classmethod
    def _roles(cls, columns: dict[str, str | ColumnTable]) -> dict[str, str | ColumnTable]:
        if "time" not in columns:
            raise ValueError("no time column named; write for example time = 'time'")
        for role, column in columns.items():
            if role in ("time", "date", "event"):
                continue
            if role not in ROLES:
                raise ValueError(f"role {role!r} is not known; known are time, {', '.join(ROLES)}")
            if isinstance(column, str):
                raise ValueError(
                    f"column {role} has no unit; write {role} = {{ name = {column!r}, "
                    f"unit = {DIMENSIONS[ROLES[role]][2].split()[-1]!r} }}"
                )
            to_si(1.0, column.unit, ROLES[role])
        return columns

    @property
    def clock(self) -> dict[str, str]:
        """What to do with rows of one time and with clocks that go back or skip [text]."""
        names = ("conflicts", "back_steps", "missing_hour")
        return {name: getattr(self, name) for name in names}

    @property
    def sizes(self) -> dict[str, str]:
        """The keys that belong to the device: its sizes, as text [text]."""
        return {key: str(value) for key, value in (self.model_extra or {}).items()}


class RuleTable(Strict):
    """[rule]: the decision rule, stated before the result is known (JCGM 106:2012, clause 8)."""

    tolerance: Ratio = 0.05
    coverage: float = Field(default=0.95, gt=0.5, lt=1)
    guard_factor: float = Field(default=1.0, ge=0)
    smallest_coverage_of_record: Ratio = 0.75
    look_back: Months | None = None
    dispute_days: int | None = Field(default=None, ge=0)
    interest_per_year: Ratio = 0.0
    decided_on: date | None = None
    source: str = ""


class CaseFile(Strict):
    """A whole case file."""

    case: CaseTable
    display: DisplayTable = DisplayTable()
    invoices: InvoicesTable
    rates: RatesTable | None = None
    intake: list[IntakeTable] = Field(default_factory=list)
    use: list[UseTable] = Field(default_factory=list)
    inflow: list[InflowTable] = Field(default_factory=list)
    effluent: EffluentTable | None = None
    rule: RuleTable = RuleTable()
    account: AccountTable = AccountTable()
    claim: ClaimTable = ClaimTable()
    neighbour: list[NeighbourTable] = Field(default_factory=list)

    @model_validator(mode="after")
    def _names(self) -> CaseFile:
        meters = [intake.meter for intake in self.intake]
        for use in self.use:
            if use.fraction_of is not None and use.fraction_of not in meters:
                raise ValueError(
                    f"use {use.name!r} is a fraction of {use.fraction_of!r}, which is no [[intake]]"
                )
        names = meters + [use.name for use in self.use] + [inflow.name for inflow in self.inflow]
        if self.account.read_of not in (None, *meters):
            raise ValueError(
                f"account.read_of names {self.account.read_of!r}, which is no [[intake]]; write "
                f"one of {', '.join(meters) or 'the meters, once they are stated'}"
            )
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"the name {twice[0]!r} is used twice; each meter and use has its own")
        return self

    @property
    def account_files(self) -> list[tuple[str, str | None]]:
        """(key, file name or None) of what belongs to the account and its claims [text]."""
        stated = [("account.samples", self.account.samples)]
        stated += [("account.earlier_use", self.account.earlier_use)]
        stated += [("claim.payments", self.claim.payments)]
        return stated + [(f"neighbour[{n.account}].file", n.file) for n in self.neighbour]

    @property
    def zone(self) -> ZoneInfo:
        """The case's time zone [-]."""
        return ZoneInfo(self.case.time_zone)
