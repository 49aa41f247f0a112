"""Runs of bills between two right reads: estimates settled or never made good, shared misreads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

from sewer_audit.charges.chain.recomputed import Recomputed, recompute
from sewer_audit.charges.chain.volume_guesses import (
    charged_from,
    due_volume,
    rule_in_force,
    step_of,
)
from sewer_audit.charges.pricing.price import price
from sewer_audit.charges.schedule.facts import InvoiceFacts
from sewer_audit.charges.schedule.figures import CONTEXT, plain
from sewer_audit.charges.schedule.values import RoundingTable

if TYPE_CHECKING:
    from sewer_audit.charges.chain.billed import BilledInvoice
    from sewer_audit.charges.schedule.versions import Schedule

__all__ = [
    "estimate_words",
    "estimates_of",
    "of_cut_reads",
    "of_shared_read",
    "recompute_series",
    "run_volumes",
    "runs_of",
    "settled",
]

ZERO = Decimal(0)
WHOLE = 0.8
"""Share of bills that fit reads in whole units before such reads are believed (judgement) [-]."""
Ending = Literal["closed", "open", "lost"]


def recompute_series(schedule: Schedule, bills: Sequence[BilledInvoice]) -> list[Recomputed]:
    """Every invoice of one account recomputed, runs of estimates each as one.

    Parameters
    ----------
    schedule : Schedule
        The rates [-].
    bills : sequence of BilledInvoice
        As printed, in order of their periods [-].

    Returns
    -------
    list of Recomputed
        One for each [currency].
    """
    return settled(schedule, _of_whole_reads(schedule, [recompute(schedule, b) for b in bills]))


def _of_whole_reads(schedule: Schedule, series: list[Recomputed]) -> list[Recomputed]:
    """The series, its bills let stand where their reads were cut to whole units before.

    What is left of a unit at one read is in the next bill: nothing is lost or gained. One bill may
    fit so by chance, or because usage is rounded otherwise; nearly all of a series do not.
    """
    known = [each for each in series if each.due is not None and each.bill.facts.reads]
    if all(each.volume_agrees for each in known):
        return series
    fits = [each for each in known if _cut_fits(schedule, each)]
    if len(known) < 2 or len(fits) < WHOLE * len(known):
        return series
    rest = [each for each in known if each not in fits and each.billed is not None]
    if any(abs(each.billed - each.due) <= 2 * step_of(schedule, each.bill) for each in rest):  # type: ignore[operator]
        return series  # one that is off by a step, and not so, rounds otherwise
    names = {each.bill.invoice for each in fits if not each.volume_agrees}
    return [
        _standing(schedule, each, (), (ZERO, ZERO)) if each.bill.invoice in names else each
        for each in series
    ]


def _cut_fits(schedule: Schedule, each: Recomputed) -> bool:
    """Whether the billed volume follows from the reads cut to whole units of the rule."""
    rule = rule_in_force(schedule, each.bill)
    if rule is None or each.billed is None or rule.metered not in each.bill.facts.reads:
        return False
    if each.bill.shares_with:  # its own days decide, which no cut of the reads explains
        return False
    cut = rule.model_copy(update={"read_rounding": RoundingTable(to=Decimal(1), rule="down")})
    due = charged_from(schedule, each.bill, cut, None)
    return due is not None and abs(each.billed - due) <= step_of(schedule, each.bill) / 2


def of_cut_reads(schedule: Schedule, each: Recomputed) -> bool:
    """Whether a bill is let stand because its reads may have been cut to whole units before."""
    due = due_volume(schedule, each.bill)
    if due is None or not each.stands or each.run or each.bill.tolerance:
        return False
    return abs(each.billed - due) > step_of(schedule, each.bill) and _cut_fits(schedule, each)


def runs_of(series: Sequence[Recomputed]) -> list[tuple[list[int], Ending]]:
    """Places of every run of estimates, and whether an actual read ends it.

    It is "open" if none does, "lost" if the invoice that follows starts later, so that the one
    which ended the run may be missing. The invoice that goes on from the last estimate to an actual
    read belongs to the run; one that starts from an actual read of its own ends the run before it.
    """
    found: list[tuple[list[int], Ending]] = []
    place = 0
    while place < len(series):
        run = []
        while place < len(series) and _rests_on_estimate(series[place]):
            run.append(place)
            place += 1
        if not run:
            place += 1
            continue
        after = series[place] if place < len(series) else None
        if after is not None and not after.bill.shares_with and _goes_on(series[run[-1]], after):
            run.append(place)
            place += 1
        ending: Ending = "open" if after is None else "closed"
        last = series[run[-1]].bill
        if after is not None and after.bill.facts.start > last.facts.end:
            ending = "lost"
        found.append((run, ending))
    return found


def _rests_on_estimate(each: Recomputed) -> bool:
    return each.bill.read_type == "estimated" and not each.bill.shares_with


def _goes_on(last: Recomputed, after: Recomputed) -> bool:
    """Whether an invoice starts from the estimate the one before it ended with."""
    one, other = last.bill.current_read, after.bill.previous_read
    return one is None or other is None or one == other


def settled(schedule: Schedule, series: Sequence[Recomputed]) -> list[Recomputed]:
    """The series with every run of estimates taken as one claim between two actual reads.

    Where the volumes of a run come to what was metered between its actual reads nothing is asked
    for again: each invoice stands, and what the estimates cost through blocks, minimums and rates
    stands on the last of them. So it is with bills that print one wrong read between them.
    """
    found = list(series)
    for places, settles in _sharing(schedule, series):
        if settles:
            _settle(schedule, series, places, found)
            continue
        names = tuple(series[place].bill.invoice for place in places)
        for place in places:
            found[place] = replace(series[place], run=names)
    for places, ending in runs_of(series):
        members = [series[place] for place in places]
        names = tuple(each.bill.invoice for each in members)
        if any(each.due is None or each.billed is None for each in members):
            continue
        off = sum((each.billed - each.due for each in members), ZERO)  # type: ignore[operator]
        slack = sum((_slack(schedule, each) for each in members), ZERO)
        if ending == "lost":
            for place in places:
                found[place] = _standing(schedule, series[place], names, (ZERO, ZERO))
            continue
        if ending == "open":
            for place in places:
                found[place] = _by_second(schedule, replace(series[place], run=names))
            continue
        if abs(off) > slack:
            costs = _costs(schedule, members, [each.due for each in members])
            for place in places:
                found[place] = replace(series[place], run=names)
            last, right = places[-1], found[places[-1]].by_rules
            stated = {"by_rules": right - costs[0], "run_costs": costs[0]}
            found[last] = replace(found[last], **stated, run_spread=costs[1])
            continue
        _settle(schedule, series, places, found)
    return found


def _settle(
    schedule: Schedule, series: Sequence[Recomputed], places: list[int], found: list[Recomputed]
) -> None:
    """Lets the bills of a run stand in `found`; what it costs stands on the last of them."""
    members = [series[place] for place in places]
    names = tuple(each.bill.invoice for each in members)
    costs = _costs(schedule, members, [each.billed for each in members])
    for place in places:
        told = costs if place == places[-1] else (ZERO, ZERO)
        found[place] = _standing(schedule, series[place], names, told)


def of_shared_read(each: Recomputed, series: Sequence[Recomputed]) -> bool:
    """Whether an invoice stands in a run because a wrong read of one bill is carried on by another.

    Parameters
    ----------
    each : Recomputed
        The invoice [-].
    series : sequence of Recomputed
        All of the account [-].

    Returns
    -------
    bool
        False where a bill of its run rests on an estimate, or the run does not net to nothing [-].
    """
    run = [other.bill.read_type for other in series if other.bill.invoice in each.run]
    return each.stands and bool(run) and "estimated" not in run


def _sharing(schedule: Schedule, series: Sequence[Recomputed]) -> list[tuple[list[int], bool]]:
    """Places of bills linked by wrong reads, end to start, and whether they net to nothing.

    What one of them bills too much the others bill too little, whatever their reads are called.
    Where they do not it takes the site's own reads to tell that they are linked.
    """
    taken = {place for places, _ in runs_of(series) for place in places}
    found: list[tuple[list[int], bool]] = []
    place = 0
    while place < len(series):
        run = [place]
        while run[-1] + 1 < len(series) and not taken & {run[-1], run[-1] + 1}:
            if not _shares_wrong(schedule, series, run[-1]):
                break
            run.append(run[-1] + 1)
        members = [series[k] for k in run]
        apart = len(run) > 1 and not all(each.volume_agrees for each in members)
        if apart and all(None not in (each.due, each.billed) for each in members):
            off = sum((each.billed - each.due for each in members), ZERO)  # type: ignore[operator]
            settles = abs(off) <= sum((_slack(schedule, each) for each in members), ZERO)
            if settles or all(each.bill.own_reads for each in members):
                found.append((run, settles))
        place = run[-1] + 1
    return found


def _shares_wrong(schedule: Schedule, series: Sequence[Recomputed], place: int) -> bool:
    """Whether the read between an invoice and the next is one, and was wrong.

    The site's own read there decides; without one, only a pair that stands alone between right
    invoices may be such: in a series that is wrong throughout two differences cancel by chance, and
    two bills that charge each the volume of the other are no misread.
    """
    pair = series[place], series[place + 1]
    one, other = (each.bill for each in pair)
    if one.current_read is None or one.current_read != other.previous_read:
        return False
    if one.shares_with or other.shares_with:
        return False
    own = [reads[end] for reads, end in ((one.own_reads, 1), (other.own_reads, 0)) if reads]
    if own:
        return any(read != one.current_read for read in own)
    if any(each.volume_agrees or None in (each.due, each.billed) for each in pair):
        return False
    step = max(step_of(schedule, each.bill) for each in pair)
    crossed = zip(pair, reversed(pair), strict=True)
    if all(abs(each.billed - swapped.due) <= step for each, swapped in crossed):
        return False
    off = [each.billed - each.due for each in pair]  # type: ignore[operator]
    beside = (*series[max(place - 1, 0) : place], *series[place + 2 : place + 3])
    return off[0] * off[1] < 0 and all(each.volume_agrees for each in beside)


def _slack(schedule: Schedule, each: Recomputed) -> Decimal:
    return each.bill.tolerance + step_of(schedule, each.bill)


def _by_second(schedule: Schedule, each: Recomputed) -> Recomputed:
    """An invoice of a run no actual read has ended yet, by what the site's own reads give."""
    bill = each.bill
    if bill.second is None:
        return each
    own = replace(bill, facts=bill.second, tolerance=bill.second_tolerance)
    due = due_volume(schedule, own)
    if due is None or abs(each.billed - due) <= _slack(schedule, replace(each, bill=own)):
        return each
    facts = own.facts.but(billed_volume=None)
    total = price(schedule, facts).total
    return replace(
        each,
        bill=own,
        due=due,
        by_rules=total,
        volume_agrees=False,
        priced_from=facts,
        stands=False,
    )


