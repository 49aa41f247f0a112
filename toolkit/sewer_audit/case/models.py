"""The tables and keys of a case file. This is the one place that knows keys and defaults."""

from __future__ import annotations

from contextlib import suppress
from datetime import date
from typing import Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import ConfigDict, Field, field_validator, model_validator

from sewer_audit.case.models_claims import AccountTable, ClaimTable, NeighbourTable
from sewer_audit.case.models_further import (
    FurtherBalanceTable,
    FurtherMeasurementTable,
    check_further,
)
from sewer_audit.case.models_plan import PlanTable
from sewer_audit.case.models_records import (
    ROLES,
    ColumnTable,
    InvoicesTable,
    RecordTable,
    Register,
    unit_of,
)
from sewer_audit.case.models_uses import InflowTable, Quantified, UseTable
from sewer_audit.case.values import Duration, Length, Months, Persistence, Ratio, Strict, Uncertain
from sewer_audit.errors import AuditError

__all__ = ["CAUSES", "ROLES", "CaseFile", "ColumnTable", "EffluentTable", "Register", "UseTable"]


class CaseTable(Strict):
    """[case]: what the case is called, where it is, and what the schedule bills on."""

    title: str
    time_zone: str
    basis: Literal["intake", "discharge"]
    return_factor: Ratio = 1.0
    units_confirmed: str = ""  # who saw the units and multipliers, where, when
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

    _volume = field_validator("volume")(classmethod(unit_of("volume")))
    _discharge = field_validator("discharge")(classmethod(unit_of("discharge")))
    _head = field_validator("head")(classmethod(unit_of("length")))


class RatesTable(Strict):
    """[rates]: the dated rate schedule."""

    file: str
    held_beside: str = ""  # who held it beside the printed schedule, which page, when


class IntakeTable(Register):
    """[[intake]]: a supply meter."""

    meter: str
    role: Literal["supply", "well", "other source"] = "supply"
    years_since_test: float | None = Field(default=None, ge=0)
    low_flow_share: Ratio | None = None
    read_within: Duration = Field(
        3 * 3600.0,
        description="how far apart the site's look and the city's may lie whatever their stamps "
        'say; "0 min" where both read together [time]',
    )
    meter_type: (
        Literal[
            "class 1",
            "class 1, warm water",
            "class 2",
            "class 2, warm water",
            "displacement",
            "compound",
            "propeller",
            "turbine",
            "electromagnetic",
            "ultrasonic",
        ]
        | None
    ) = None

    @model_validator(mode="after")
    def _type_beside_share(self) -> IntakeTable:
        if self.meter_type is not None and self.low_flow_share is None:
            raise ValueError(
                "meter_type counts only beside low_flow_share, the share of the volume at low flow"
            )
        return self


class VisitTable(Strict):
    """[[effluent.visit]]: a hand reading of the head beside the instrument's."""

    time: str
    hand: Length
    instrument: Length
    rezeroed: bool = False
    hand_standard: Length | None = None
    note: str = ""


class EventTable(Strict):
    """[[effluent.event]]: what was done to the instrument without a hand reading beside it."""

    time: str
    kind: Literal["cleaning", "bracket moved", "sensor replaced"]
    standard: Length | None = None
    note: str = ""


