"""Whether a bill follows from a rule the schedule leaves open, read in another usual way."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.chain.rule_guesses import other_conventions
from sewer_audit.charges.chain.volume_guesses import charged_from, rule_in_force, step_of
from sewer_audit.charges.pricing.comparing import compare
from sewer_audit.charges.pricing.price import price
from sewer_audit.charges.schedule.editions import with_charges
from sewer_audit.charges.schedule.figures import plain
from sewer_audit.charges.schedule.kinds import Periodic, VolumeCharge
from sewer_audit.errors import InputRefused

if TYPE_CHECKING:
    from sewer_audit.charges.chain.billed import BilledInvoice
    from sewer_audit.charges.chain.recomputed import Recomputed
    from sewer_audit.charges.schedule.versions import Schedule


LONG = 45
"""Days of a bill from which on it stands for more than a month (judgement) [d]."""
STANDARD_DAYS = tuple(map(Decimal, ("30", "30.4", "30.42", "31", "28", "30.4167")))
"""Lengths of a month by which schedules prorate (common practice, no source) [d]."""
MONTH = Decimal("30.4")
"""Days of a month, on average [d]."""


def _under(schedule: Schedule, bill: BilledInvoice, change: dict[str, Any]) -> Decimal | None:
    rule = rule_in_force(schedule, bill)
    winter = None if rule is None else rule.winter
    if rule is None or winter is None:
        return None
    other = rule.model_copy(update={"winter": winter.model_copy(update=change)})
    return charged_from(schedule, bill, other, None)


def _of_long_bills(schedule: Schedule, bill: BilledInvoice) -> Iterator[tuple[str, Decimal | None]]:
    """Other usual ways with bills of two months and more, where the schedule states no periods.

    Those bills alone that lie wholly in the winter, or all that reach into it; or the average of
    its calendar months, as many times as the bill has months.
    """
    rule, facts = rule_in_force(schedule, bill), bill.facts
    winter = None if rule is None else rule.winter
    if rule is None or winter is None or winter.months is None:
        return
    if "periods" in winter.model_fields_set:
        return
    known = [
        (use, {day.month for k in range((use.end - use.start).days)
               if (day := use.start + timedelta(days=k))})
        for use in (*facts.winter, *facts.history)
        if use.start and use.end and 0 < (facts.start - use.end).days + 1 <= 366
    ]  # fmt: skip
    if not any((use.end - use.start).days > LONG for use, _ in known):
        return
    wanted, plain = set(winter.months), {"months": None, "from_month": None}
    all_given = winter.model_copy(update={**plain, "charged_months": None, "winters": 1})
    other = rule.model_copy(update={"winter": all_given})
    for words, uses in (
        ("the bills wholly in the winter alone", [u for u, of in known if of <= wanted]),
        ("every bill that reaches into the winter", [u for u, of in known if of & wanted]),
    ):
        if uses:
            found = replace(bill, facts=facts.but(winter=tuple(uses), history=()))
            yield words, charged_from(schedule, found, other, None)
    months = (Decimal((facts.end - facts.start).days) / MONTH).quantize(Decimal(1))
    if "times" not in winter.model_fields_set and months > 1:
        change = {"periods": "calendar months", "times": (months, Decimal(1))}
        yield f"the average of a calendar month times {months}", _under(schedule, bill, change)


def _line_rules(schedule: Schedule) -> Iterator[tuple[str, Schedule | None]]:
    """Other usual rules of the lines, each where the schedule does not state its key."""

    def open_at(key: str, sort: type) -> Any:
        return lambda charge: isinstance(charge, sort) and key not in charge.model_fields_set

    for days in STANDARD_DAYS:
        update = {"per": "month", "proration": "standard days", "standard_days": days}
        words = f"proration = 'standard days', standard_days = {plain(days)}"
        yield words, with_charges(schedule, open_at("proration", Periodic), update)
    update = {"per": "month", "proration": "calendar days"}
    words = "proration = 'calendar days'"
    yield words, with_charges(schedule, open_at("proration", Periodic), update)
    for per in ("month", "30 days", "day"):
        meets = open_at("blocks_per", VolumeCharge)
        yield f"blocks_per = {per!r}", with_charges(schedule, meets, {"blocks_per": per})
    if "split_rounding" not in schedule.schedule.model_fields_set:
        yield "split_rounding = 'each part'", schedule.without(split_rounding="each part")


def explaining_line_rule(
    schedule: Schedule, bills: Sequence[BilledInvoice]
) -> tuple[str, Schedule, list[str]] | None:
    """The unstated key that makes every bill follow from the schedule, where some do not.

    Parameters
    ----------
    bills : sequence of BilledInvoice
        As printed; priced on the volume they state [-].

    Returns
    -------
    tuple or None
        Key and value [text], the schedule with it, and the invoices that follow only so [text].
    """
    known = [bill for bill in bills if bill.lines]
    fine = [follows(schedule, bill) for bill in known]
    if all(fine):
        return None
    off = [bill for bill, right in zip(known, fine, strict=True) if not right]
    rest = [bill for bill, right in zip(known, fine, strict=True) if right]
    for words, other in _line_rules(schedule):
        if other is not None and all(follows(other, bill) for bill in (*off, *rest)):
            return words, other, [bill.invoice for bill in off]
    return None


def follows(schedule: Schedule, bill: BilledInvoice) -> bool:
    """Whether every line and the total follow from the volume a bill states."""
    try:
        return compare(price(schedule, bill.facts), bill.lines, bill.total).agrees
    except InputRefused:
        return False  # it needs a fact that is not stated


def _fits(schedule: Schedule, bill: BilledInvoice, due: Decimal | None) -> bool:
    billed = bill.facts.billed_volume
    if due is None or billed is None:
        return False
    return abs(billed - due) <= bill.tolerance + step_of(schedule, bill)


def explaining_convention(
    schedule: Schedule, each: Recomputed, series: Sequence[Recomputed]
) -> str:
    """What unstated keys of the winter would say if the volume of a bill were right by them.

    Parameters
    ----------
    each : Recomputed
        A bill whose volume does not follow by the defaults [-].
    series : sequence of Recomputed
        All bills: a way that makes a right one of them wrong is none [-].
    """
    rule = rule_in_force(schedule, each.bill)
    for change in () if rule is None else other_conventions(rule):
        if not _fits(schedule, each.bill, _under(schedule, each.bill, change)):
            continue
        right = [one.bill for one in series if one.volume_agrees and one.due is not None]
        others = [(bill, _under(schedule, bill, change)) for bill in right]
        if all(due is None or _fits(schedule, bill, due) for bill, due in others):
            return ", ".join(f"{key} = {value!r}" for key, value in change.items())
    for words, due in _of_long_bills(schedule, each.bill):
        if _fits(schedule, each.bill, due):
            return f"{words} (key periods, or months as those of the bills averaged)"
    return ""


def open_keys(schedule: Schedule, series: Sequence[Recomputed]) -> dict[str, list[str]]:
    """Unstated keys of the winter that alone change the volume of bills, with these bills.

    Parameters
    ----------
    series : sequence of Recomputed
        The bills [-].

    Returns
    -------
    dict
        Key to invoices [text].
    """
    found: dict[str, list[str]] = {}
    for each in series:
        rule = rule_in_force(schedule, each.bill)
        for change in () if rule is None or each.due is None else other_conventions(rule):
            if len(change) > 1:
                break
            (key,) = change
            due = _under(schedule, each.bill, change)
            if due not in (None, each.due) and each.bill.invoice not in found.get(key, []):
                found.setdefault(key, []).append(each.bill.invoice)
    return found
