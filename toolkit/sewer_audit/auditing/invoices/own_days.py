"""Invoices that bill days which an earlier one holds: what is left for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.charges import BilledInvoice, Schedule, recompute
from sewer_audit.charges.schedule.figures import CONTEXT

ZERO = Decimal(0)


def of_own_days(inputs: Inputs) -> Inputs:
    """Every invoice from the instant and the read on at which the one that shares days ends."""
    frame = inputs.invoices.frame
    last = dict(zip(frame["invoice"], frame["current_read"], strict=True))
    reads = [last.get(row.shares_with, row.previous_read) for row in frame.itertuples()]
    own = frame.assign(start=frame["own_start"], previous_read=reads)
    return replace(inputs, invoices=replace(inputs.invoices, frame=own))


def with_own(
    schedule: Schedule,
    bill: BilledInvoice,
    part: BilledInvoice,
    shares_with: str,
    usual: Decimal | None = None,
) -> BilledInvoice:
    """An invoice that shares days, with what its own days are priced from.

    Where reads tell the volume of these days exactly it is theirs. Else, if the volume as printed
    stands, or nothing else is known, they have their part of it: by the reads, by the meters, by
    the days.

    Units: usual [billing unit].
    """
    stands = recompute(schedule, bill).stands
    bill = replace(bill, shares_with=shares_with)
    if part.facts.start >= part.facts.end:
        return bill
    own, exact = part.facts.but(billed_volume=None), part.tolerance == 0
    if not own.volumes or (stands and not exact):
        share, exact = _own_share(bill, part, usual)
        volume = (bill.facts.billed_volume * share).quantize(bill.facts.billed_volume)
        own = own.but(billed_volume=volume)
    return replace(bill, own=own, own_exact=exact)


def usual_volume(bills: Sequence[BilledInvoice]) -> Decimal | None:
    """Billed volume of one count, in the middle of the invoices that share no day.

    Units: returns [billing unit].
    """
    ratios = sorted(
        CONTEXT.divide(bill.facts.billed_volume, bill.current_read - bill.previous_read)
        for bill in bills
        if None not in (bill.previous_read, bill.current_read, bill.facts.billed_volume)
        and bill.current_read > bill.previous_read
    )
    return ratios[len(ratios) // 2] if ratios else None


def _own_share(
    bill: BilledInvoice, part: BilledInvoice, usual: Decimal | None
) -> tuple[Decimal, bool]:
    """Part of the printed volume that falls into the own days, and whether reads tell it.

    By the reads it is known where the printed volume follows from them as in the other invoices;
    where it follows from the reads of the own days alone, all of it is theirs.
    """
    before, own, after = bill.previous_read, part.previous_read, bill.current_read
    if None not in (before, own, after) and before <= own <= after and before < after:
        told, billed = bill.read_type == "actual", bill.facts.billed_volume
        if usual is not None:
            step = Decimal(1).scaleb(min(int(billed.as_tuple().exponent), 0))
            whole, rest = (abs(billed - usual * (after - each)) for each in (before, own))
            if rest <= step < whole:
                return Decimal(1), told
            told = told and whole <= step
        return CONTEXT.divide(after - own, after - before), told
    for name in ("intake", "discharge"):
        metered = bill.facts.volumes.get(name, ZERO)
        if metered > 0 and name in part.facts.volumes:
            return CONTEXT.divide(part.facts.volumes[name], metered), False
    days = [(each.facts.end - each.facts.start).days for each in (part, bill)]
    return CONTEXT.divide(Decimal(days[0]), Decimal(days[1])), False
