"""What a bill carries over from others: balance, payments and credits, which are no charges."""

from __future__ import annotations

import csv
import re
from decimal import Decimal
from functools import cache
from importlib import resources

import pandas as pd

ZERO = Decimal(0)
FILLING = {"amount", "total", "the", "your", "of"}
"""Words that change nothing in the name of a carried amount."""


@cache
def carried_words() -> dict[str, tuple[str, ...]]:
    """Names of columns that are carried over, by role; "…" stands for any words behind.

    Returns
    -------
    dict
        "previous_balance", "payment" or "credit" to its names [text].
    """
    text = resources.files("sewer_audit.records.bills").joinpath("carried.csv").read_text("utf-8")
    rows = csv.DictReader(text.splitlines())
    return {row["role"]: tuple(row["words"].split("|")) for row in rows}


def carried_role(name: str) -> str:
    """Which carried amount the name of a column says, the whole of it; "" where it says none."""
    said = _plain(name)
    for role, names in carried_words().items():
        for each in names:
            words = _plain(each)
            if said == words or (each.endswith("…") and said[: len(words)] == words):
                return role
    return ""


def _plain(name: str) -> list[str]:
    return [word for word in re.findall(r"\w+", name.lower()) if word not in FILLING]


def without_carried(frame: pd.DataFrame, lines: pd.DataFrame) -> pd.DataFrame:
    """Invoices whose total is that of their own charges; `amount_due` is the total as printed.

    Notes
    -----
    A printed total holds the carried balance, less payments and credits, or it does not: what most
    invoices of the table show that carry something decides for those that fit neither.
    """
    frame = frame.assign(amount_due=frame["total"])
    carried = [_carried(row) for row in frame.itertuples()]
    taken = [
        {abs(each or ZERO) for each in (paid, credit)}
        for paid, credit in zip(frame["payment"], frame["credit"], strict=True)
    ]
    if not any(carried) and not any(any(each) for each in taken):
        return frame
    charges = [
        _charge(row, sum(lines.iloc[place], ZERO) if row.lines_printed else None, more)
        for place, (row, more) in enumerate(zip(frame.itertuples(), carried, strict=True))
    ]
    rows = list(zip(frame["total"], charges, carried, strict=True))
    known = [row for row in rows if row[1] is not None and row[2]]
    within = sum(total == charge + more for total, charge, more in known)
    beside = sum(total == charge for total, charge, _ in known)
    inside = within >= beside if within or beside else False
    own = [
        total - more
        if total != charge and (inside or (charge is not None and total == charge + more))
        else total
        for total, charge, more in rows
    ]
    # a payment or credit printed but not taken off stands in the amount due: it is no charge
    own = [
        charge if charge is not None and each - charge in sizes - {ZERO} else each
        for each, charge, sizes in zip(own, charges, taken, strict=True)
    ]
    return frame.assign(total=pd.Series(own, index=frame.index, dtype=object))


def _carried(row) -> Decimal:
    """Balance before, less payments and credits however their sign is printed [currency]."""
    before, paid, credit = (
        ZERO if value is None else value
        for value in (row.previous_balance, row.payment, row.credit)
    )
    return before - abs(paid) - abs(credit)


def _charge(row, lines: Decimal | None, more: Decimal) -> Decimal | None:
    """What a bill charges of its own: the sum of its lines, or the subtotal where that fits."""
    if row.subtotal is not None and row.total in (row.subtotal, row.subtotal + more):
        return row.subtotal
    return row.subtotal if lines is None else lines
