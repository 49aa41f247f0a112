"""What the metered volume of an invoice would be under each error at a change of meter."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from sewer_audit.charges.chain.billed import BilledInvoice, MeterExchange, RegisterFace
from sewer_audit.charges.schedule.figures import CONTEXT


def counted(before: Decimal, after: Decimal, register: RegisterFace) -> Decimal:
    """Counts between two reads, over a rollover if the later one is lower.

    Parameters
    ----------
    before, after : Decimal
        The reads [counts].
    """
    return after - before if after >= before else after + Decimal(10) ** register.digits - before


def exchange_guesses(
    bill: BilledInvoice, metered: Decimal, register: RegisterFace | None
) -> Iterator[tuple[str, str, Decimal]]:
    """Metered volumes as an error at the change of a meter would have made them.

    Units: metered [volume unit of the facts]; returns [volume unit of the facts].

    Notes
    -----
    With the reads P and F of the old meter, S and C of the new one, of values a and b a count, the
    use is (F - P) a + (C - S) b. A first read that was taken as another figure than zero cannot be
    told from the volume: any volume follows from some such figure. Where several meters are billed
    together the error acts on one, and the others keep their volumes. Common practice, no source.
    """
    if not bill.meters:
        if bill.exchange is not None:
            reads = bill.own_reads or (bill.previous_read, bill.current_read)
            yield from _of_one(bill.exchange, reads, metered, register)
        return
    for meter in bill.meters:
        if meter.exchange is None or meter.name not in bill.facts.volumes:
            continue
        own = bill.facts.volumes[meter.name]
        reads = meter.reads or (None, None)
        for code, what, volume in _of_one(meter.exchange, reads, own, meter.face):
            yield code, f"{what} ({meter.name})", metered - own + volume


def _of_one(
    change: MeterExchange,
    reads: tuple[Decimal | None, Decimal | None],
    metered: Decimal,
    register: RegisterFace | None,
) -> Iterator[tuple[str, str, Decimal]]:
    """Volumes of one meter as an error at its change would have made them."""
    old, new = change.old_per_count, change.new_per_count
    words = "the counts of the new meter were taken at the value of the old one's"
    if not change.inside:
        if old != new:
            yield "multiplier", words, CONTEXT.divide(metered * old, new)
        return
    if register is None or None in reads:
        return
    first, last = reads
    before = counted(first, change.final_read, register) * old  # type: ignore[arg-type]
    after = (last - change.first_read) * new  # type: ignore[operator]
    yield "use-missing", "the use of the old meter up to its removal was left out", after
    yield "use-missing", "the use of the new meter was left out", before
    if old != new:
        yield "multiplier", words, before + CONTEXT.divide(after * old, new)
    yield "counted-twice", "the use of the old meter was counted twice", 2 * before + after
    yield "counted-twice", "the use of the new meter was counted twice", before + 2 * after
    if change.first_read:
        zero = f"the first read of the new meter, {change.first_read}, was taken as 0"
        yield "start-read", zero, before + last * new  # type: ignore[operator]
        whole = "the use of the old meter was left out and the read of the new one billed whole"
        yield "use-missing", whole, last * new  # type: ignore[operator]
    yield from _as_one(first, last, old, register)  # type: ignore[arg-type]


def _as_one(
    first: Decimal, last: Decimal, per_count: Decimal, register: RegisterFace
) -> Iterator[tuple[str, str, Decimal]]:
    """The read of one meter subtracted from that of the other."""
    words = "the read of the old meter was subtracted from that of the new one"
    words += ", as over a rollover" if last < first else ""
    words += " (or one read stood for both meters at the exchange)"
    yield "as-one-meter", words, counted(first, last, register) * per_count
    if last < first:
        words = "the read of the new meter was subtracted from that of the old one"
        yield "as-one-meter", words, (first - last) * per_count
