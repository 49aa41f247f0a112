"""Errors that only a series of invoices shows: repeated periods, estimates, foreign reads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from sewer_audit import spoken
from sewer_audit.charges.chain.billed import BilledInvoice, RegisterFace, Signature
from sewer_audit.charges.chain.estimates import estimate_words, of_shared_read, runs_of
from sewer_audit.charges.chain.recomputed import Recomputed, signature_of
from sewer_audit.charges.chain.volume_guesses import due_volume, slip_of, step_of
from sewer_audit.charges.errors.repeated import repeated_periods
from sewer_audit.charges.schedule.figures import plain

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.versions import Schedule


def series_signatures(
    schedule: Schedule,
    all_of_them: Sequence[Recomputed],
    register: RegisterFace | None,
    other_accounts: Mapping[str, Sequence[tuple[Decimal | None, Decimal | None]]],
) -> list[Signature]:
    """Errors that a series shows.

    Units: other_accounts [counts].
    """
    found = repeated_periods(schedule, all_of_them, register)
    named = {name for signature in found for name in signature.invoices}
    rest = [each for each in all_of_them if each.bill.invoice not in named]
    found += _estimated(schedule, rest)
    named |= {name for signature in found for name in signature.invoices}
    rest = [each for each in all_of_them if each.bill.invoice not in named]
    found += _exchanged(schedule, rest)
    named |= {name for signature in found for name in signature.invoices}
    rest = [each for each in rest if each.bill.invoice not in named]
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
    before, after = _reads_beside(bills, place)
    return replace(
        bill,
        own_reads=(
            bill.previous_read if before is None else before,
            bill.current_read if after is None else after,
        ),
    )


def _reads_beside(bills: Sequence[BilledInvoice], place: int) -> tuple[Any, Any]:
    """Current read of the invoice that ends before this one, previous read of the one after it.

    Nothing where an invoice that shares days lies between: it prints no read of that instant.
    """
    earlier, this = bills[:place], bills[place]
    before = max(earlier, key=lambda each: each.facts.end, default=None)  # of equals the first
    after = None
    for each in bills[place + 1 :]:
        if not each.shares_with:
            after = each
        if after is not None or each.facts.end > this.facts.end:
            break
    return (
        None if before is None else before.current_read,
        None if after is None else after.previous_read,
    )


def _volumes(each: Recomputed) -> dict[str, str]:
    return {"billed volume": str(plain(each.billed)), "due volume": str(plain(each.due))}


def _estimated(schedule: Schedule, series: Sequence[Recomputed]) -> list[Signature]:
    """Runs of estimates: what a settled one cost, and those no actual read has made good."""
    found: list[Signature] = []
    for places, ending in runs_of(series):
        members = [series[place] for place in places]
        earlier = series[: places[0]]
        if any(each.due is None or each.billed is None for each in members):
            continue
        if any(each.run_costs for each in members):
            found.append(_dearer_run(schedule, members, earlier))
        if not all(each.volume_agrees for each in members):
            told = _unsettled(schedule, members, ending == "closed", earlier)
            found += [] if told is None else [told]
    return found


def _how(schedule: Schedule, run: Sequence[Recomputed], earlier: Sequence[Recomputed]) -> str:
    run = [each for each in run if each.bill.read_type == "estimated"]
    told = [estimate_words(schedule, [*earlier, *run[:k]], each) for k, each in enumerate(run)]
    return "".join(f"; {words}" for words in told if words)


def _dearer_run(
    schedule: Schedule, members: Sequence[Recomputed], earlier: Sequence[Recomputed]
) -> Signature:
    """What estimates between two actual reads cost through blocks, minimums or rates."""
    costs = sum((each.run_costs for each in members), Decimal(0))
    names = ", ".join(each.bill.invoice for each in members)
    more, less = ("more", "less") if costs > 0 else ("less", "more")
    settled = all(each.volume_agrees for each in members)
    told = "bill between two actual reads what was metered there;" if settled else "rest on"
    told += "" if settled else " estimates between two actual reads;"
    sentence = (
        f"{names} {told} on the volumes of each period they would have cost "
        f"{spoken.money(abs(costs))} {less}: "
        f"the estimates moved volume to where it costs {more}{_how(schedule, members, earlier)}."
    )
    evidence = {each.bill.invoice: _volumes(each) for each in members}
    corrected = sum((each.bill.total for each in members), Decimal(0)) - costs
    found = ("estimated-read", members, sentence, evidence, corrected)
    return signature_of(*found, exactness="within interval")


def _unsettled(
    schedule: Schedule,
    members: list[Recomputed],
    closed: bool,
    earlier: Sequence[Recomputed],
) -> Signature | None:
    run = [each for each in members if each.bill.read_type == "estimated"]
    after = members[-1] if members[-1].bill.read_type != "estimated" else None
    if after is not None and any(each.bill.second is not None for each in members):
        return None  # the printed reads settle it: an error there is one of volume
    off = sum((each.billed - each.due for each in run), Decimal(0))
    unit = run[0].bill.facts.volume_unit
    evidence = {each.bill.invoice: _volumes(each) for each in run}
    names = ", ".join(each.bill.invoice for each in run)
    rest = "rest on estimated reads" if len(run) > 1 else "rests on an estimated read"
    by = f"{plain(abs(off.quantize(Decimal('0.001')))):,} {unit} too {'high' if off > 0 else 'low'}"
    how = _how(schedule, run, earlier)
    loose = any(each.bill.tolerance for each in run)
    exactness = "within interval" if loose else "exact"
    if after is not None and not after.volume_agrees:
        return None
    if closed:
        by_read = (
            "the next actual read" if after is None else f"{after.bill.invoice}, on an actual read,"
        )
        sentence = f"{names} {rest}, {by}, and {by_read} does not make it good{how}."
        told = [*run, after] if after is not None else run
        if after is not None:
            evidence[after.bill.invoice] = _volumes(after)
        return signature_of("missing-true-up", told, sentence, evidence, exactness=exactness)
    sentence = f"{names} {rest}, {by}; no actual read has settled it{how}."
    return signature_of("estimated-read", run, sentence, evidence, exactness=exactness)


def _exchanged(schedule: Schedule, series: Sequence[Recomputed]) -> list[Signature]:
    """Two bills in a row of which each charges the volume of the other."""
    found: list[Signature] = []
    for pair in pairwise(series):
        one, other = pair
        if any(e.volume_agrees or e.billed is None or e.bill.tolerance for e in pair):
            continue
        step = max(step_of(schedule, each.bill) for each in pair)
        if max(abs(one.billed - other.due), abs(other.billed - one.due)) <= step:
            names = f"{one.bill.invoice} and {other.bill.invoice}"
            sentence = f"{names} charge each the volume of the other: they were exchanged."
            evidence = {each.bill.invoice: _volumes(each) for each in pair}
            told = ("volumes-exchanged", pair, sentence, evidence)
            read = one.bill.current_read
            same = read is not None and read == other.bill.previous_read
            alike = ("misread",) if same else ()
            exactness = "one of several" if same else "exact"
            found.append(signature_of(*told, exactness=exactness, look_alikes=alike))
    return found


def _carried(schedule: Schedule, series: Sequence[Recomputed]) -> list[Signature]:
    """Reads that were wrong and that the next invoice started from: what one bills too much, the
    other bills too little, and only what that costs is in question."""
    found: list[Signature] = []
    for run in dict.fromkeys(each.run for each in series if of_shared_read(each, series)):
        members = [each for each in series if each.run == run]
        dues = {each.bill.invoice: due_volume(schedule, each.bill) for each in members}
        if any(due is None for due in dues.values()):
            continue
        reads = [str(each.bill.current_read) for each in members[:-1]]
        told = f"the read {reads[0]} between them was"
        if len(reads) > 1:
            told = f"the reads {', '.join(reads)} between them were"
        first = members[0]
        off = first.billed - dues[first.bill.invoice]  # type: ignore[operator]
        size, unit = plain(abs(off.quantize(Decimal("0.001")))), first.bill.facts.volume_unit
        rest = " and ".join(each.bill.invoice for each in members[1:])
        sentence = (
            f"{first.bill.invoice} is {size:,} {unit} too {'high' if off > 0 else 'low'}, {rest} "
            f"make{'s' * (len(members) == 2)} it good: {told} wrong"
        )
        own = any(each.bill.own_reads for each in members)
        sentence += ", or the site's own of that day, for both bills print it." if own else "."
        costs = sum((each.run_costs for each in members), Decimal(0))
        if costs:
            sentence += f" Through blocks, minimums or rates they cost {spoken.money(abs(costs))} "
            sentence += f"too {'much' if costs > 0 else 'little'} together."
        evidence = {
            each.bill.invoice: {
                "billed volume": str(plain(each.billed)),
                "due volume": str(plain(dues[each.bill.invoice])),
            }
            for each in members
        }
        corrected = sum((each.bill.total for each in members), Decimal(0)) - costs
        exactness = "within interval" if costs else "one of several" if own else "exact"
        more = ("misread", members, sentence, evidence, corrected)
        found.append(signature_of(*more, exactness=exactness))
    return found


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
            found.append(signature_of("another-account", members, sentence, evidence))
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
        before, after = _reads_beside([one.bill for one in series], place)
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
            found.append(signature_of("another-account", [each], sentence, evidence))
    return found
