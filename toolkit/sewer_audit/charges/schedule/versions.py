"""The rate schedule as validated tables: versions, charged volumes, sample rules.

A rate file in TOML. Numbers are exact; a share is 0.9 or "90 %", a factor 2 or "4/3", a volume
"2000 gal" or a bare number in the unit of its table, a derived figure
``{ divide = [61500, 3100, 12], rounding = { to = 0.01 } }``. A rounding is
``{ to = 0.01, rule = "half up" }`` with rule "half up" (default), "half even", "down", "up" or
"none", or ``{ significant = 4 }``.

``[schedule]``: name, currency, source, rate_change ("by start", "by end", "by bill date", "split by
days"), split_rounding (a line that rates share by days is rounded once as a "whole line", or "each
part" by itself), end_day_counts, line_rounding, total_rounding, estimate (how a missing read is
estimated: "last bill", "mean of 3 bills", "mean of 12 bills", "same period last year"),
conversions (``CCF = "748 gal"``).

``[[version]]``: effective, name, source, inherits (name of another edition: what is stated replaces
what has its name there, the rest stays), removes (names that are no more), and below it

``[[version.volume]]``: name, unit, invoiced (the billed volume of the invoices is this one, where
there are several), rounding, winter, and either ``rule``, the volume in the steps of the ordinance
(``"0.95 * intake - deduct"``; names: intake, deduct, discharge, winter_average, every meter and use
by name, in quotes where the name is no word; + - * /, min, max, round_down, round_up and
round_half_up(x, step); figures in the unit of the volume), or ``basis`` with meter (name of the
metered volume in the facts), deduct, added, return_factor, return_factor_by_month, month_of, times
(annualisation), amount and amount_per ("flat", "equivalent units"), allowance and allowance_per,
read_rounding.

``winter``: months, month_of ("most days", "end date", "start date"), periods ("bills", "calendar
months"), winters, from_month, charged_months, method ("mean of bills", "lowest bills",
"highest bills", "highest bill", "use per day"), bills, days, times, floor, floor_of ("average",
"each month"), default (a volume or "actual use"), end_day_counts, rounding. It is taken from the
last winter that was over before the month of the invoice.

``[[version.charge]]``: name, kind, line, column, rounding, term_rounding, in_total, multiplier, and
the keys of its kind in :mod:`sewer_audit.charges.schedule.kinds`.

``[version.samples]``: method ("mean", "flow weighted mean", "median", "maximum", "latest"), window
("in period", "up to end"), months, latest, outliers ("keep", "modified z"), outlier_limit,
below_limit ("half", "limit", "zero"), fixed, rounding.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from functools import cached_property
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, field_validator, model_validator

from sewer_audit.charges.schedule.figures import CONTEXT, litres_per
from sewer_audit.charges.schedule.kinds import AnyCharge
from sewer_audit.charges.schedule.values import (
    Fraction,
    Number,
    RoundingTable,
    Share,
    Span,
    Strict,
    amount_of,
    volume_unit,
)
from sewer_audit.charges.schedule.volume_rules import VolumeExpression, expression
from sewer_audit.units import exact, number_in


def _expression(given: Any) -> Any:
    if not isinstance(given, (str, VolumeExpression)):
        raise ValueError("a rule is text; write for example rule = '0.95 * intake - deduct'")
    return expression(given) if isinstance(given, str) else given


def _part(share: Decimal) -> Decimal:
    if not 0 < share <= 2:
        raise ValueError(f"a return factor of {share} is no share; write 0.9 or '90 %'")
    return share


_OF_A_BASIS = (
    "basis",
    "deduct",
    "added",
    "return_factor",
    "return_factor_by_month",
    "month_of",
    "times",
    "amount",
    "amount_per",
    "allowance",
    "allowance_per",
    "read_rounding",
)


MonthOf = Literal["most days", "end date", "start date"]
"""Which month a period counts in: the one with most of its days, the earlier of two equal ones."""

Month = Annotated[int, Field(ge=1, le=12)]


class WinterRule(Strict):
    """How the average of earlier periods is taken, in place of or as a cap on the use."""

    method: Literal[
        "mean of bills", "lowest bills", "highest bills", "highest bill", "use per day"
    ] = "mean of bills"
    months: tuple[Month, ...] | None = Field(default=None, min_length=1)
    month_of: MonthOf = "most days"  # of the invoice as well
    periods: Literal["bills", "calendar months"] = "bills"
    winters: int = Field(default=1, ge=1)
    from_month: Month | None = None
    charged_months: tuple[Month, ...] | None = Field(default=None, min_length=1)
    bills: int | None = Field(default=None, ge=1)
    days: Number | None = Field(default=None, gt=0)
    times: Fraction = Field(default=(Decimal(1), Decimal(1)), validate_default=True)
    floor: Number | None = Field(default=None, ge=0)
    floor_of: Literal["average", "each month"] | None = None
    default: Number | Literal["actual use"] | None = None
    end_day_counts: bool | None = None
    rounding: RoundingTable | None = None
    use_rounding: RoundingTable | None = None

    @model_validator(mode="after")
    def _whole(self) -> WinterRule:
        if self.method in ("lowest bills", "highest bills") and self.bills is None:
            raise ValueError(f"method {self.method!r} needs bills = how many, such as 3")
        if self.method == "use per day" and self.days is None:
            raise ValueError("method 'use per day' needs days = such as 30 or 30.42")
        if self.months is None:
            for key in ("from_month", "charged_months"):
                if getattr(self, key) is not None:
                    raise ValueError(f"{key} needs months, those of the winter: months = [12, 1]")
            if self.periods != "bills" or self.winters != 1:
                raise ValueError("calendar months and several winters need months = [12, 1, 2]")
        if self.method == "use per day" and self.floor_of == "each month":
            raise ValueError("'use per day' has no months whose floor could be taken")
        if self.floor_of is not None and self.floor is None:
            raise ValueError("floor_of needs floor, the volume itself")
        return self


class VolumeRule(Strict):
    """How a charged volume follows from what was metered."""

    name: str
    unit: str
    basis: (
        Literal[
            "intake",
            "intake less deduct",
            "discharge",
            "winter average",
            "lower of actual and winter average",
            "flat",
            "equivalent units",
        ]
        | None
    ) = None  # where no rule states the volume
    rule: Annotated[VolumeExpression, BeforeValidator(_expression)] | None = None
    meter: str | None = None  # name of the volume in the facts; default by basis
    deduct: tuple[str, ...] = ("deduct",)
    added: tuple[str, ...] = ()
    return_factor: Annotated[Share, AfterValidator(_part)] = Decimal(1)
    return_factor_by_month: dict[Month, Annotated[Share, AfterValidator(_part)]] = Field(
        default_factory=dict
    )
    month_of: MonthOf | Literal["each day"] = "most days"  # for return_factor_by_month
    times: Fraction = Field(default=(Decimal(1), Decimal(1)), validate_default=True)
    amount: Number | None = None  # "flat": per period; "equivalent units": per unit
    amount_per: Span = "bill"
    allowance: str | Decimal | None = None
    allowance_per: Span = "bill"
    invoiced: bool = False  # the billed volume of the invoices is this one
    winter: WinterRule | None = None
    rounding: RoundingTable | None = None
    read_rounding: RoundingTable | None = None

    _unit = field_validator("unit")(volume_unit)

    @model_validator(mode="after")
    def _whole(self) -> VolumeRule:
        if (self.basis is None) == (self.rule is None):
            raise ValueError(
                f"volume {self.name!r} needs either basis or rule; write for example "
                "basis = 'intake' or rule = '0.95 * intake - deduct'"
            )
        if self.rule is not None:
            also = [key for key in _OF_A_BASIS if key in self.model_fields_set]
            if also:
                raise ValueError(
                    f"rule states the whole volume, so {also[0]} does not go with it; "
                    f"write it into the rule and leave {also[0]} out"
                )
        if (self.winter is not None) != self.averaged:
            what = f"basis {self.basis!r}" if self.rule is None else f"rule {self.rule.text!r}"
            if self.averaged:
                raise ValueError(f"{what} needs a winter table, such as months = [1, 2]")
            raise ValueError(f"{what} takes no winter average; leave the winter table out")
        if self.basis in ("flat", "equivalent units") and self.amount is None:
            raise ValueError(f"basis {self.basis!r} needs amount, the volume per period or unit")
        if self.allowance is not None:
            amount_of(self.allowance, self.unit, {})
        return self

    @property
    def averaged(self) -> bool:
        """Whether a winter average enters it."""
        if self.rule is not None:
            return "winter_average" in self.rule.names
        return "winter" in str(self.basis)

    @property
    def deducted(self) -> tuple[str, ...]:
        """Volumes of the facts that are taken off [text]."""
        if self.rule is not None:
            return self.rule.taken_off
        return self.deduct if self.basis == "intake less deduct" else ()

    @property
    def metered(self) -> str:
        """Name of the volume of the facts it starts from [text]."""
        if self.meter is not None:
            return self.meter
        names = () if self.rule is None else self.rule.names
        starts = [name for name in ("intake", "discharge") if name in names]
        return starts[0] if starts else "discharge" if self.basis == "discharge" else "intake"


class SampleRule(Strict):
    """How laboratory results become the strength that is charged."""

    method: Literal["mean", "flow weighted mean", "median", "maximum", "latest"] = "mean"
    window: Literal["in period", "up to end"] = "in period"
    months: int | None = Field(default=None, ge=1)
    latest: int | None = Field(default=None, ge=1)
    outliers: Literal["keep", "modified z"] = "keep"
    outlier_limit: Number = Decimal("3.5")
    below_limit: Literal["half", "limit", "zero"] = "half"
    fixed: dict[str, Number] = Field(default_factory=dict)
    rounding: RoundingTable | None = None


class Version(Strict):
    """One dated edition of the schedule."""

    effective: date
    name: str = ""
    source: str = ""
    inherits: str = ""  # what is stated replaces what has its name there, the rest stays
    removes: tuple[str, ...] = ()  # names of the inherited edition that are no more
    volume: tuple[VolumeRule, ...] = ()
    charge: tuple[AnyCharge, ...] = Field(min_length=1)
    samples: SampleRule = SampleRule()

    @model_validator(mode="after")
    def _consistent(self) -> Version:
        volumes = [rule.name for rule in self.volume]
        names = [charge.name for charge in self.charge]
        for what, found in (("volume", volumes), ("charge", names)):
            twice = {name for name in found if found.count(name) > 1}
            if twice:
                raise ValueError(f"{what} {sorted(twice)[0]!r} is there twice; names must differ")
        invoiced = [rule for rule in self.volume if rule.invoiced]
        if len(invoiced) > 1:
            raise ValueError("only one volume can be the invoiced one; set invoiced on one of them")
        above: dict[str, None] = {}
        for charge in self.charge:
            volume = getattr(charge, "volume", None)
            if hasattr(charge, "volume"):
                if volume is None and len(volumes) != 1:
                    raise ValueError(
                        f"charge {charge.name!r} does not say which volume it is on; "
                        f"write volume = one of {volumes}"
                    )
                if volume is not None and volume not in volumes:
                    raise ValueError(
                        f"charge {charge.name!r} is on volume {volume!r}, which is not there; "
                        f"write one of {volumes}"
                    )
                self._ascending(charge)
            lines = getattr(charge, "of", ())
            lines = lines if isinstance(lines, tuple) else ()
            for line in (*lines, *getattr(charge, "against", ())):
                if line not in above:
                    raise ValueError(
                        f"charge {charge.name!r} is on line {line!r}, which no charge above it "
                        f"makes; lines above it are {list(above)}"
                    )
            if charge.of_line in above and charge.of_line != next(reversed(above)):
                raise ValueError(
                    f"charges of line {charge.of_line!r} do not stand together; "
                    "write them one after the other"
                )
            above[charge.of_line] = None
        return self

    def _ascending(self, charge: Any) -> None:
        """Refuse blocks whose edges do not rise."""
        unit = getattr(charge, "unit", None) or self.volume_named(charge.volume).unit
        blocks = getattr(charge, "blocks", ())
        edges = [amount_of(block.to, unit, {}) for block in blocks[:-1]]
        for place, (lower, upper) in enumerate(pairwise([Decimal(0), *edges]), 1):
            if upper <= lower:
                raise ValueError(
                    f"block {place} of charge {charge.name!r} ends at {blocks[place - 1].to}, not "
                    "above the block before it; write the blocks by rising upper ends"
                )

    @property
    def invoiced_volume(self) -> VolumeRule | None:
        """The volume an invoice states as billed; None where the schedule does not say which."""
        stated = [rule for rule in self.volume if rule.invoiced]
        return stated[0] if stated else self.volume[0] if len(self.volume) == 1 else None

    def volume_named(self, name: str | None) -> VolumeRule:
        """The rule of a volume; the only one where no name is given."""
        return next(rule for rule in self.volume if name in (None, rule.name))


def inherited(editions: Any) -> Any:
    """Editions as stated, each with what it inherits written out."""
    if not isinstance(editions, list) or not all(isinstance(each, dict) for each in editions):
        return editions
    names = [each.get("name") for each in editions]
    whole: dict[Any, dict[str, Any]] = {}

    def written_out(edition: dict[str, Any], heirs: tuple[Any, ...]) -> dict[str, Any]:
        name, parent = edition.get("name"), edition.get("inherits")
        if not parent:
            if edition.get("removes"):
                raise ValueError("removes needs inherits = the name of an edition; add it")
            return edition
        if parent in heirs or parent == name:
            raise ValueError(f"edition {parent!r} inherits itself; name another edition")
        if names.count(parent) != 1:
            known = [each for each in names if each and each != name]
            raise ValueError(
                f"inherits names {parent!r}, which is not the name of one edition; "
                f"write one of {known}"
            )
        if parent not in whole:
            source = editions[names.index(parent)]
            whole[parent] = written_out(source, (*heirs, name))
        return _merged(whole[parent], edition)

    return [written_out(each, ()) for each in editions]


def _merged(parent: dict[str, Any], edition: dict[str, Any]) -> dict[str, Any]:
    """An edition as before, except for what it states."""
    removes = list(edition.get("removes", ()))
    made = {key: parent[key] for key in ("samples",) if key in parent} | edition
    for key in ("volume", "charge"):
        before, stated = parent.get(key, []), edition.get(key, [])
        tables = [*before, *stated]
        if not isinstance(before, list) or not all(isinstance(each, dict) for each in tables):
            return edition
        own = {each.get("name"): each for each in stated}
        kept = [own.pop(n, each) for each in before if (n := each.get("name")) not in removes]
        made[key] = [*kept, *(each for each in stated if each.get("name") in own)]
    names = [each.get("name") for key in ("volume", "charge") for each in parent.get(key, [])]
    gone = [name for name in removes if name not in names]
    if gone:
        raise ValueError(
            f"removes names {gone[0]!r}, which edition inherited has not; write one of {names}"
        )
    return made


class ScheduleTable(Strict):
    """[schedule]: what holds for every version."""

    name: str
    currency: str
    source: str = ""
    rate_change: Literal["by start", "by end", "by bill date", "split by days"]
    split_rounding: Literal["whole line", "each part"] = "whole line"
    end_day_counts: bool
    line_rounding: RoundingTable
    total_rounding: RoundingTable
    estimate: (
        Literal["last bill", "mean of 3 bills", "mean of 12 bills", "same period last year"] | None
    ) = None
    due_days: int | None = Field(default=None, ge=0)
    conversions: dict[str, str] = Field(default_factory=dict)

    @field_validator("conversions")
    @classmethod
    def _conversions(cls, given: dict[str, str]) -> dict[str, str]:
        sizes: dict[Any, str] = {}
        for unit, text in given.items():
            volume_unit(unit)
            figure, other = number_in(text, "volume")
            if not other or figure <= 0 or exact(other, "volume") == exact(unit, "volume"):
                raise ValueError(f"{text!r} is no size of {unit}; write for example '748 gal'")
            if any(exact(each, "volume") == exact(other, "volume") for each in given):
                raise ValueError(f"{other} has a size of its own here; name another unit")
            twin = sizes.setdefault(exact(unit, "volume"), unit)
            if twin != unit and given[twin] != text:
                raise ValueError(f"{twin} and {unit} are one unit; state its size once")
        return given


class Schedule(Strict):
    """A rate schedule with its dated versions, as read by :func:`load_rates`."""

    schedule: ScheduleTable
    version: tuple[Version, ...] = Field(min_length=1)
    file: str = "rates.toml"

    @field_validator("version", mode="before")
    @classmethod
    def _inherited(cls, given: Any) -> Any:
        return inherited(given)

    @model_validator(mode="after")
    def _dated(self) -> Schedule:
        dates = [version.effective for version in self.version]
        if dates != sorted(set(dates)):
            raise ValueError("versions must be in order of their effective dates, each date once")
        return self

    @property
    def name(self) -> str:
        """Name of the schedule [text]."""
        return self.schedule.name

    @property
    def currency(self) -> str:
        """Currency code [text]."""
        return self.schedule.currency

    @cached_property
    def conversions(self) -> dict[str, tuple[Decimal, str]]:
        """Unit sizes the schedule prints: unit to (figure, other unit) [-]."""
        pairs = {}
        for unit, text in self.schedule.conversions.items():
            figure, other = number_in(text, "volume")
            pairs[unit] = (CONTEXT.divide(Decimal(figure.numerator), figure.denominator), other)
        return pairs

    def litres(self, unit: str) -> Decimal:
        """Size of a volume unit under the constants of this schedule. Units: returns [L]."""
        return litres_per(unit, self.conversions)

    @property
    def columns(self) -> tuple[str, ...]:
        """Every invoice column a charge of any version goes into, in order [text]."""
        found: dict[str, None] = {}
        for version in self.version:
            found.update((charge.of_column, None) for charge in version.charge)
        return tuple(found)

    def without(self, **changes: Any) -> Schedule:
        """A copy with top keys of [schedule] changed, for trying another convention.

        Units: **changes [as the key].
        """
        return self.model_copy(update={"schedule": self.schedule.model_copy(update=changes)})