def _standing(
    schedule: Schedule, each: Recomputed, run: tuple[str, ...], costs: tuple[Decimal, Decimal]
) -> Recomputed:
    """An invoice of a settled run: its volume stands, its lines are still checked on it."""
    facts = each.bill.facts
    return replace(
        each,
        due=each.billed,
        by_rules=price(schedule, facts).total - costs[0],
        volume_agrees=True,
        stands=True,
        priced_from=facts,
        run=run,
        run_costs=costs[0],
        run_spread=costs[1],
    )


def _costs(
    schedule: Schedule, members: Sequence[Recomputed], volumes: Sequence[Decimal | None]
) -> tuple[Decimal, Decimal]:
    """What such volumes of a run cost beyond those of each period, and its half width.

    The volumes of the periods are those of the site's reads, brought to the sum between the actual
    ones; where these tell them to a tolerance only, so is the amount. Nothing within it.
    """
    found = run_volumes(schedule, members, volumes)
    if found is None:
        return ZERO, ZERO
    dues, reach = found
    facts = [each.bill.facts for each in members]
    asked = sum((_priced(schedule, f, b) for f, b in zip(facts, volumes, strict=True)), ZERO)
    prices = [_priced(schedule, f, d) for f, d in zip(facts, dues, strict=True)]
    right, spread = sum(prices, ZERO), ZERO
    for k in range(len(members) - 1):  # what one period has less the next one has more
        wide = min(reach[k], reach[k + 1])
        moved = [
            _priced(schedule, facts[k], dues[k] + more)
            + _priced(schedule, facts[k + 1], dues[k + 1] - more)
            for more in (-wide, wide)
        ]
        spread += max(abs(each - prices[k] - prices[k + 1]) for each in moved)
    for k, each in enumerate(members):
        half = step_of(schedule, each.bill)
        spread += abs(_priced(schedule, facts[k], dues[k] + half) - prices[k]) + Decimal("0.01")
    costs = asked - right
    return (costs, spread) if abs(costs) > spread else (ZERO, ZERO)


