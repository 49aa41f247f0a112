"""One function for each kind of charge: from a part of a period to priced terms."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.pricing.basis import (
    ChargedVolume,
    return_factor_of,
    span_units,
    whole_units,
)
from sewer_audit.charges.schedule.figures import EXACT, NO_ROUNDING, Rounding
from sewer_audit.charges.schedule.kinds import (
    FixedCharge,
    MaximumCharge,
    MinimumCharge,
    PercentCharge,
    Periodic,
    VolumeCharge,
)
from sewer_audit.charges.schedule.periods import Part, calendar_units
from sewer_audit.charges.schedule.values import SPAN_DAYS, amount_of
from sewer_audit.errors import InputRefused, Problem, UnitError
from sewer_audit.units import exact, number_in

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import Schedule

_MONTHS = {"month": 1, "quarter": 3, "year": 12}


@dataclass(frozen=True)
class PricedTerm:
    """One product within a line of a bill.

    Units: quantity [`unit`]; rate [currency per `unit`].
    """

    name: str
    quantity: Any
    unit: str
    rate: Any
    amount: Any


@dataclass(frozen=True)
class Setting:
    """What the terms of one part of one invoice are priced from."""

    schedule: Schedule
    facts: InvoiceFacts
    part: Part
    days: int  # of the whole service period
    arithmetic: Any
    volumes: Callable[[str | None], ChargedVolume]  # the share of the part
    line_amount: Callable[[str], Any]
    lines_so_far: Callable[[], tuple[str, ...]]

    def number(self, value: Any) -> Any:
        return self.arithmetic.number(value)

    def rounded(self, value: Any, table: Any) -> Any:
        return self.arithmetic.rounded(value, rule_of(table))

    @staticmethod
    def rounded_exact(value: Decimal, table: Any) -> Decimal:
        return EXACT.rounded(value, rule_of(table))


def rule_of(table: Any) -> Rounding:
    """The rounding of a table, or none."""
    return NO_ROUNDING if table is None else table.rounding()


def chosen(table: dict[str, Decimal], given: str | None, what: str, s: Setting) -> Decimal:
    """The row of a table by meter size or class; spelling of the size does not matter."""

    def key(text: str) -> Any:
        written = " ".join(text.lower().split())
        try:
            number, unit = number_in(written)
            return number * exact(unit, "length")
        except UnitError:
            return written

    rows = {key(name): value for name, value in table.items()}
    if given is None or key(given) not in rows:
        raise _no_row(s, what, tuple(table))
    return rows[key(given)]


def _no_row(s: Setting, what: str, rows: Iterable[str]) -> InputRefused:
    stated = getattr(s.facts, what.replace(" ", "_"))
    found = "states none" if stated is None else f"states {stated!r}"
    return InputRefused(
        Problem(
            s.facts.file,
            f"the rate schedule needs a {what} and invoice {s.facts.invoice} {found}",
            f"State one of {', '.join(rows)}",
            line=s.facts.line,
            column=what.replace(" ", "_"),
            code="rate-row-missing",
        )
    )


def periods_in(charge: Any, s: Setting, per: str) -> Decimal:
    """Number of periods of a fixed charge in the part."""
    if per == "bill":
        return s.part.share
    if per == "day":
        return Decimal(s.part.days)
    prorated = getattr(charge, "proration", "none")
    normal = getattr(charge, "normal_days", None)
    if prorated == "none" or (normal and normal[0] <= s.days <= normal[1]):
        if s.facts.months is not None:
            return s.facts.months / _MONTHS[per] * s.part.share
        return whole_units(per, s.facts, s.days) * s.part.share
    if prorated == "standard days":
        return Decimal(s.part.days) / charge.standard_days
    return calendar_units(per, s.part.start, s.part.end)


def amount_and_name(charge: Periodic, s: Setting) -> tuple[Decimal, str]:
    """The amount of a period, by meter size or class where the table says so, and of what."""
    if charge.by_meter_size:
        amount = chosen(charge.by_meter_size, s.facts.meter_size, "meter size", s)
        return amount, f"{charge.name} ({s.facts.meter_size})"
    if charge.by_class:
        amount = chosen(charge.by_class, s.facts.customer_class, "customer class", s)
        return amount, f"{charge.name} ({s.facts.customer_class})"
    return charge.amount or Decimal(0), charge.name


def fixed_terms(charge: FixedCharge, s: Setting) -> list[PricedTerm]:
    """Terms of a fixed charge."""
    amount, name = amount_and_name(charge, s)
    if charge.by_diameter is not None:
        amount *= diameter_factor(charge, s)
    amount *= charge.multiplier
    if charge.scaled_by_return_factor_of is not None:
        rule = s.part.version.volume_named(charge.scaled_by_return_factor_of)
        amount *= return_factor_of(rule, s.facts, s.schedule.schedule.end_day_counts)
    periods = periods_in(charge, s, charge.per)
    unit = charge.per
    if charge.count is not None:
        count = counted(charge, s)
        amount, unit = amount * count, f"{charge.per} x {count} {' x '.join(charge.counts)}"
    total = amount * periods
    daily = charge.proration == "standard days" and charge.daily_rounding is not None
    if daily and periods == Decimal(s.part.days) / charge.standard_days:
        amount = s.rounded_exact(amount / charge.standard_days, charge.daily_rounding)
        periods, unit = Decimal(s.part.days), "day"
        total = amount * periods
    n = s.number
    return [PricedTerm(name, n(periods), unit, n(amount), n(total))]


def diameter_factor(charge: FixedCharge, s: Setting) -> Decimal:
    """Square of the meter diameter over the reference diameter, rounded as stated."""
    try:
        size = number_in(s.facts.meter_size or "")[0]
    except UnitError:
        raise _no_row(s, "meter size", (f"{charge.by_diameter} mm",)) from None
    diameter = Decimal(size.numerator) / Decimal(size.denominator)
    factor = (diameter / charge.by_diameter) ** 2
    return s.rounded_exact(factor, charge.factor_rounding)


def counted(charge: FixedCharge, s: Setting) -> Decimal:
    """Units of a counted charge, such as equivalent units of an area."""
    count = Decimal(1)
    for name in charge.counts:
        count *= count_of(name, charge.name, s)
    return s.rounded_exact(count / charge.count_per, charge.count_rounding)


def count_of(name: str, charge: str, s: Setting) -> Decimal:
    """A count that an invoice states."""
    count = s.facts.counts.get(name)
    if count is None:
        raise InputRefused(
            Problem(
                s.facts.file,
                f"invoice {s.facts.invoice} states no {name!r}, which charge {charge!r} counts",
                "State it in the case",
                line=s.facts.line,
                column=name,
                code="fact-missing",
            )
        )
    return count


def volume_terms(charge: VolumeCharge, s: Setting) -> list[PricedTerm]:
    """Terms of a rate, or of blocks, on a volume."""
    volume, n = s.volumes(charge.volume), s.number
    unit = charge.unit or volume.unit
    use = s.arithmetic.divide(
        volume.value * n(s.schedule.litres(volume.unit)), n(s.schedule.litres(unit))
    )
    if charge.allowance is not None:
        free = n(amount_of(charge.allowance, unit, s.schedule.conversions) * s.part.share)
        free = free * span_units(charge.allowance_per, s.facts, s.days, n)
        use = s.arithmetic.maximum(use - free, n(Decimal(0)))
    if charge.priced_per_day:
        return _per_day(charge, s, use, unit)
    if not charge.blocks:
        rate = charge.rate
        if rate is None:
            rate = chosen(charge.rate_by_class, s.facts.customer_class, "customer class", s)
        rate = n(rate * charge.multiplier / charge.rate_per)
        return [PricedTerm(charge.name, use, unit, rate, use * rate)]
    return _blocks(charge, s, use, unit, _edges(charge, s, unit))


def _edges(charge: VolumeCharge, s: Setting, unit: str) -> list[Decimal]:
    """Upper ends of the blocks but the last, scaled to the days or the share of the part."""
    edges = []
    for block in charge.blocks[:-1]:
        edge = amount_of(block.to, unit, s.schedule.conversions)
        if charge.blocks_per in SPAN_DAYS and charge.daily_edge_rounding is not None:
            edge = edge / SPAN_DAYS[charge.blocks_per]
            edge = s.rounded_exact(edge, charge.daily_edge_rounding) * s.part.days
        elif charge.priced_per_day:
            pass
        else:
            edge *= span_units(charge.blocks_per, s.facts, s.days, Decimal) * s.part.share
        edges.append(s.rounded_exact(edge, charge.edge_rounding))
    return edges


def _blocks(
    charge: VolumeCharge, s: Setting, use: Any, unit: str, edges: list[Decimal]
) -> list[PricedTerm]:
    """Terms of the blocks that the use reaches."""
    a, n = s.arithmetic, s.number
    if charge.blocks_on == "whole volume" or any(b.base is not None for b in charge.blocks):
        return [_one_block(charge, s, use, unit, edges)]
    terms, lower, zero = [], Decimal(0), n(Decimal(0))
    for block, upper in zip(charge.blocks, [*edges, None], strict=True):
        inside = use - n(lower)
        inside = inside if lower == 0 else a.maximum(inside, zero)
        inside = inside if upper is None else a.minimum(inside, n(upper - lower))
        rate = n(block.rate * charge.multiplier / charge.rate_per)
        amount = s.rounded(inside * rate, charge.term_rounding)
        label = f"over {lower:f}" if upper is None else f"{lower:f} to {upper:f}"
        if a.name == "draws" or inside != 0 or lower == 0:
            terms.append(PricedTerm(f"{charge.name}, {label} {unit}", inside, unit, rate, amount))
        lower = upper
    return terms


def _one_block(
    charge: VolumeCharge, s: Setting, use: Any, unit: str, edges: list[Decimal]
) -> PricedTerm:
    """A block table where one row prices the whole: by class of volume, or cumulative."""
    n, a = s.number, s.arithmetic
    whole = charge.blocks_on == "whole volume"
    rate = amount = n(Decimal(0))
    for block, lower in zip(charge.blocks, [Decimal(0), *edges], strict=True):
        price = n(block.rate * charge.multiplier / charge.rate_per)
        base = n((block.base or Decimal(0)) * charge.multiplier * s.part.share)
        cost = base + (use if whole else use - n(lower)) * price
        reached = (use > n(lower)) | (lower == 0)
        amount, rate = a.where(reached, cost, amount), a.where(reached, price, rate)
    return PricedTerm(charge.name, use, unit, rate, amount)


def _per_day(charge: VolumeCharge, s: Setting, use: Any, unit: str) -> list[PricedTerm]:
    """Usage of a mean day, cut as stated, priced and multiplied by the days."""
    days = s.number(Decimal(s.part.days))
    daily = s.rounded(s.arithmetic.divide(use, days), charge.daily_use_rounding)
    if charge.blocks:
        terms = _blocks(charge, s, daily, unit, _edges(charge, s, unit))
    else:
        rate = s.number(charge.rate * charge.multiplier / charge.rate_per)
        amount = s.rounded(daily * rate, charge.term_rounding)
        terms = [PricedTerm(charge.name, daily, unit, rate, amount)]
    return [
        PricedTerm(f"{t.name} a day", t.quantity * days, unit, t.rate, t.amount * days)
        for t in terms
    ]


def minimum_terms(charge: MinimumCharge, s: Setting) -> list[PricedTerm]:
    """What the named lines fall short of the minimum."""
    least, name = _limit(charge, s)
    short = s.arithmetic.maximum(least - _made(charge, s), s.number(Decimal(0)))
    return [PricedTerm(name, s.number(Decimal(1)), "bill", short, short)]


def maximum_terms(charge: MaximumCharge, s: Setting) -> list[PricedTerm]:
    """What the named lines go beyond the maximum, taken off."""
    most, name = _limit(charge, s)
    beyond = s.arithmetic.minimum(most - _made(charge, s), s.number(Decimal(0)))
    return [PricedTerm(name, s.number(Decimal(1)), "bill", beyond, beyond)]


def _limit(charge: MinimumCharge | MaximumCharge, s: Setting) -> tuple[Any, str]:
    amount, name = amount_and_name(charge, s)
    return s.number(amount * charge.multiplier * periods_in(charge, s, charge.per)), name


def _made(charge: MinimumCharge | MaximumCharge, s: Setting) -> Any:
    return sum((s.line_amount(line) for line in charge.of), s.number(Decimal(0)))


def percent_terms(charge: PercentCharge, s: Setting) -> list[PricedTerm]:
    """A share of the named lines."""
    n = s.number
    lines = s.lines_so_far() if charge.of == "all" else charge.of
    base = sum((s.line_amount(line) for line in lines), n(Decimal(0)))
    times = Decimal(1) if charge.count is None else count_of(charge.count, charge.name, s)
    rate = n(charge.rate * charge.multiplier * times)
    amount = base * rate
    if charge.against:
        room = sum((s.line_amount(line) for line in charge.against), n(Decimal(0)))
        amount = s.arithmetic.maximum(amount, -s.arithmetic.maximum(room, n(Decimal(0))))
    return [PricedTerm(charge.name, base, "of lines", rate, amount)]
