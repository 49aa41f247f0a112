"""Invoices that bill days, or reads, which an earlier invoice holds already."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import TYPE_CHECKING

from sewer_audit.charges.chain.billed import RegisterFace, Signature
from sewer_audit.charges.chain.exchange_guesses import counted
from sewer_audit.charges.chain.recomputed import Recomputed, signature_of
from sewer_audit.charges.chain.volume_guesses import step_of
from sewer_audit.charges.pricing.price import price
from sewer_audit.charges.schedule.figures import CONTEXT

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.versions import Schedule


def repeated_periods(
    schedule: Schedule, series: Sequence[Recomputed], register: RegisterFace | None
) -> list[Signature]:
    """Invoices for a period, or for reads, that an earlier one holds already."""
    found: list[Signature] = []
    spare = 1 if schedule.schedule.end_day_counts else 0
    for place, later in enumerate(series):
        shares = later.bill.shares_with
        for earlier in series[:place]:
            if shares and earlier.bill.invoice != shares:
                continue
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
                if (one.start, one.end) == (other.start, other.end) and not later.bill.second_by:
                    sentence = (
                        f"{one.invoice} and {other.invoice} bill {what}: one of the two is once "
                        "too many; which of them, neither bill dates nor numbers tell."
                    )
                    evidence[other.invoice]["which is the second"] = "not told"
                nothing = later.by_rules if shares else Decimal(0)
                found.append(signature_of("duplicate-period", [later], sentence, evidence, nothing))
                break
            days = (min(one.end, other.end) - other.start).days + spare
            if shares or (other.start < one.end and days > 0):
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
    told = f"{days} day{'s' if days > 1 else ''}" if days > 0 else "part of a day"
    sentence = f"{other.invoice} bills {told} that {one.invoice} holds already."
    evidence = {other.invoice: {"days billed twice": days, "also in": one.invoice}}
    if other.shares_with:
        if _only_the_dates(schedule, later):
            sentence = (
                f"{other.invoice} covers {told} that {one.invoice} holds already, by its dates "
                "only: its volume is that of its own days."
            )
        exactness = "exact" if other.own is None or other.own_exact else "within interval"
        told = ("overlapping-period", [later], sentence, evidence, later.by_rules)
        return signature_of(*told, exactness=exactness)
    if begin >= facts.end:
        return signature_of("overlapping-period", [later], sentence, evidence, Decimal(0))
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
    return signature_of(
        "overlapping-period",
        [later],
        sentence,
        evidence,
        corrected,
        exactness="exact" if exact else "within interval",
    )


def _only_the_dates(schedule: Schedule, later: Recomputed) -> bool:
    """Whether the billed volume is that of the own days, so that only the dates overlap."""
    bill = later.bill
    if bill.own is None or None in (later.due, later.billed):
        return False
    if bill.own.billed_volume is not None:  # a share of what is printed
        return bill.own.billed_volume == later.billed != 0
    return abs(later.billed - later.due) <= bill.tolerance + step_of(schedule, bill)