# cause: (dimension of its standard uncertainty, what a correction of it would mean)
CAUSES = {
    "zero error": "length",
    "zero drift": "length",
    "gauge datum": "length",
    "head noise": "length",
    "hand reading": "length",
    "setting of the zero": "length",
    "air temperature": "temperature difference",
    "air humidity": "ratio",
    "downstream zero": "length",
    "submergence method": "ratio",
    "submergence not seen": "ratio",
    "solids at the gauge": "length",
    "clock": "time",
    "discharge coefficient": "ratio",
    "exponent": "ratio",
    "throat width": "ratio",
    "notch angle": "angle",
    "crest length": "ratio",
    "diameter": "ratio",
    "section width": "ratio",
    "roughness": "ratio",
    "slope": "ratio",
    "velocity factor": "ratio",
    "velocity offset": "velocity",
    "velocity noise": "velocity",
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


class EffluentTable(RecordTable):
    """[effluent]: the record and the device it stands at; device sizes are further keys."""

    model_config = ConfigDict(extra="allow", frozen=True)

    method: str
    visit: list[VisitTable] = Field(default_factory=list)
    event: list[EventTable] = Field(default_factory=list)
    cause: list[CauseTable] = Field(default_factory=list)
    checklist: dict[str, str] = Field(default_factory=dict)
    source: str = ""

    @property
    def sizes(self) -> dict[str, str]:
        """The keys that belong to the device: its sizes, and the source of a table [text]."""
        given = {key: str(value) for key, value in (self.model_extra or {}).items()}
        return {**given, "source": self.source} if self.source and self._needs_source else given

    @property
    def _needs_source(self) -> bool:
        from sewer_audit.hydraulics.kinds import find_kind

        with suppress(AuditError):
            return "source" in find_kind(self.method).sizes
        return False


class RuleTable(Strict):
    """[rule]: the decision rule, stated before the result is known (JCGM 106:2012, clause 8)."""

    tolerance: Ratio = Field(default=0.05, ge=0, lt=1)
    coverage: float = Field(default=0.95, gt=0.5, lt=1)
    guard_factor: float = Field(default=1.0, ge=0)
    smallest_coverage_of_record: Ratio = Field(default=0.75, ge=0, le=1)
    look_back: Months | None = None
    dispute_days: int | None = Field(default=None, ge=0)
    interest_per_year: Ratio = 0.0
    decided_on: date | None = None
    stable_digits: Literal[1, 2] | None = None
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
    further_measurement: list[FurtherMeasurementTable] = Field(default_factory=list)
    further_balance: list[FurtherBalanceTable] = Field(default_factory=list, validate_default=True)
    rule: RuleTable = RuleTable()
    account: AccountTable = AccountTable()
    claim: ClaimTable = ClaimTable()
    neighbour: list[NeighbourTable] = Field(default_factory=list)
    plan: PlanTable | None = None

    @field_validator("further_balance")
    @classmethod
    def _further(cls, balances: list[FurtherBalanceTable], info: Any) -> list[Any]:
        above = ("intake", "use", "inflow", "effluent", "further_measurement")
        if all(name in info.data for name in above):
            known = {intake.meter: intake for intake in info.data["intake"]}
            known |= {each.name: each for each in (*info.data["use"], *info.data["inflow"])}
            record = info.data["effluent"] is not None
            check_further(balances, info.data["further_measurement"], known, record)
        return balances

    @model_validator(mode="after")
    def _names(self) -> CaseFile:
        meters = [intake.meter for intake in self.intake]
        for use in self.quantified:
            if use.fraction_of is not None and use.fraction_of not in meters:
                raise ValueError(
                    f"{use.name!r} is a fraction of {use.fraction_of!r}, which is no [[intake]]"
                )
        names = meters + [each.name for each in self.quantified]
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
    def quantified(self) -> list[Quantified]:
        """Uses, inflows and further measurements [-]."""
        return [*self.use, *self.inflow, *self.further_measurement]

    @property
    def account_files(self) -> list[tuple[str, str | None]]:
        """(key, file name or None) of what belongs to the account and its claims [text]."""
        account = self.account
        tables = {"account.by_invoice": account.by_invoice, "account.samples": account.samples}
        tables |= {"account.earlier_use": account.earlier_use}
        tables |= {"claim.payments": self.claim.payments}
        stated = [(key, None if table is None else table.file) for key, table in tables.items()]
        return stated + [(f"neighbour[{n.account}].file", n.file) for n in self.neighbour]

    @property
    def zone(self) -> ZoneInfo:
        """The case's time zone [-]."""
        return ZoneInfo(self.case.time_zone)
