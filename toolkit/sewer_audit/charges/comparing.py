"""Recomputed beside invoiced, line by line, to the cent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sewer_audit.charges.pricing import PricedInvoice

__all__ = ["Comparison", "LineDifference", "compare"]

HALF_A_CENT = Decimal("0.005")


@dataclass(frozen=True)
class LineDifference:
    """One invoice column beside what the schedule gives.

    Parameters
    ----------
    column : str
        Invoice column [text].
    invoiced, recomputed : Decimal, optional
        Amounts; None where one side has no such line [currency].
    difference : Decimal, optional
        Invoiced less recomputed; a line of one side only counts whole [currency].
    remark : str
        "agrees", "differs", "not in the schedule" or "not on the invoice" [text].
    """

    column: str
    invoiced: Decimal | None
    recomputed: Decimal | None
    difference: Decimal
    remark: str


@dataclass(frozen=True)
class Comparison:
    """One invoice beside its recomputation.

    Parameters
    ----------
    invoice : str
        Its number [text].
    lines : tuple of LineDifference
        Every column of either side [currency].
    invoiced_total : Decimal, optional
        As printed [currency].
    recomputed_total : Decimal
        By the schedule [currency].
    invoiced_sum : Decimal, optional
        Sum of the printed lines that belong to the total [currency].
    total_difference : Decimal, optional
        Printed total less recomputed total [currency].
    arithmetic_difference : Decimal, optional
        Printed total less sum of printed lines [currency].
    """

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
        return not self.differing and not any(
            each is not None and abs(each) > HALF_A_CENT
            for each in (self.total_difference, self.arithmetic_difference)
        )

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
        Recomputed [currency].
    invoiced : mapping
        Invoice column to printed amount [currency].
    total : Decimal, optional
        Printed total [currency].

    Returns
    -------
    Comparison
        Differences, invoiced less recomputed [currency].
    """
    amounts = priced.by_column
    outside = {line.column for line in priced.lines if not line.in_total}
    lines = tuple(
        _line(column, invoiced.get(column), amounts.get(column))
        for column in dict.fromkeys([*amounts, *invoiced])
    )
    inside = [amount for column, amount in invoiced.items() if column not in outside]
    printed = sum(inside, Decimal(0)) if inside else None
    return Comparison(
        invoice=priced.invoice,
        lines=lines,
        invoiced_total=total,
        recomputed_total=priced.total,
        invoiced_sum=printed,
        total_difference=None if total is None else total - priced.total,
        arithmetic_difference=None if total is None or printed is None else total - printed,
    )


def _line(column: str, invoiced: Decimal | None, recomputed: Decimal | None) -> LineDifference:
    difference = (invoiced or Decimal(0)) - (recomputed or Decimal(0))
    if invoiced is None:
        remark = "agrees" if recomputed == 0 else "not on the invoice"
    elif recomputed is None:
        remark = "agrees" if invoiced == 0 else "not in the schedule"
    else:
        remark = "agrees" if abs(difference) < HALF_A_CENT else "differs"
    return LineDifference(column, invoiced, recomputed, difference, remark)
