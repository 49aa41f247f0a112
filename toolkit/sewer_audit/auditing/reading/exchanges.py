"""Changes of the meter whose reads the invoices print: from the site's register, or as stated."""

from __future__ import annotations

import math
from decimal import Decimal
from typing import Any

import pandas as pd

from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.case import Case
from sewer_audit.charges import MeterExchange, RegisterFace
from sewer_audit.charges.chain.exchange_guesses import counted
from sewer_audit.records import MeterChange

FASTEST = 5
"""A fall of printed reads is a rollover where it counts at most so many times the others [-]."""


def read_meter(case: Case) -> Any:
    """The [[intake]] whose reads the invoices print."""
    supplies = [intake for intake in case.data.intake if intake.role == "supply"]
    named = [intake for intake in case.data.intake if intake.meter == case.data.account.read_of]
    if named:
        return named[0]
    return supplies[0] if len(supplies) == 1 and case.data.case.basis == "intake" else None


def changes_of(case: Case, inputs: Inputs) -> tuple[MeterChange, ...]:
    """Changes of the billed meter."""
    meter, dial = read_meter(case), case.data.account.reads
    if meter is not None and inputs.meters[meter.meter].changes:
        return inputs.meters[meter.meter].changes
    if dial is None:
        return ()
    found, before = [], dial.multiplier
    for change in sorted(dial.change, key=lambda each: each.date):
        moment = _at_read_hour(case, change.date)
        after = before if change.multiplier is None else change.multiplier
        reads = float(change.final_read), float(change.first_read)
        found.append(MeterChange(moment, moment, *reads, float(before), float(after)))
        before = after
    return tuple(found)


def _at_read_hour(case: Case, day: Any) -> pd.Timestamp:
    stamp = pd.Timestamp(f"{day.isoformat()} {case.data.invoices.read_hour}")
    return stamp.tz_localize(case.zone, ambiguous=True, nonexistent="shift_forward").tz_convert(
        "UTC"
    )


def exchange_of(
    case: Case, inputs: Inputs, row: int, face: RegisterFace | None
) -> MeterExchange | None:
    """The last change of the billed meter before the end of an invoice's period.

    Units: face [billing unit]; returns [billing unit].
    """
    return last_exchange(changes_of(case, inputs), inputs.invoices.frame.iloc[row], face)


def last_exchange(
    changes: tuple[MeterChange, ...], invoice: pd.Series, face: RegisterFace | None
) -> MeterExchange | None:
    """The last of some changes of one meter before the end of an invoice's period.

    Units: invoice [UTC]; face [billing unit]; returns [billing unit].
    """
    earlier = [each for each in changes if each.time < invoice["end"]]
    if face is None or not earlier:
        return None
    last, inside = earlier[-1], len(_inside(changes, invoice))
    if inside > 1 or (inside and not last.together):
        return None
    if not inside and all(each.count_before_m3 == each.count_after_m3 for each in earlier):
        return None
    final, first = counts_of(last.final_read), counts_of(last.first_read)
    counts = (last.count_before_m3, last.count_after_m3)
    old, new = (_per_count(count, changes, face) for count in counts)
    return MeterExchange(final, first, old, new, bool(inside))  # type: ignore[arg-type]


def _inside(changes: tuple[MeterChange, ...], invoice: pd.Series) -> list[MeterChange]:
    return [each for each in changes if invoice["start"] < each.time < invoice["end"]]


def _per_count(count: float, changes: tuple[MeterChange, ...], face: RegisterFace) -> Decimal:
    """Volume of a count, by how many times that of the first meter it is."""
    return face.per_count * Decimal(repr(round(count / changes[0].count_before_m3, 9)))


def volume_across(
    case: Case, inputs: Inputs, row: int, face: RegisterFace, reads: tuple[Decimal, Decimal]
) -> Decimal | None:
    """Volume between two printed reads over every change of meter in the period.

    Units: face [billing unit]; reads [counts]; returns [billing unit].
    """
    parts = segments_of(case, inputs, row, face, reads)
    return sum(parts, Decimal(0)) if parts else None


def segments_of(
    case: Case, inputs: Inputs, row: int, face: RegisterFace, reads: tuple[Decimal, Decimal]
) -> tuple[Decimal, ...]:
    """What each meter of a period counted, in order; nothing where none was changed in it.

    Units: face [billing unit]; reads [counts]; returns [billing unit].
    """
    changes = changes_of(case, inputs)
    inside = _inside(changes, inputs.invoices.frame.iloc[row])
    parts, (since, last) = [], reads
    if not inside:
        return ()
    for each in inside:
        final = counts_of(each.final_read)
        counts = counted(since, final, face)  # type: ignore[arg-type]
        parts.append(counts * _per_count(each.count_before_m3, changes, face))
        since = counts_of(each.first_read)  # type: ignore[assignment]
    if last < since:
        return ()
    return *parts, (last - since) * _per_count(inside[-1].count_after_m3, changes, face)


def unread_in_period(record: Any, invoice: pd.Series) -> bool:
    """Whether a meter was changed in a period without the reads of both meters at one time.

    Units: invoice [UTC].
    """
    return any(
        not each.together and each.time > invoice["start"] and each.last_time < invoice["end"]
        for each in record.changes
    )


def unread(case: Case, inputs: Inputs, row: int) -> bool:
    """Whether the billed meter was changed in a period and not all of its volume was read."""
    meter = read_meter(case)
    if meter is None:
        return False
    return unread_in_period(inputs.meters[meter.meter], inputs.invoices.frame.iloc[row])


def is_one_meter(
    case: Case,
    inputs: Inputs,
    row: int,
    face: RegisterFace,
    reads: tuple[Decimal | None, Decimal | None],
) -> bool:
    """Whether the two reads of an invoice may be subtracted, over a rollover if they fall.

    Units: face [billing unit]; reads [counts].
    """
    frame = inputs.invoices.frame
    if _inside(changes_of(case, inputs), frame.iloc[row]) or unread(case, inputs, row):
        return False
    first, last = reads
    if first is None or last is None or last >= first:
        return True
    usual = (frame["current_read"] - frame["previous_read"]).max()
    return not counted(first, last, face) > FASTEST * usual


def counts_of(value: Any) -> Decimal | None:
    """A read as an exact number.

    Units: value [counts]; returns [counts].
    """
    number = float(value)
    if not math.isfinite(number):
        return None
    return Decimal(int(number)) if number.is_integer() else Decimal(repr(number))
