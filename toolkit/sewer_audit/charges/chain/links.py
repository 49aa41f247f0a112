"""A bill held against itself and the schedule, link by link, on printed figures alone.

reads -> water -> deduct -> factor -> charged volume -> each line -> subtotal -> amount due. The
first link that does not follow from those before it is the finding; everything the site knows of
its own is a second opinion with a tolerance, and reaches a link only through it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from itertools import accumulate
from typing import TYPE_CHECKING, Literal

from sewer_audit.charges.chain.volume_guesses import (
    charged_from,
    due_volume,
    rule_in_force,
    step_of,
)
from sewer_audit.charges.pricing.basis import return_factor_of
from sewer_audit.charges.pricing.comparing import compare, spare
from sewer_audit.charges.pricing.price import price
from sewer_audit.charges.schedule.figures import CONTEXT, EXACT, plain
from sewer_audit.charges.schedule.kinds import PercentCharge
from sewer_audit.errors import InputRefused

if TYPE_CHECKING:
    from sewer_audit.charges.chain.billed import BilledInvoice
    from sewer_audit.charges.chain.recomputed import Recomputed
    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import Schedule

HALF_A_CENT = Decimal("0.005")
ZERO = Decimal(0)
TRIES = 8


@dataclass(frozen=True)
class Link:
    """One printed figure beside the one that follows from those before it.

    Parameters
    ----------
    name : str
        "reads", "water", "deduct", "factor", "charged volume", the column of a line, "tax base",
        "previous balance", "subtotal", "total", "amount due" or "due date" [text].
    printed, right : Decimal, or date, optional
        As printed, and as it follows, the earliest for a due date; None where it is not known
        [as printed].
    tolerance : Decimal
        By how much they may differ [as printed].
    unit : str
        Unit of the figures; empty for a share and a date [text].
    """

    name: str
    printed: Decimal | date | None
    right: Decimal | date | None
    tolerance: Decimal = ZERO
    unit: str = ""

    @property
    def agrees(self) -> bool | None:
        """Whether the printed figure follows; None where one of the two is not known [-]."""
        if self.printed is None or self.right is None:
            return None
        if isinstance(self.printed, date):
            return self.printed >= self.right
        return abs(self.printed - self.right) <= self.tolerance


@dataclass(frozen=True)
class Chain:
    """The links of one bill, in order."""

    invoice: str
    links: tuple[Link, ...]

    @property
    def broken(self) -> Link | None:
        """The first link that does not follow [-]."""
        return next((link for link in self.links if link.agrees is False), None)


@dataclass(frozen=True)
class Usage:
    """What the usage that a bill prints states, and the step it is printed to.

    Units: step [volume unit of the facts].
    """

    means: Literal["charged", "water", "net of deducts"] = "charged"
    step: Decimal = ZERO


def as_charged(schedule: Schedule, bill: BilledInvoice, usage: Usage) -> BilledInvoice:
    """The bill with the volume its lines were charged on as the billed one.

    Parameters
    ----------
    bill : BilledInvoice
        With the usage as printed in place of the billed volume [-].
    """
    printed = bill.facts.billed_volume
    if printed is None or bill.shares_with or bill.facts.start >= bill.facts.end:
        return bill
    charged, reach = _from_usage(schedule, bill, usage)
    known = replace(bill, usage=printed, usage_means=usage.means)
    if usage.means != "charged" or usage.step:
        if charged is None:
            return bill
        shown = _shown_by_lines(schedule, bill, charged, reach)
        # the lines show no volume near it: the usage stands, and its step is a tolerance
        wide = bill.tolerance if shown is not None else max(bill.tolerance, reach)
        facts = bill.facts.but(billed_volume=charged if shown is None else shown)
        return replace(known, facts=facts, tolerance=wide)
    if _follows(schedule, bill, bill.facts):
        return bill
    due = due_volume(schedule, bill)
    shown = None if due is None else _shown_by_lines(schedule, bill, due, bill.tolerance)
    return bill if shown is None else replace(known, facts=bill.facts.but(billed_volume=shown))


def _from_usage(
    schedule: Schedule, bill: BilledInvoice, usage: Usage
) -> tuple[Decimal | None, Decimal]:
    """The charged volume that follows from the printed usage, and its half width."""
    printed, rule = bill.facts.billed_volume, rule_in_force(schedule, bill)
    half = usage.step / 2
    if usage.means == "charged" or rule is None:
        return printed, half
    volumes = {**bill.facts.volumes, rule.metered: printed}
    if usage.means == "net of deducts":
        volumes |= {name: ZERO for name in rule.deduct}
    charged = charged_from(schedule, bill, rule, volumes)
    if charged is None:
        return None, half
    return charged, half + bill.tolerance + step_of(schedule, bill)


def _follows(schedule: Schedule, bill: BilledInvoice, facts: InvoiceFacts) -> bool:
    """Whether every line and the total follow from some facts."""
    try:
        priced = price(schedule, facts)
    except InputRefused:
        return True
    return compare(priced, bill.lines or priced.by_column, bill.total).agrees


def _shown_by_lines(
    schedule: Schedule, bill: BilledInvoice, near: Decimal, reach: Decimal
) -> Decimal | None:
    """The charged volume near a figure from which every line follows, on the steps of the rule."""
    rule = rule_in_force(schedule, bill)
    rounding = rule.rounding.rounding() if rule is not None and rule.rounding else None
    due = due_volume(schedule, bill) if not bill.tolerance else None
    near_due = due is not None and abs(due - near) <= reach + step_of(schedule, bill)
    if near_due and _follows(schedule, bill, bill.facts.but(billed_volume=due)):
        return due
    volume, step = near, Decimal("0.001")
    if rounding is not None and rounding.to is not None:
        step = rounding.to
    for _ in range(TRIES):
        facts = bill.facts.but(billed_volume=volume)
        priced, more = price(schedule, facts), price(schedule, facts.but(billed_volume=volume + 1))
        off = compare(priced, bill.lines or priced.by_column, bill.total)
        if off.agrees:
            return volume if abs(volume - near) <= reach + step else None
        slope = more.total - priced.total
        if slope <= 0 or off.total_difference is None:
            return None
        moved = volume + CONTEXT.divide(off.total_difference, slope)
        if rounding is not None:
            moved = EXACT.rounded(moved, rounding)
        if moved == volume:
            return None
        volume = moved
    return None


def chains_of(schedule: Schedule, series: Sequence[Recomputed]) -> tuple[Chain, ...]:
    """The chain of every bill of a series.

    Parameters
    ----------
    series : sequence of Recomputed
        The bills in order, each with its recomputations [-].

    Returns
    -------
    tuple of Chain
        One for each, with its first broken link [-].
    """
    return tuple(
        Chain(each.bill.invoice, tuple(_links(schedule, each, series[:place])))
        for place, each in enumerate(series)
    )


def _links(schedule: Schedule, each: Recomputed, earlier: Sequence[Recomputed]) -> Iterator[Link]:
    bill, unit = each.bill, each.bill.facts.volume_unit
    yield from _reads(bill)
    yield from _volumes(schedule, each, unit)
    priced = price(schedule, bill.facts)
    currency = schedule.currency
    base = _tax_base(schedule, bill, priced)
    for column, amount in priced.by_column.items():
        if base is not None and column in base[1]:
            yield base[0]
            base = None
        printed = bill.lines.get(column) if bill.lines else None
        yield Link(column, printed, amount, HALF_A_CENT, currency)
    for column, amount in bill.lines.items():
        if column not in priced.by_column and amount:
            yield Link(column, amount, ZERO, HALF_A_CENT, currency)
    yield from _before(bill, earlier, currency)
    yield from _sums(bill, priced, currency)
    issued, due = bill.dates.get("bill_date"), bill.dates.get("due_date")
    if issued is not None and due is not None:
        least = issued + timedelta(days=schedule.schedule.due_days or 0)
        yield Link("due date", due, least)


def _reads(bill: BilledInvoice) -> Iterator[Link]:
    """Both reads beside the ones that are right."""
    right = bill.own_reads or (bill.previous_read, bill.current_read)
    if bill.previous_read is not None:
        yield Link("previous read", bill.previous_read, right[0], bill.own_spread, "counts")
    if bill.current_read is not None:
        yield Link("current read", bill.current_read, right[1], bill.own_spread, "counts")


def _volumes(schedule: Schedule, each: Recomputed, unit: str) -> Iterator[Link]:
    """Water, deduct, factor and the charged volume."""
    bill, facts = each.bill, each.bill.facts
    rule = rule_in_force(schedule, bill)
    if rule is not None:
        water = facts.volumes.get(rule.metered)
        stated = {"water": bill.usage, "charged": None, "net of deducts": None}[bill.usage_means]
        printed = bill.printed.get("water_used", stated)
        if printed is not None:
            yield Link("water", plain(printed), water, _half(printed) + bill.tolerance, unit)
        if "deduct" in bill.printed:
            taken = sum((facts.volumes.get(name, ZERO) for name in rule.deduct), ZERO)
            yield Link("deduct", bill.printed["deduct"], taken, bill.tolerance, unit)
        if "factor" in bill.printed:
            share = return_factor_of(rule, facts, schedule.schedule.end_day_counts)
            yield Link("factor", bill.printed["factor"], share)
    wide = bill.tolerance + step_of(schedule, bill) if facts.billed_volume is not None else ZERO
    yield Link("charged volume", facts.billed_volume, each.due, wide, unit)


def _tax_base(schedule: Schedule, bill: BilledInvoice, priced) -> tuple[Link, set[str]] | None:
    """The printed base beside the lines the schedule names, and the columns of the taxes on it.

    Of several taxes with bases of their own the bill prints one: the one that comes nearest.
    """
    printed = bill.printed.get("tax_base")
    if printed is None:
        return None
    amounts = {line.name: bill.lines.get(line.column, line.amount) for line in priced.lines}
    bases: dict[Decimal, set[str]] = {}
    for charge in priced.parts[-1].version.charge:
        if isinstance(charge, PercentCharge) and charge.rate > 0:
            above = list(amounts)[: list(amounts).index(charge.of_line)]
            lines = above if charge.of == "all" else charge.of
            base = sum((amounts.get(line, ZERO) for line in lines), ZERO)
            bases.setdefault(base, set()).add(charge.of_column)
    if not bases:
        return None
    right = min(bases, key=lambda base: abs(base - printed))
    return Link("tax base", printed, right, HALF_A_CENT, schedule.currency), bases[right]


def nothing_overdue(schedule: Schedule, bills: Sequence[BilledInvoice]) -> list[BilledInvoice]:
    """The bills, with no count of a late fee on one before which no bill can be overdue.

    Parameters
    ----------
    bills : sequence of BilledInvoice
        In order of their periods [-].

    Returns
    -------
    list of BilledInvoice
        The same, but for bills by whose printed dates no bill fell due since the one before, which
        itself carried no arrears [-].
    """
    charges = [charge for version in schedule.version for charge in version.charge]
    late = [charge.count for charge in charges if getattr(charge, "late_fee", False)]
    names = {name for each in late for name in ((each,) if isinstance(each, str) else each)}
    found = list(bills)
    for place, bill in enumerate(bills[1:], start=1) if names else ():
        issued, since = bill.dates.get("bill_date"), bills[place - 1].dates.get("bill_date")
        due = [each.dates.get("due_date") for each in bills[:place]]
        arrears = bills[place - 1].printed
        if None in (issued, since, *due) or arrears.get("previous_balance") is None:
            continue
        if carried_over(arrears) <= 0 and not any(since < day < issued for day in due):
            counts = {**bill.facts.counts, **dict.fromkeys(names & set(bill.facts.counts), ZERO)}
            found[place] = replace(bill, facts=bill.facts.but(counts=counts))
    return found


def _before(bill: BilledInvoice, earlier: Sequence[Recomputed], currency: str) -> Iterator[Link]:
    """The balance before beside what the bill before says is due, less what was paid since.

    A bill that takes payments off shows them; one that shows none may have taken them off before.
    """
    printed, before = bill.printed.get("previous_balance"), earlier[-1].bill if earlier else None
    if printed is None or before is None or bill.shares_with:
        return
    due = owed_after(before)
    known = bill.printed.get("payment") or printed > due
    yield Link("previous balance", printed, due if known else None, HALF_A_CENT, currency)


def owed_after(bill: BilledInvoice) -> Decimal:
    """What is owed after a bill: as it says, or its charges and what it carries over [currency]."""
    if bill.amount_due in (None, bill.total):  # what is due stands in no column
        return bill.total + carried_over(bill.printed)
    return bill.amount_due  # type: ignore[return-value]


def _half(printed: Decimal) -> Decimal:
    return Decimal(1).scaleb(min(int(printed.as_tuple().exponent), 0)) / 2


def _sums(bill: BilledInvoice, priced, currency: str) -> Iterator[Link]:
    """Subtotal, total and amount due, from the lines as printed."""
    added = sum(bill.lines.values(), ZERO) if bill.lines else priced.unrounded
    wide = max(spare(priced), HALF_A_CENT)
    if "subtotal" in bill.printed:  # of the lines above it, wherever it stands
        printed, above = bill.printed["subtotal"], list(accumulate(bill.lines.values()))
        right = min(reversed(above), key=lambda each: abs(each - printed), default=added)
        yield Link("subtotal", printed, right, wide, currency)
    if priced.total_rule is not None:
        added = EXACT.rounded(added, priced.total_rule)
    yield Link("total", bill.total, added, wide, currency)
    if bill.amount_due is not None and bill.amount_due != bill.total:
        due = bill.total + carried_over(bill.printed)
        yield Link("amount due", bill.amount_due, due, HALF_A_CENT, currency)


def carried_over(printed: Mapping[str, Decimal]) -> Decimal:
    """What a bill carries over: balance before, less payments and credits.

    Parameters
    ----------
    printed : mapping
        Its further figures by role [currency].
    """
    before, paid, credit = (
        printed.get(name) or ZERO for name in ("previous_balance", "payment", "credit")
    )
    return before - abs(paid) - abs(credit)
