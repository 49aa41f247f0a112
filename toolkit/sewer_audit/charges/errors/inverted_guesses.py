"""A rate or a threshold worked out backwards from a printed line, where it comes out round.

Any amount gives some rate. A rate is worth naming only if it lies on a step that a schedule prints
and an arbitrary wrong amount would seldom lie on one: the step times the quantity must be many
cents. What is found here is priced forward again with the rest of the bill like every other guess.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.pricing.price import price
from sewer_audit.charges.schedule.editions import Change, with_charges, with_editions
from sewer_audit.charges.schedule.figures import CONTEXT, EXACT, Rounding, plain
from sewer_audit.charges.schedule.kinds import FixedCharge, PercentCharge, Strength, VolumeCharge

if TYPE_CHECKING:
    from sewer_audit.charges.chain.billed import BilledInvoice
    from sewer_audit.charges.schedule.versions import Schedule

_RARE = 50
"""Rounding steps of a line that one step of the rate must make: 1 in 50 hits one by chance."""
_SHARES = tuple(Decimal(text) for text in ("0.01", "0.005", "0.0025", "0.001", "0.0005", "0.0001"))
_RATES = tuple(Decimal(text) for text in ("1", "0.5", "0.1", "0.05", "0.01", "0.005", "0.001"))
_LIMITS = tuple(Decimal(text) for text in ("100", "50", "25", "10", "5", "1"))


def inverted_lines(schedule: Schedule, bill: BilledInvoice) -> Iterator[Change]:
    """Rates and thresholds that the printed amounts of single charges imply."""
    priced = price(schedule, bill.facts)
    if len(priced.parts) != 1:
        return
    version = priced.parts[0].version
    yield from _unknown(schedule, version, bill)
    for charge in version.charge:
        lines = [line for line in priced.lines if line.column == charge.of_column]
        printed = bill.lines.get(charge.of_column)
        alone = sum(each.of_column == charge.of_column for each in version.charge) == 1
        if printed is None or not alone or len(lines) != 1 or lines[0].amount == printed:
            continue
        cent = (charge.rounding or schedule.schedule.line_rounding).to or Decimal("0.01")
        for code, what, update in _of(charge, lines[0], printed, cent, schedule, bill):
            yield code, what, _with(schedule, charge, update), bill.facts


def _unknown(schedule: Schedule, version: Any, bill: BilledInvoice) -> Iterator[Change]:
    """Columns of the bill that are no charge of the schedule."""
    columns = {charge.of_column for charge in version.charge}
    more = {c: a for c, a in bill.lines.items() if c not in columns and a}
    if more:
        added = tuple(FixedCharge(kind="fixed", name=c, amount=a) for c, a in more.items())
        told = ", ".join(f"{name} of {amount}" for name, amount in more.items())
        what = f"the bill holds {told}, which the schedule does not know"
        changed = with_editions(
            schedule, lambda each: {"charge": (*each.charge, *(added if each is version else ()))}
        )
        yield "unknown-charge", what, changed, bill.facts


def _of(
    charge: Any, line: Any, printed: Decimal, cent: Decimal, schedule: Schedule, bill: BilledInvoice
) -> Iterator[tuple[str, str, dict[str, Any]]]:
    if isinstance(charge, PercentCharge) and line.quantity and charge.rate:
        scale = CONTEXT.divide(line.rate, charge.rate) * line.quantity
        rate = _round(printed, scale, _SHARES, cent)
        if rate is not None and rate != charge.rate:
            words = f"{charge.name} was taken at {plain(rate * 100)} % in place of "
            yield "other-rate", f"{words}{plain(charge.rate * 100)} %", {"rate": rate}
    elif isinstance(charge, VolumeCharge) and charge.rate and line.quantity:
        scale = CONTEXT.divide(line.unrounded, charge.rate)
        rate = _round(printed, scale, _RATES, cent)
        if rate is not None and rate != charge.rate:
            words = f"{charge.name} was charged at {plain(rate)} in place of {plain(charge.rate)}"
            yield "other-rate", words, {"rate": rate}
    elif isinstance(charge, Strength) and not charge.threshold_from:
        yield from _threshold(charge, line, printed, cent, schedule, bill)


def _threshold(
    charge: Strength,
    line: Any,
    printed: Decimal,
    cent: Decimal,
    schedule: Schedule,
    bill: BilledInvoice,
) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """The threshold that gives the printed amount: the line falls evenly with it."""
    kept = {"divisor": charge.divisor or charge.threshold} if hasattr(charge, "divisor") else {}
    lower = charge.threshold / 2
    again = price(_with(schedule, charge, {**kept, "threshold": lower}), bill.facts)
    raised = next(each for each in again.lines if each.column == charge.of_column)
    fall = CONTEXT.divide(raised.unrounded - line.unrounded, charge.threshold - lower or Decimal(1))
    if fall <= 0 or line.unrounded <= 0:
        return
    found = _round(line.unrounded + fall * charge.threshold - printed, fall, _LIMITS, cent)
    if found is not None and 0 < found != charge.threshold:
        words = f"{charge.parameter} was charged above {plain(found)} mg/L, not above "
        yield (
            "another-threshold",
            f"{words}{plain(charge.threshold)} mg/L",
            {**kept, "threshold": found},
        )


def _with(schedule: Schedule, charge: Any, update: dict[str, Any]) -> Schedule:
    return with_charges(schedule, lambda each: each is charge, update)  # type: ignore[return-value]


def _round(
    amount: Decimal, scale: Decimal, steps: tuple[Decimal, ...], cent: Decimal
) -> Decimal | None:
    """The figure on the coarsest printed step that, times the scale, is the amount."""
    for step in steps:
        if abs(scale) * step < _RARE * cent:
            return None
        figure = EXACT.rounded(CONTEXT.divide(amount, scale), Rounding(step, "half up"))
        if figure > 0 and abs(figure * scale - amount) <= cent:
            return figure
    return None
