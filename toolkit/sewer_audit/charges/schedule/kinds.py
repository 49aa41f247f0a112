"""The kinds of charge a rate schedule may hold, as validated tables.

Charges of one `line` stand together and are summed before the line is rounded; `column` is the
invoice column the line is compared with. A charge "of" lines names lines above it.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from sewer_audit.charges.schedule.figures import plain
from sewer_audit.charges.schedule.values import (
    SPAN_DAYS,
    Number,
    RoundingTable,
    Share,
    Span,
    Strict,
    volume_unit,
)


class Charge(Strict):
    """What every charge has."""

    name: str
    line: str | None = None
    column: str | None = None
    rounding: RoundingTable | None = None
    term_rounding: RoundingTable | None = None
    in_total: bool = True
    multiplier: Number = Decimal(1)

    @property
    def of_line(self) -> str:
        """Line of the bill it goes into [text]."""
        return self.line or self.name

    @property
    def of_column(self) -> str:
        """Column of the invoice file it goes into [text]."""
        return self.column or self.of_line


class Periodic(Charge):
    """So much per period, for everybody, by meter size or by class."""

    amount: Number | None = None
    by_meter_size: dict[str, Number] = Field(default_factory=dict)
    by_class: dict[str, Number] = Field(default_factory=dict)
    per: Literal["bill", "month", "quarter", "year", "day"] = "bill"
    proration: Literal["none", "standard days", "calendar days"] = "none"
    standard_days: Number | None = None
    normal_days: tuple[int, int] | None = None

    @model_validator(mode="after")
    def _by_days(self) -> Periodic:
        given = [self.amount is not None, bool(self.by_meter_size), bool(self.by_class)]
        if sum(given) != 1:
            what = getattr(self, "kind", "fixed")
            raise ValueError(f"a {what} charge needs one of amount, by_meter_size, by_class")
        if self.proration != "none" and self.per in ("bill", "day"):
            raise ValueError(f"a charge per {self.per} cannot be prorated; write per = 'month'")
        if self.proration == "standard days" and self.standard_days is None:
            raise ValueError("proration by standard days needs standard_days, such as 30")
        return self


def _counted_if_late(charge: Any) -> Any:
    if charge.late_fee and not charge.count:
        raise ValueError("a late fee needs count, what says when it is due; write count = 'late'")
    return charge


class FixedCharge(Periodic):
    """So much per period, by meter size, by class, or per counted unit."""

    kind: Literal["fixed"]
    by_diameter: Number | None = None  # amount x (D / this)^2, D the meter size in the same unit
    factor_rounding: RoundingTable | None = None
    daily_rounding: RoundingTable | None = None
    count: str | tuple[str, ...] | None = None  # several are multiplied, such as area and run-off
    count_per: Number = Decimal(1)
    count_rounding: RoundingTable | None = None
    scaled_by_return_factor_of: str | None = None
    late_fee: bool = False

    @property
    def counts(self) -> tuple[str, ...]:
        """What is counted, and multiplied where it is more than one [text]."""
        return (self.count,) if isinstance(self.count, str) else self.count or ()

    @model_validator(mode="after")
    def _whole(self) -> FixedCharge:
        if self.by_diameter is not None and self.amount is None:
            raise ValueError("by_diameter scales amount, the charge of the reference size")
        if self.daily_rounding is not None and self.proration != "standard days":
            raise ValueError("daily_rounding needs proration = 'standard days'")
        return _counted_if_late(self)


class Block(Strict):
    """One step of a block table; the last one has no upper end."""

    to: str | Decimal | None = None
    rate: Number
    base: Number | None = None  # printed charge at the lower edge, where the table is cumulative


class VolumeCharge(Charge):
    """A rate, or blocks of rates, on a charged volume."""

    kind: Literal["volume"]
    volume: str | None = None
    unit: str | None = None  # unit of rate and blocks; default the unit of the volume
    rate: Number | None = None
    rate_by_class: dict[str, Number] = Field(default_factory=dict)
    rate_per: Number = Decimal(1)  # the rate is for so many units
    blocks: tuple[Block, ...] = ()
    blocks_per: Span = "bill"
    blocks_on: Literal["each block", "whole volume"] = "each block"
    daily_edge_rounding: RoundingTable | None = None  # edge per day, before it is taken x days
    edge_rounding: RoundingTable | None = None
    priced_per_day: bool = False  # usage per day is priced and multiplied by the days
    daily_use_rounding: RoundingTable | None = None
    allowance: str | Decimal | None = None
    allowance_per: Span = "bill"

    _unit = field_validator("unit")(volume_unit)

    @model_validator(mode="after")
    def _whole(self) -> VolumeCharge:
        given = [self.rate is not None, bool(self.rate_by_class), bool(self.blocks)]
        if sum(given) != 1:
            raise ValueError("a volume charge needs one of rate, rate_by_class, blocks")
        if self.blocks:
            ends = [block.to for block in self.blocks]
            if ends[-1] is not None or None in ends[:-1]:
                raise ValueError("every block but the last needs to = its upper end")
            bases = [block.base is not None for block in self.blocks]
            if any(bases) and not all(bases[1:]):
                lacking = bases.index(False, 1) + 1
                raise ValueError(
                    f"block {lacking} has no base though another block has one; write base = the "
                    "charge printed at its lower edge in every block after the first"
                )
            if any(bases) and self.blocks_on == "whole volume":
                raise ValueError("a base is at a lower edge; blocks_on = 'whole volume' has none")
        if self.priced_per_day and self.blocks_per != "day":
            raise ValueError("priced_per_day needs blocks_per = 'day'")
        if self.daily_edge_rounding is not None and self.blocks_per not in SPAN_DAYS:
            raise ValueError(f"daily_edge_rounding needs blocks_per = one of {list(SPAN_DAYS)}")
        return self


class MinimumCharge(Periodic):
    """What the named lines fall short of an amount."""

    kind: Literal["minimum"]
    of: tuple[str, ...] = Field(min_length=1)


class MaximumCharge(Periodic):
    """What the named lines go beyond an amount, taken off."""

    kind: Literal["maximum"]
    of: tuple[str, ...] = Field(min_length=1)


class PercentCharge(Charge):
    """A tax, an adder or, if negative, a credit on the named lines."""

    kind: Literal["percent"]
    rate: Share
    of: tuple[str, ...] | Literal["all"]
    count: str | None = None  # times a count of the invoice, such as its months overdue
    against: tuple[str, ...] = ()  # a credit takes off no more than these lines come to
    late_fee: bool = False

    _late = model_validator(mode="after")(lambda self: _counted_if_late(self))

    @field_validator("rate")
    @classmethod
    def _part(cls, rate: Decimal) -> Decimal:
        if abs(rate) > 1:
            raise ValueError(
                f"{plain(rate * 100):f} % of the lines is more than they come to; write '9 %' or "
                "0.09 for nine per cent, and what is truly more as '100 %' with a multiplier"
            )
        return rate

    @field_validator("of")
    @classmethod
    def _some(cls, of: tuple[str, ...] | str) -> tuple[str, ...] | str:
        if not of:
            raise ValueError('name the lines it is on, or write of = "all"')
        return of


class LoadRule(Strict):
    """Mass per volume and concentration, such as 8.34 lb in a million gallons of 1 mg/L."""

    constant: Number
    volume: str
    mass: Literal["lb", "kg"]
    rounding: RoundingTable | None = None  # of constant x concentration

    _unit = field_validator("volume")(volume_unit)


class Instead(Strict):
    """Another parameter charged in place of this one where their ratio is high."""

    parameter: str
    ratio: Number
    at_ratio: bool = False  # whether the ratio itself already switches
    threshold: Number = Decimal(0)
    rate: Number


class Strength(Charge):
    """What the kinds on a concentration have in common."""

    parameter: str
    threshold: Number = Decimal(0)
    threshold_from: dict[str, Number] = Field(default_factory=dict)  # at least factor x parameter
    floor: Number | None = None  # the concentration is never taken below this
    at_least: dict[str, Number] = Field(default_factory=dict)  # at least factor x parameter
    if_missing: dict[str, Number] = Field(default_factory=dict)  # factor x another parameter


class StrengthCharge(Strength):
    """A rate on the mass above a threshold concentration."""

    kind: Literal["strength"]
    volume: str | None = None
    rate: Number
    rate_per: Literal["lb", "100 lb", "1000 lb", "short ton", "kg", "1000 kg"]
    load: LoadRule
    load_rounding: RoundingTable | None = None
    load_allowance: Number = Decimal(0)
    instead: Instead | None = None


class StrengthBands(Strength):
    """A rate per volume for each band, or part of one, above a threshold."""

    kind: Literal["strength bands"]
    volume: str | None = None
    unit: str
    rate: Number
    band: Number = Field(gt=0)

    _unit = field_validator("unit")(volume_unit)


class StrengthShare(Strength):
    """A share of other lines, as far as a concentration exceeds its threshold."""

    kind: Literal["strength share"]
    of: tuple[str, ...] = Field(min_length=1)
    divisor: Number | None = None  # default: the threshold

    @model_validator(mode="after")
    def _divisor(self) -> StrengthShare:
        if not (self.divisor or self.threshold):
            raise ValueError("a strength share needs a threshold or a divisor above zero")
        return self


class TradeEffluentCharge(Charge):
    """Charge per volume from conveyance, treatment and the strength relative to standard sewage."""

    kind: Literal["trade effluent"]
    volume: str | None = None
    unit: str
    conveyance: Number  # R
    treatment: Number  # V
    biological_volume: Number = Decimal(0)  # Bv
    sea_outfall: Number = Decimal(0)  # M
    biological: Number  # B
    solids: Number  # S
    standard_oxygen_demand: Number = Field(gt=0)  # Os
    standard_solids: Number = Field(gt=0)  # Ss
    oxygen_demand_parameter: str = "COD"
    solids_parameter: str = "TSS"
    unit_rate_rounding: RoundingTable | None = None

    _unit = field_validator("unit")(volume_unit)


AnyCharge = Annotated[
    FixedCharge
    | VolumeCharge
    | MinimumCharge
    | MaximumCharge
    | PercentCharge
    | StrengthCharge
    | StrengthBands
    | StrengthShare
    | TradeEffluentCharge,
    Field(discriminator="kind"),
]
