"""Errors that only a series of invoices shows: repeated periods, estimates, foreign reads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from toolkit.charges.billed import PROOFS, BilledInvoice, RegisterFace, Signature
from toolkit.charges.estimates import estimate_words
from toolkit.charges.figures import CONTEXT, plain
from toolkit.charges.pricing import price
from toolkit.charges.volume_guesses import counted, due_volume, slip_of, step_of

if TYPE_CHECKING:
    from toolkit.charges.schedule import Schedule

__all__ = ["Recomputed", "recompute", "series_signatures"]


@dataclass(frozen=True)
class Recomputed:
    """One printed invoice with its recomputations.

    Parameters
    ----------
    bill : BilledInvoice
        As printed [-].
    due : Decimal, optional
        Volume that should have been charged [volume unit of the facts].
    by_rules : Decimal
        Total by the rules; on the stated volume where the due one is not known [currency].
    volume_agrees : bool
        Whether the billed volume is the due one, to rounding and tolerance [-].
    stands : bool
        Whether the billed volume is kept: it agrees, and the due one has a tolerance [-].
    lines_off : mapping, optional
        Lines that differ from the schedule at the billed volume, invoiced less recomputed
        [currency].
    """

    bill: BilledInvoice
    due: Decimal | None
    by_rules: Decimal
    volume_agrees: bool
    stands: bool = False
    lines_off: Mapping[str, Decimal] | None = None

    @property
    def billed(self) -> Decimal | None:
        """Billed volume as printed [volume unit of the facts]."""
        return self.bill.facts.billed_volume


def recompute(schedule: Schedule, bill: BilledInvoice) -> Recomputed:
    """Price an invoice by the rules and hold its billed volume against the due one.

    Parameters
    ----------
    schedule : Schedule
        The rates [-].
    bill : BilledInvoice
        As printed [-].

    Returns
    -------
    Recomputed
        Volume and total by the rules [currency].
    """
    due = due_volume(schedule, bill)
    billed = bill.facts.billed_volume
    if due is None:
        return Recomputed(bill, None, price(schedule, bill.facts).total, True)
    agrees = billed is None or abs(billed - due) <= bill.tolerance + step_of(schedule, bill)
    # inside the tolerance the printed volume stands: a clean invoice is not corrected by noise
    stands = agrees and billed is not None and bill.tolerance > 0
    facts = bill.facts if stands else bill.facts.but(billed_volume=None)
    return Recomputed(bill, due, price(schedule, facts).total, agrees, stands)


def series_signatures(
    schedule: Schedule,
    all_of_them: Sequence[Recomputed],
    register: RegisterFace | None,
    other_accounts: Mapping[str, Sequence[tuple[Decimal | None, Decimal | None]]],
) -> list[Signature]:
    """Errors that a series shows.

    Parameters
    ----------
    schedule : Schedule
        The rates [-].
    all_of_them : sequence of Recomputed
        In order of their periods [-].
    register : RegisterFace, optional
        Of the billed meter [-].
    other_accounts : mapping
        Account to the reads of its meter for every invoice [counts].

    Returns
    -------
    list of Signature
        Repeated and overlapping periods, estimated runs, reads of another account [-].
    """
    found = _repeated(schedule, all_of_them, register)
    named = {name for signature in found for name in signature.invoices}
    rest = [each for each in all_of_them if each.bill.invoice not in named]
    found += _estimated(schedule, rest)
    named |= {name for signature in found for name in signature.invoices}
    rest = [each for each in all_of_them if each.bill.invoice not in named]
    found += _carried(schedule, rest)
    named |= {name for signature in found for name in signature.invoices}
    found += _of_neighbour(all_of_them, named, other_accounts)
    named |= {name for signature in found for name in signature.invoices}
    return found + _foreign(all_of_them, named)


def with_neighbours(bills: Sequence[BilledInvoice], place: int) -> BilledInvoice:
    """The invoice with own reads taken from the invoices beside it, where the site has none."""
    bill = bills[place]
    if bill.own_reads is not None or None in (bill.previous_read, bill.current_read):
        return bill
    before = bills[place - 1].current_read if place else None
    after = bills[place + 1].previous_read if place + 1 < len(bills) else None
    return replace(
        bill,
        own_reads=(
            bill.previous_read if before is None else before,
            bill.current_read if after is None else after,
        ),
    )


def _signature(
    code: str,
    members: Sequence[Recomputed],
    sentence: str,
    evidence: Mapping[str, Mapping[str, Any]],
    corrected: Decimal | None = None,
    **more: Any,
) -> Signature:
    told = {
        each.bill.invoice: {
            "invoiced": str(each.bill.total),
            "by the rules": str(each.by_rules if corrected is None else corrected),
            **evidence[each.bill.invoice],
        }
        for each in members
    }
    return Signature(
        code=code,
        invoices=tuple(each.bill.invoice for each in members),
        sentence=sentence,
        invoiced_amount=sum((each.bill.total for each in members), Decimal(0)),
        corrected_amount=(
            sum((each.by_rules for each in members), Decimal(0)) if corrected is None else corrected
        ),
        evidence=told,
        evidence_that_separates=PROOFS[code],
        **more,
    )


def _repeated(
    schedule: Schedule, series: Sequence[Recomputed], register: RegisterFace | None
) -> list[Signature]:
    """Invoices for a period, or for reads, that an earlier one holds already."""
    found: list[Signature] = []
    spare = 1 if schedule.schedule.end_day_counts else 0
    for place, later in enumerate(series):
        for earlier in series[:place]:
            one, other = earlier.bill.facts, later.bill.facts
            same_reads = (
                earlier.bill.current_read is not None
                and (earlier.bill.previous_read, earlier.bill.current_read)
                == (later.bill.previous_read, later.bill.current_read)
                and earlier.bill.previous_read != earlier.bill.current_read
            )
            if (one.start, one.end) == (other.start, other.end) or same_reads:
                what = "the same reads" if same_reads else "the same period"
                sentence = f"{other.invoice} bills {what} as {one.invoice} once more."
                evidence = {other.invoice: {"same as": one.invoice}}
                nothing = Decimal(0)
                found.append(_signature("duplicate-period", [later], sentence, evidence, nothing))
                break
            days = (one.end - other.start).days + spare
            if other.start < one.end and days > 0:
                found.append(_overlap(schedule, earlier, later, days, register))
                break
    return found


def _overlap(
    schedule: Schedule,
    earlier: Recomputed,
    later: Recomputed,
    days: int,
    register: RegisterFace | None,
) -> Signature:
    """The later invoice for the days the earlier one does not hold, from reads where possible."""
    one, other = earlier.bill, later.bill
    facts = other.facts
    begin = min(one.facts.end, facts.end)
    sentence = f"{other.invoice} bills {days} days that {one.invoice} holds already."
    evidence = {other.invoice: {"days billed twice": days, "also in": one.invoice}}
    if begin >= facts.end:
        return _signature("overlapping-period", [later], sentence, evidence, Decimal(0))
    left = CONTEXT.divide(
        Decimal((facts.end - begin).days), Decimal((facts.end - facts.start).days)
    )
    exact = False
    if register is not None and None not in (one.current_read, other.current_read):
        used = counted(one.current_read, other.current_read, register)
        whole = counted(other.previous_read, other.current_read, register)
        if whole > 0:
            left, exact = CONTEXT.divide(used, whole), True
    volume = None if facts.billed_volume is None else facts.billed_volume * left
    metered = {name: value * left for name, value in facts.volumes.items()}
    corrected = price(schedule, facts.but(start=begin, billed_volume=volume, volumes=metered)).total
    return _signature(
        "overlapping-period",
        [later],
        sentence,
        evidence,
        corrected,
        exactness="exact" if exact else "within interval",
    )


def _volumes(each: Recomputed) -> dict[str, str]:
    return {"billed volume": str(plain(each.billed)), "due volume": str(plain(each.due))}


def _estimated(schedule: Schedule, series: Sequence[Recomputed]) -> list[Signature]:
    """Runs of estimated reads: settled by the next actual read, or never made good."""
    found: list[Signature] = []
    place = 0
    while place < len(series):
        run = []
        while place < len(series) and series[place].bill.read_type == "estimated":
            run.append(series[place])
            place += 1
        if not run:
            place += 1
            continue
        after = series[place] if place < len(series) else None
        if any(each.due is None or each.billed is None for each in run):
            continue
        if all(each.volume_agrees for each in run):
            continue
        earlier = series[: series.index(run[0])]
        found.append(_estimated_run(schedule, run, after, earlier))
        place += 1
    return found


def _estimated_run(
    schedule: Schedule,
    run: list[Recomputed],
    after: Recomputed | None,
    earlier: Sequence[Recomputed],
) -> Signature:
    known = after is not None and after.due is not None and after.billed is not None
    members = [*run, after] if known else run
    off = sum((each.billed - each.due for each in run), Decimal(0))
    unit = run[0].bill.facts.volume_unit
    slack = sum(
        (each.bill.tolerance + step_of(schedule, each.bill) for each in members), Decimal(0)
    )
    evidence = {each.bill.invoice: _volumes(each) for each in members}
    names = ", ".join(each.bill.invoice for each in run)
    rest = "rest on estimated reads" if len(run) > 1 else "rests on an estimated read"
    by = f"{plain(abs(off.quantize(Decimal('0.001'))))} {unit} too {'high' if off > 0 else 'low'}"
    told = [estimate_words(schedule, [*earlier, *run[:k]], each) for k, each in enumerate(run)]
    how = "".join(f"; {words}" for words in told if words)
    if known and abs(off + after.billed - after.due) <= slack:
        sentence = f"{names} {rest}, {by}; {after.bill.invoice} makes it good{how}."
        return _signature("estimated-read", members, sentence, evidence)
    if known and after.volume_agrees:
        sentence = (
            f"{names} {rest}, {by}, and {after.bill.invoice}, on an actual read, "
            f"does not make it good{how}."
        )
        return _signature("missing-true-up", members, sentence, evidence)
    sentence = f"{names} {rest}, {by}; no actual read has settled it{how}."
    return _signature("estimated-read", run, sentence, evidence)


def _carried(schedule: Schedule, series: Sequence[Recomputed]) -> list[Signature]:
    """A read that was wrong and that the next invoice started from: what one bills too much, the
    other bills too little."""
    found: list[Signature] = []
    taken: set[str] = set()
    for place, (one, other) in enumerate(pairwise(series)):
        pair = (one, other)
        if not _may_carry(series, place):
            continue
        if one.bill.invoice in taken or any(e.volume_agrees or e.billed is None for e in pair):
            continue
        if one.bill.current_read is None or one.bill.current_read != other.bill.previous_read:
            continue
        off = [each.billed - each.due for each in pair]
        slack = sum(each.bill.tolerance + step_of(schedule, each.bill) for each in pair)
        if off[0] * off[1] < 0 and abs(sum(off)) <= slack:
            size, unit = plain(abs(off[0].quantize(Decimal("0.001")))), one.bill.facts.volume_unit
            more = "high" if off[0] > 0 else "low"
            sentence = (
                f"{one.bill.invoice} is {size} {unit} too {more}, {other.bill.invoice} makes it "
                f"good: the read {one.bill.current_read} between them was wrong."
            )
            evidence = {e.bill.invoice: _volumes(e) for e in pair}
            found.append(_signature("misread", pair, sentence, evidence))
            taken |= {one.bill.invoice, other.bill.invoice}
    return found


def _may_carry(series: Sequence[Recomputed], place: int) -> bool:
    """Whether the read between an invoice and the next may have been wrong.

    The site's own read there decides; without one, only a pair that stands alone between right
    invoices may be such: in a series that is wrong throughout two differences cancel by chance.
    """
    one, other = series[place].bill, series[place + 1].bill
    own = [reads[end] for reads, end in ((one.own_reads, 1), (other.own_reads, 0)) if reads]
    if own:
        return any(read != one.current_read for read in own)
    beside = (*series[max(place - 1, 0) : place], *series[place + 2 : place + 3])
    return all(each.volume_agrees for each in beside)


def _of_neighbour(
    series: Sequence[Recomputed],
    named: set[str],
    other_accounts: Mapping[str, Sequence[tuple[Decimal | None, Decimal | None]]],
) -> list[Signature]:
    """Invoices that print the reads of a known other account's meter."""
    found = []
    for account, reads in other_accounts.items():
        members = [
            each
            for each, theirs in zip(series, reads, strict=True)
            if each.bill.invoice not in named
            and not each.volume_agrees
            and None not in theirs
            and (each.bill.previous_read, each.bill.current_read) == theirs
        ]
        if members:
            names = ", ".join(each.bill.invoice for each in members)
            sentence = f"{names}: the reads are those of the meter of account {account}."
            evidence = {
                each.bill.invoice: {"printed": [str(r) for r in theirs], "reads of": account}
                for each in members
                for theirs in [(each.bill.previous_read, each.bill.current_read)]
            }
            found.append(_signature("another-account", members, sentence, evidence))
    return found


