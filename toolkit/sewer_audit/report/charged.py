"""From the reads of each invoice to what it should have charged: for the page and the workbook."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

import pandas as pd

from sewer_audit.charges.schedule.figures import CONTEXT
from sewer_audit.report.show import Shown, say
from sewer_audit.wording import Words

__all__ = ["Charged", "charged_rows", "charged_table", "worked_out"]


@dataclass(frozen=True)
class Charged:
    """One invoice from its reads to the volume it should have charged.

    Units: reads, registered, deduct, due [volume unit of the invoices]; printed [counts].

    deducts: Whether the deduct is taken off before the share.
    share: Of what is left; None where the rule is another than one share of the reads.
    places: Digits the volume is rounded to.
    """

    bill: Any
    priced: Any
    reads: tuple[Decimal, Decimal] | None
    printed: tuple[Decimal, Decimal] | None
    registered: Decimal | None
    deduct: Decimal | None
    deducts: bool
    share: Decimal | None
    places: int
    due: Decimal | None

    @property
    def plain(self) -> bool:
        """Whether all of it is known: one share of what two reads give, and what is printed."""
        stated = self.bill.total, self.bill.facts.billed_volume
        return None not in (self.reads, self.share, self.due, *stated)


def charged_rows(result: Any) -> Iterator[Charged]:
    """Every invoice in its order.

    Parameters
    ----------
    result : Audit
        The audit [SI].

    Returns
    -------
    Iterator of Charged
        None without a schedule [volume unit of the invoices].
    """
    pricing = result.pricing
    if pricing is None:
        return
    for bill, due, priced in zip(pricing.bills, pricing.due, pricing.recomputed, strict=True):
        printed = (bill.previous_read, bill.current_read)
        known = None if None in printed else printed
        registered, deduct = (bill.facts.volumes.get(name) for name in ("intake", "deduct"))
        if registered is None and known and known[1] - known[0] == bill.facts.billed_volume:
            registered = known[1] - known[0]  # the meter counts the unit that is billed
        deducts, share, places = _rule(priced, due, registered, deduct)
        reads = bill.facts.reads.get("intake") or _as_read(pricing, known, registered)
        yield Charged(bill, priced, reads, known, registered, deduct, deducts, share, places, due)


def _as_read(pricing: Any, printed: Any, registered: Any) -> tuple[Decimal, Decimal] | None:
    """Printed reads in the unit of volume where the other bills, or the bill itself, tell it."""
    if printed is None or registered is None:
        return None
    known = [(b.facts.reads.get("intake"), b.previous_read) for b in pricing.bills]
    sizes = {CONTEXT.divide(reads[0], count) for reads, count in known if reads and count}
    one = sizes.pop() if len(sizes) == 1 else Decimal(1)
    before, after = (read * one for read in printed)
    return (before, after) if after - before == registered else None


def _rule(priced: Any, due: Any, registered: Any, deduct: Any) -> tuple[bool, Decimal | None, int]:
    """Whether the deduct is taken off, and the share, where the rule is one share of the reads."""
    rules = [rule for part in priced.parts for rule in part.version.volume]
    same = {(rule.basis, rule.return_factor, rule.rounding) for rule in rules}
    single = all(len(part.version.volume) == 1 for part in priced.parts)
    if len(same) != 1 or not single or due is None or registered is None:
        return False, None, 0
    rule, volume = rules[0], registered
    deducts = rule.basis == "intake less deduct"
    if deducts:
        volume = registered - (deduct or Decimal(0))
    exact, to = volume * rule.return_factor, rule.rounding and rule.rounding.to
    places = min(-to.as_tuple().exponent if to else 12, 12)
    if volume < 0 or exact.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP) != due:
        return deducts, None, places  # another rule: its figure stands
    return deducts, rule.return_factor, places


def charged_table(result: Any) -> pd.DataFrame:
    """For the page: reads, registered, deduct, share, charged volume and amount of each invoice.

    Parameters
    ----------
    result : Audit
        The audit [SI].

    Returns
    -------
    DataFrame
        A row for each invoice, units in the heads; empty without a schedule [volume unit of the
        invoices, money].
    """
    if result.pricing is None:
        return pd.DataFrame()
    unit, money = result.pricing.bills[0].facts.volume_unit, Words.of(result).currency
    rows = []
    for each in charged_rows(result):
        off = each.deduct if each.deducts else None
        due = each.bill.facts.billed_volume if each.due is None else each.due
        rows.append(
            {
                "invoice": each.bill.invoice,
                "printed reads [counts]": "–" if each.printed is None
                else f"{each.printed[0]:f} to {each.printed[1]:f}",
                f"registered [{unit}]": _rounded(each.registered),
                f"deduct [{unit}]": _rounded(off),
                "share [-]": each.share,
                f"to be charged [{unit}]": due,
                f"billed [{unit}]": each.bill.facts.billed_volume,
                f"amount of it [{money}]": each.priced.total,
                f"billed [{money}]": each.bill.total,
            }
        )  # fmt: skip
    return pd.DataFrame(rows).dropna(axis="columns", how="all")


def worked_out(
    result: Any, row: Charged, taken_off: Decimal, volume: Decimal, right: Decimal
) -> Shown:
    """What a cell of a notebook worked out for one invoice, as a sentence.

    Parameters
    ----------
    result : Audit
        The audit [SI].
    row : Charged
        The invoice [volume unit of the invoices].
    taken_off, volume : Decimal
        What the deduct meter takes off, and the volume to be charged [volume unit of the invoices].
    right : Decimal
        What the schedule charges for it [money].

    Returns
    -------
    Shown
        Reads, volume and both amounts [text].
    """
    money = Words.of(result).money
    return say(
        "{invoice}, worked out in the open: ({after} − {before} − {off}) × {share} = {volume} "
        "{unit}, for which the schedule charges {right}; the invoice states {billed} for "
        "{stated} {unit}.",
        invoice=row.bill.invoice,
        before=row.reads[0].normalize() + Decimal("0.0"),
        after=row.reads[1].normalize() + Decimal("0.0"),
        off=round(Decimal(taken_off), 4),
        share=row.share,
        volume=volume,
        unit=row.bill.facts.volume_unit,
        right=money(float(right)),
        billed=money(float(row.bill.total)),
        stated=row.bill.facts.billed_volume,
    )


def _rounded(value: Decimal | None) -> Decimal | None:
    return None if value is None else round(value, 3).normalize() + Decimal("0.0")
