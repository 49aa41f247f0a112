"""Days, months and rate versions of a service period."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

from sewer_audit.charges.schedule.figures import CONTEXT
from sewer_audit.errors import InputRefused, Problem

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import Schedule, Version

# mean days of a period in the Gregorian calendar, only to count whole periods in a bill
_MEAN_DAYS = {
    "month": Decimal("30.436875"),
    "quarter": Decimal("91.310625"),
    "year": Decimal("365.2425"),
}


@dataclass(frozen=True)
class Part:
    """The days of a service period that one rate version prices."""

    version: Version
    start: date
    end: date
    share: Decimal

    @property
    def days(self) -> int:
        """Days of the part [d]."""
        return (self.end - self.start).days


def days_between(start: date, end: date, end_day_counts: bool) -> int:
    """Count the days of a service period.

    Units: returns [d].
    """
    return (end - start).days + (1 if end_day_counts else 0)


def in_force(schedule: Schedule, day: date, invoice: str) -> Version:
    """The edition in force on a day."""
    found = [version for version in schedule.version if version.effective <= day]
    if not found:
        raise InputRefused(
            Problem(
                schedule.file,
                f"no version is in force on {day}, which invoice {invoice} needs; the first is "
                f"effective {schedule.version[0].effective}",
                "Add the older edition of the rate schedule as a [[version]]",
                column="version.effective",
                code="rate-version-missing",
            )
        )
    return found[-1]


def parts_of(schedule: Schedule, facts: InvoiceFacts) -> tuple[Part, ...]:
    """Split a service period into the parts that each rate version prices.

    Parameters
    ----------
    schedule : Schedule
        The rates [-].
    facts : InvoiceFacts
        Of the invoice [-].

    Returns
    -------
    tuple of Part
        In order of time; their shares add up to one [-].

    Raises
    ------
    InputRefused
        If the period has no day, or a day that no version is in force on.
    """
    rule = schedule.schedule
    last = facts.end + timedelta(days=1) if rule.end_day_counts else facts.end
    days = (last - facts.start).days
    if days < 1:
        raise InputRefused(
            Problem(
                facts.file,
                f"invoice {facts.invoice} ends {facts.end}, not after its start {facts.start}",
                "Correct the read dates",
                line=facts.line,
                column="end",
                code="empty-period",
            )
        )
    if rule.rate_change == "split by days":
        return _split(schedule, facts, last, days)
    if rule.rate_change == "by bill date" and facts.bill_date is None:
        raise InputRefused(
            Problem(
                facts.file,
                f"invoice {facts.invoice} has no bill date, which rate_change = 'by bill date' "
                "needs",
                "Add a bill_date column, or state another rate_change",
                line=facts.line,
                column="bill_date",
                code="bill-date-missing",
            )
        )
    day = {
        "by start": facts.start,
        "by end": last - timedelta(days=1),
        "by bill date": facts.bill_date,
    }[rule.rate_change]
    version = in_force(schedule, day, facts.invoice)
    return (Part(version, facts.start, last, Decimal(1)),)


def _split(schedule: Schedule, facts: InvoiceFacts, last: date, days: int) -> tuple[Part, ...]:
    edges = [v.effective for v in schedule.version if facts.start < v.effective < last]
    edges = [facts.start, *edges, last]
    return tuple(
        Part(
            in_force(schedule, start, facts.invoice),
            start,
            end,
            CONTEXT.divide(Decimal((end - start).days), Decimal(days)),
        )
        for start, end in pairwise(edges)
    )


_BETWEEN = Decimal("0.35")
"""Part of a period by which a bill may miss a whole number of them: 41 days are no month."""


def usual_units(per: str, days: int) -> Decimal | None:
    """Whole months, quarters or years of a bill, at least one; None where it lies between two."""
    if per == "bill":
        return Decimal(1)
    count = CONTEXT.divide(Decimal(days), _MEAN_DAYS[per])
    if count <= 1:
        return Decimal(1)
    whole = count.quantize(Decimal(1), rounding=ROUND_HALF_UP)
    return whole if abs(count - whole) <= _BETWEEN else None


def calendar_units(per: str, start: date, end: date) -> Decimal:
    """Calendar months, quarters or years covered, each by its own number of days."""
    total = Decimal(0)
    for first, after in _calendar(per, start, end):
        overlap = (min(end, after) - max(start, first)).days
        total += CONTEXT.divide(Decimal(overlap), Decimal((after - first).days))
    return total


def _calendar(per: str, start: date, end: date) -> Iterator[tuple[date, date]]:
    size = {"month": 1, "quarter": 3, "year": 12}[per]
    count = (start.year * 12 + start.month - 1) // size * size
    while True:
        first = date(count // 12, count % 12 + 1, 1)
        count += size
        after = date(count // 12, count % 12 + 1, 1)
        if first >= end:
            return
        yield first, after


def month_of(start: date | None, end: date, end_day_counts: bool, how: str = "most days") -> int:
    """The month a period counts in, as a running number: 12 x year + month - 1.

    By "most days" it is the month that has most days of the period, the earlier of two equal ones.
    """
    if how == "start date" and start is not None:
        return start.year * 12 + start.month - 1
    if how == "end date" or start is None:
        return end.year * 12 + end.month - 1
    days = days_by_month(start, end, end_day_counts)
    return max(days, key=lambda month: (days[month], -month))


def days_by_month(start: date, end: date, end_day_counts: bool) -> dict[int, int]:
    """Days of a period in each month, by the running number of the month."""
    last = max(end + timedelta(days=int(end_day_counts)), start + timedelta(days=1))
    return {
        first.year * 12 + first.month - 1: (min(last, after) - max(start, first)).days
        for first, after in _calendar("month", start, last)
    }


def days_of_month(month: int) -> int:
    """Days of a month, by its running number."""
    return (
        date((month + 1) // 12, (month + 1) % 12 + 1, 1) - date(month // 12, month % 12 + 1, 1)
    ).days


def months_before(day: date, months: int) -> date:
    """The same day so many months earlier, or the last day that month has."""
    count = day.year * 12 + day.month - 1 - months
    first = date(count // 12, count % 12 + 1, 1)
    after = date((count + 1) // 12, (count + 1) % 12 + 1, 1)
    return first + timedelta(days=min(day.day, (after - first).days) - 1)
