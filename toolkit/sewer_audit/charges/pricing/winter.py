"""The winter average: which earlier periods it is taken from, and what is made of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import chain
from typing import TYPE_CHECKING

from sewer_audit.charges.schedule.facts import UsePeriod, missing
from sewer_audit.charges.schedule.figures import EXACT, Rounding, plain
from sewer_audit.charges.schedule.periods import (
    days_between,
    days_by_month,
    days_of_month,
    month_of,
)
from sewer_audit.errors import InputRefused, Problem

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import WinterRule

_SHOWN = Rounding(Decimal("0.001"), "half up")
_COVERED = Decimal("0.8")
"""Share of a winter's days that periods must cover to stand for it (judgement)."""


ToUnit = Callable[[UsePeriod], Decimal]


@dataclass(frozen=True)
class WinterAverage:
    """A winter average and the periods it was taken from.

    Units: value [unit of the volume rule].
    """

    value: Decimal
    how: str


@dataclass(frozen=True)
class _Use:
    """The use of a period, or of a calendar month, in the unit of the rule."""

    volume: Decimal
    days: int | None
    label: str


def winter_average(
    rule: WinterRule,
    facts: InvoiceFacts,
    end_day_counts: bool = False,
    to_unit: ToUnit = lambda use: use.volume,
) -> WinterAverage | None:
    """The average of earlier periods; None where the actual use is charged in its place.

    Units: returns [unit of the rule].
    """
    inclusive = end_day_counts if rule.end_day_counts is None else rule.end_day_counts
    if rule.use_rounding is not None:
        cut, exactly = rule.use_rounding.rounding(), to_unit

        def to_unit(volume: Decimal) -> Decimal:
            return EXACT.rounded(exactly(volume), cut)

    if rule.months is None:
        uses, needed = [_use(each, inclusive, to_unit) for each in facts.winter], "earlier periods"
    else:
        month = month_of(facts.start, facts.end, end_day_counts, rule.month_of)
        if rule.charged_months is not None and month % 12 + 1 not in rule.charged_months:
            return None
        uses, needed = _of_winters(rule, facts, month, inclusive, to_unit)
    if not uses:
        if rule.default is None:
            raise _unknown(facts, needed)
        if rule.default == "actual use":
            return None
        return WinterAverage(rule.default, f"the default of {plain(rule.default)}, no winter known")
    value, told = _averaged(rule, uses, facts), ", ".join(use.label for use in uses)
    return WinterAverage(value, f"winter average of {told}")


def _averaged(rule: WinterRule, uses: Sequence[_Use], facts: InvoiceFacts) -> Decimal:
    """The average, with its floor; refused where it matters of what the floor is."""
    if rule.floor is None:
        return _mean(rule, uses, facts)
    found = {
        "average": max(_mean(rule, uses, facts), rule.floor),
        "each month": _mean(rule, [_at_least(use, rule.floor) for use in uses], facts),
    }
    if rule.method == "use per day":
        return found["average"]
    if rule.floor_of is None and found["average"] != found["each month"]:
        raise InputRefused(
            Problem(
                "rates",
                f"the floor of {plain(rule.floor)} may be of each month or of their average, and "
                f"invoice {facts.invoice} is charged on {plain(found['each month'])} or "
                f"{plain(found['average'])}",
                "State floor_of = 'each month' or floor_of = 'average' in the winter table",
                column="version.volume.winter.floor",
                code="rates",
            )
        )
    return found[rule.floor_of or "average"]


def _at_least(use: _Use, floor: Decimal) -> _Use:
    return _Use(max(use.volume, floor), use.days, use.label)


def _mean(rule: WinterRule, uses: Sequence[_Use], facts: InvoiceFacts) -> Decimal:
    if rule.method == "use per day":
        if any(use.days is None for use in uses):
            raise missing(facts, "dates of the winter periods", "Add them", "winter")
        above = sum((use.volume for use in uses), Decimal(0)) * rule.days
        below = Decimal(sum(use.days for use in uses))
    else:
        volumes = sorted(use.volume for use in uses)
        if rule.method == "lowest bills":
            volumes = volumes[: rule.bills]
        elif rule.method == "highest bills":
            volumes = volumes[-rule.bills :]
        elif rule.method == "highest bill":
            volumes = volumes[-1:]
        above, below = sum(volumes, Decimal(0)), Decimal(len(volumes))
    value = EXACT.divide(above * rule.times[0], below * rule.times[1])
    return value if rule.rounding is None else EXACT.rounded(value, rule.rounding.rounding())


