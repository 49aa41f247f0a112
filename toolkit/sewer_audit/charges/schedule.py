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

``[[version]]``: effective, name, source, and below it

``[[version.volume]]``: name, unit, basis, meter (name of the metered volume in the facts), deduct,
added, return_factor, return_factor_by_month, times (annualisation), amount and amount_per ("flat",
"equivalent units"), allowance and allowance_per, winter (method, months, bills, days, times, floor,
default, end_day_counts, rounding), rounding, read_rounding, invoiced (the billed volume of the
invoices is this one, where there are several).

``[[version.charge]]``: name, kind, line, column, rounding, term_rounding, in_total, multiplier, and
the keys of its kind in :mod:`sewer_audit.charges.kinds`.

``[version.samples]``: method ("mean", "flow weighted mean", "median", "maximum", "latest"), window
("in period", "up to end"), months, latest, outliers ("keep", "modified z"), outlier_limit,
below_limit ("half", "limit", "zero"), fixed, rounding.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from functools import cached_property
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from sewer_audit.charges.figures import CONTEXT, litres_per
from sewer_audit.charges.kinds import AnyCharge
from sewer_audit.charges.values import (
    Fraction,
    Number,
    RoundingTable,
    Share,
    Span,
    Strict,
    amount_of,
    volume_unit,
)
from sewer_audit.units import exact, number_in

__all__ = ["SampleRule", "Schedule", "Version", "VolumeRule", "WinterRule"]


class WinterRule(Strict):
    """How the average of earlier periods is taken, in place of or as a cap on the use."""

    method: Literal["mean of bills", "lowest bills", "use per day"] = "mean of bills"
    months: tuple[int, ...] | None = None  # months of the end dates that count
    bills: int | None = Field(default=None, ge=1)  # "lowest bills": how many
    days: Number | None = None  # "use per day": days the average stands for
    times: Fraction = Field(default=(Decimal(1), Decimal(1)), validate_default=True)
    floor: Number | None = None
    default: Number | None = None  # where no earlier period is known
    end_day_counts: bool | None = None
    rounding: RoundingTable | None = None

    @model_validator(mode="after")
    def _whole(self) -> WinterRule:
        if self.method == "lowest bills" and self.bills is None:
            raise ValueError("method 'lowest bills' needs bills = how many, such as 3")
        if self.method == "use per day" and self.days is None:
            raise ValueError("method 'use per day' needs days = such as 30 or 30.42")
        return self


class VolumeRule(Strict):
    """How a charged volume follows from what was metered."""

    name: str
    unit: str
    basis: Literal[
        "intake",
        "intake less deduct",
        "discharge",
        "winter average",
        "lower of actual and winter average",
        "flat",
        "equivalent units",
    ]
    meter: str | None = None  # name of the volume in the facts; default by basis
    deduct: tuple[str, ...] = ("deduct",)
    added: tuple[str, ...] = ()
    return_factor: Share = Decimal(1)
    return_factor_by_month: dict[int, Share] = Field(default_factory=dict)
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
        if "winter" in self.basis and self.winter is None:
            raise ValueError(f"basis {self.basis!r} needs a winter table, such as months = [1, 2]")
        if self.basis in ("flat", "equivalent units") and self.amount is None:
            raise ValueError(f"basis {self.basis!r} needs amount, the volume per period or unit")
        if self.allowance is not None:
            amount_of(self.allowance, self.unit, {})
        return self

    @property
    def metered(self) -> str:
        """Name of the volume of the facts it starts from [text]."""
        return self.meter or ("discharge" if self.basis == "discharge" else "intake")


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

    @property
    def invoiced_volume(self) -> VolumeRule | None:
        """The volume an invoice states as billed; None where the schedule does not say which."""
        stated = [rule for rule in self.volume if rule.invoiced]
        return stated[0] if stated else self.volume[0] if len(self.volume) == 1 else None

    def volume_named(self, name: str | None) -> VolumeRule:
        """The rule of a volume; the only one where no name is given."""
        return next(rule for rule in self.volume if name in (None, rule.name))


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
        """Size of a volume unit under the constants of this schedule.

        Parameters
        ----------
        unit : str
            Volume unit [text].

        Returns
        -------
        Decimal
            Its size [L].
        """
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

        Parameters
        ----------
        **changes : any key of [schedule]
            New values [as the key].

        Returns
        -------
        Schedule
            The changed copy [-].
        """
        return self.model_copy(update={"schedule": self.schedule.model_copy(update=changes)})
