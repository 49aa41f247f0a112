"""How an estimated volume was made: by which rule, and whether it is the one of the schedule."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from sewer_audit.charges.figures import CONTEXT, plain
from sewer_audit.charges.volume_guesses import step_of

if TYPE_CHECKING:
    from sewer_audit.charges.recomputed import Recomputed
    from sewer_audit.charges.schedule import Schedule

__all__ = ["estimate_words", "estimates_of"]


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