def _use(period: UsePeriod, inclusive: bool, to_unit: ToUnit) -> _Use:
    dated = period.start is not None and period.end is not None
    days = days_between(period.start, period.end, inclusive) if dated else None
    label = f"{period.start} to {period.end}" if dated else str(period.end or "an undated period")
    volume = to_unit(period)
    return _Use(volume, days, f"{label} ({plain(EXACT.rounded(volume, _SHOWN))})")


def _of_winters(
    rule: WinterRule,
    facts: InvoiceFacts,
    month: int,
    inclusive: bool,
    to_unit: ToUnit,
) -> tuple[list[_Use], str]:
    """Uses of the last winters that were over before the month of an invoice."""
    wanted = _months_of_winters(rule, month)
    first, last = (_name(each) for each in (wanted[0], wanted[-1]))
    needed = f"periods of the winter {first} to {last}"
    periods = _known(facts)
    if any(each.end is None for each in periods):
        return [_use(each, inclusive, to_unit) for each in periods], needed
    if rule.periods == "calendar months":
        uses = [use for each in wanted if (use := _month(each, periods, inclusive, to_unit))]
        complete = len(uses) == len(wanted)
    else:
        within = [
            each
            for each in periods
            if month_of(each.start, each.end, inclusive, rule.month_of) in wanted
        ]
        uses = [_use(each, inclusive, to_unit) for each in within]
        days = [use.days for use in uses if use.days is not None]
        enough = _COVERED * sum(days_of_month(each) for each in wanted)
        complete = len(days) < len(uses) or sum(days) >= enough
    if uses and not complete:
        raise _unknown(facts, f"complete record of the {needed}")
    return uses, needed


def _months_of_winters(rule: WinterRule, month: int) -> list[int]:
    """The months of the last winters over before a month, or in force in it, in order."""
    months = set(rule.months)
    opening = next((m for m in rule.months if (m - 2) % 12 + 1 not in months), rule.months[0])
    offsets = sorted((m - opening) % 12 for m in months)
    start = opening - 1 + (month - opening) // 12 * 12  # of the winter year the month is before
    while start + offsets[-1] >= month or _holds_from(rule, start + offsets[-1]) > month:
        start -= 12
    starts = [start - 12 * k for k in reversed(range(rule.winters))]
    return [each + offset for each in starts for offset in offsets]


def _holds_from(rule: WinterRule, last: int) -> int:
    """First month in which the average of a winter holds."""
    if rule.from_month is None:
        return last + 1
    return last + 1 + (rule.from_month - 1 - (last + 1)) % 12


def _known(facts: InvoiceFacts) -> list[UsePeriod]:
    """Stated earlier periods, and those of the invoices that reach into none of them."""
    stated = list(facts.winter)
    spans = [(each.start, each.end) for each in stated if each.start and each.end]
    own = [
        each
        for each in facts.history
        if each.end <= facts.start and not any(each.start < b and a < each.end for a, b in spans)
    ]
    return sorted(chain(stated, own), key=lambda each: each.end or date.min)


def _month(
    month: int,
    periods: Sequence[UsePeriod],
    inclusive: bool,
    to_unit: ToUnit,
) -> _Use | None:
    """The use of a calendar month, shared by days; None where its days are not all known."""
    volume, known = Decimal(0), 0
    for each in periods:
        days = days_by_month(each.start or each.end, each.end, inclusive)
        if month in days:
            known += days[month]
            volume += EXACT.divide(to_unit(each) * days[month], Decimal(sum(days.values())))
    if known < _COVERED * days_of_month(month):
        return None
    told = f"{_name(month)} ({EXACT.rounded(volume, _SHOWN)})"
    return _Use(volume, days_of_month(month), told)


def _name(month: int) -> str:
    return f"{month // 12}-{month % 12 + 1:02d}"


def _unknown(facts: InvoiceFacts, what: str) -> InputRefused:
    remedy = (
        "State them under [account] earlier_use (start, end, volume), or default = a volume or "
        "'actual use' in the winter table, as the schedule says for an account without a winter"
    )
    return missing(facts, what, remedy, "winter")
