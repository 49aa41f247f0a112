"""Recomputed beside invoiced, line by line, to the cent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from sewer_audit.charges.schedule.figures import CENTS, EXACT

if TYPE_CHECKING:
    from sewer_audit.charges.pricing.price import PricedInvoice

__all__ = ["Comparison", "LineDifference", "compare", "spare"]

HALF_A_CENT = Decimal("0.005")


@dataclass(frozen=True)
class LineDifference:
    """One invoice column beside what the schedule gives."""

    column: str
    invoiced: Decimal | None
    recomputed: Decimal | None
    difference: Decimal
    remark: str


@dataclass(frozen=True)
class Comparison:
    """One invoice beside its recomputation."""

    invoice: str
    lines: tuple[LineDifference, ...]
    invoiced_total: Decimal | None
    recomputed_total: Decimal
    invoiced_sum: Decimal | None
    total_difference: Decimal | None
    arithmetic_difference: Decimal | None

    @property
    def agrees(self) -> bool:
        """Whether every line and the total agree to the cent [-]."""
        off = self.arithmetic_difference if self.total_difference is None else self.total_difference
        return not self.differing and (off is None or abs(off) <= HALF_A_CENT)

    @property
    def moved(self) -> bool:
        """Whether an amount stands in another line than the schedule's, as a minimum within the
        line it lifts: the total is right, and nothing is asked for that is not due [-]."""
        rest = sum((line.difference for line in self.differing), Decimal(0))
        right = self.total_difference is not None and abs(self.total_difference) <= HALF_A_CENT
        return bool(self.differing) and right and not rest

    @property
    def differing(self) -> tuple[LineDifference, ...]:
        """The lines that do not agree [currency]."""
        return tuple(line for line in self.lines if line.remark != "agrees")


def compare(
    priced: PricedInvoice, invoiced: Mapping[str, Decimal], total: Decimal | None = None
) -> Comparison:
    """Lay a recomputed invoice beside the printed one.

    Parameters
    ----------
    priced : PricedInvoice
        By the schedule [currency].
    invoiced : mapping of str to Decimal
        Printed amount of every column [currency].
    total : Decimal, optional
        Printed total [currency].

    Returns
    -------
    Comparison
        Every line with its difference, and the sum of the printed ones [currency].
    """
    amounts = priced.by_column
    outside = {line.column for line in priced.lines if not line.in_total}
    lines = tuple(
        _line(column, invoiced.get(column), amounts.get(column))
        for column in dict.fromkeys([*amounts, *invoiced])
    )
    inside = [amount for column, amount in invoiced.items() if column not in outside]
    printed = sum(inside, Decimal(0)) if inside else None
    if printed is not None and priced.total_rule is not None:
        printed = EXACT.rounded(printed, priced.total_rule)
    off = None if total is None or printed is None else total - printed
    if off is not None and abs(off) <= spare(priced):
        off = Decimal(0)
    return Comparison(
        invoice=priced.invoice,
        lines=lines,
        invoiced_total=total,
        recomputed_total=priced.total,
        invoiced_sum=printed,
        total_difference=None if total is None else total - priced.total,
        arithmetic_difference=off,
    )


def spare(priced: PricedInvoice) -> Decimal:
    """What printed cents of lines the schedule does not round may lie off their total."""
    return HALF_A_CENT * sum(
        line.amount != EXACT.rounded(line.amount, CENTS) for line in priced.lines
    )


def _line(column: str, invoiced: Decimal | None, recomputed: Decimal | None) -> LineDifference:
    difference = (invoiced or Decimal(0)) - (recomputed or Decimal(0))
    if invoiced is None:
        remark = "agrees" if recomputed == 0 else "not on the invoice"
    elif recomputed is None:
        remark = "agrees" if invoiced == 0 else "not in the schedule"
    else:
        remark = "agrees" if abs(difference) <= HALF_A_CENT else "differs"
    return LineDifference(column, invoiced, recomputed, difference, remark)