def run_volumes(
    schedule: Schedule, members: Sequence[Recomputed], volumes: Sequence[Decimal | None]
) -> tuple[list[Decimal], list[Decimal]] | None:
    """Volume of each period of a run, and its reach; None where unknown or nothing is apart.

    Parameters
    ----------
    schedule : Schedule
        The rates [-].
    members : sequence of Recomputed
        Invoices of the run [unit of the facts].
    volumes : sequence of Decimal
        What each charges, or should by its printed reads [unit of the facts].

    Returns
    -------
    tuple of list of Decimal, or None
        Volumes, brought to the same sum, and how far each may be off [unit of the facts].
    """
    dues, reach = [], []
    for each in members:
        bill = each.bill
        own = bill
        if bill.second is not None:
            own = replace(bill, facts=bill.second, tolerance=bill.second_tolerance)
        due = due_volume(schedule, own)
        if due is None:
            return None
        dues.append(due)
        reach.append(own.tolerance + step_of(schedule, bill))
    if all(abs(b - d) <= r for b, d, r in zip(volumes, dues, reach, strict=True)):
        return None
    gap, whole = sum(volumes, ZERO) - sum(dues, ZERO), sum(dues, ZERO)  # type: ignore[arg-type]
    return [d + (CONTEXT.divide(gap * d, whole) if whole else ZERO) for d in dues], reach