def _foreign(series: Sequence[Recomputed], named: set[str]) -> list[Signature]:
    """Invoices whose reads belong to no point of this meter's own series."""
    found = []
    for place, each in enumerate(series):
        bill = each.bill
        if bill.invoice in named or each.volume_agrees or bill.read_type != "actual":
            continue
        if bill.previous_read is None or bill.current_read is None:
            continue
        before = series[place - 1].bill.current_read if place else None
        after = series[place + 1].bill.previous_read if place + 1 < len(series) else None
        breaks = [
            stated != own
            for stated, own in ((bill.previous_read, before), (bill.current_read, after))
            if own is not None
        ]
        own = bill.own_reads
        if own is not None:
            pairs = list(zip((bill.previous_read, bill.current_read), own, strict=True))
            breaks = [printed != mine and not slip_of(printed, mine) for printed, mine in pairs]
        if breaks and all(breaks):
            sentence = (
                f"{bill.invoice} bills from {bill.previous_read} to {bill.current_read}, no reads "
                "of this meter: they look like another account's."
            )
            expected = own or (before, after)
            evidence = {
                bill.invoice: {
                    "printed": [str(bill.previous_read), str(bill.current_read)],
                    "own": [None if read is None else str(read) for read in expected],
                }
            }
            found.append(_signature("another-account", [each], sentence, evidence))
    return found