def _priced(schedule: Schedule, facts: InvoiceFacts, volume: Decimal | None) -> Decimal:
    return price(schedule, facts.but(billed_volume=volume)).total


def estimates_of(earlier: Sequence[Recomputed], start: date) -> dict[str, Decimal]:
    """What each rule of estimating makes of the bills before.

    Units: returns [unit of the facts].

    Notes
    -----
    Rules read in codes: the mean of the three bills before (Lowell, Indiana), the same month of the
    year before (Folly Beach, South Carolina), the mean of a year (Madera, California).
    """
    volumes = [each.billed for each in earlier if each.billed is not None]
    found: dict[str, Decimal] = {}
    for words, count in (("last bill", 1), ("mean of 3 bills", 3), ("mean of 12 bills", 12)):
        if len(volumes) >= count:
            found[words] = CONTEXT.divide(sum(volumes[-count:], Decimal(0)), Decimal(count))
    ages = [(abs((start - each.bill.facts.start).days - 365), each.billed) for each in earlier]
    near = [pair for pair in ages if pair[0] <= 16 and pair[1] is not None]
    if near:
        found["same period last year"] = min(near, key=lambda pair: pair[0])[1]
    return found


def estimate_words(schedule: Schedule, earlier: Sequence[Recomputed], estimated: Recomputed) -> str:
    """By which rule an invoice was estimated, and what the rule of the schedule would have made."""
    bill = estimated.bill
    made = estimates_of(earlier, bill.facts.start)
    slack = 2 * step_of(schedule, bill)
    fitting = [words for words, v in made.items() if abs(v - estimated.billed) <= slack]
    rule = schedule.schedule.estimate
    if rule in fitting:
        return f"the estimate of {bill.invoice} follows the rule of the schedule ({rule})"
    text = f"the estimate of {bill.invoice} is the {fitting[0]}" if fitting else ""
    if rule is not None and rule in made:
        right = plain(made[rule].quantize(Decimal("0.001")))
        by_rule = f"by the rule of the schedule ({rule}) it would be {right}"
        return f"{text}, but {by_rule}" if text else f"{bill.invoice}: {by_rule}"
    return text
