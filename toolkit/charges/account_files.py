"""Small tables of an account, exact from the text: payments made, the use of earlier periods."""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping
from datetime import date
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any, TypeVar

from toolkit.charges.claims import Payment
from toolkit.charges.facts import UsePeriod
from toolkit.errors import InputRefused, Problem

__all__ = ["read_earlier_use", "read_invoice_facts", "read_payments"]

Row = dict[str, str]
Made = TypeVar("Made")

_YES_NO = {"": False, "no": False, "false": False, "yes": True, "true": True}
_REMEDIES = {
    "invoice": "Write the number as it stands in the invoice file",
    "paid_on": "Write it like 2025-03-31",
    "amount": "Write a number such as 1250.00",
    "under_protest": "Write yes or no, or leave it empty",
    "start": "Write it like 2025-03-31",
    "end": "Write it like 2025-03-31, after the start",
    "volume": "Write a number such as 812.4",
    "bill_date": "Write it like 2025-03-31, or leave it empty",
    "months": "Write a number such as 1 or 2.5, or leave it empty",
}


def rows_of(path: str | Path, name: str, needed: tuple[str, ...]) -> list[tuple[int, Row]]:
    """The rows of a CSV file with their line numbers; refused where a column is missing.

    Parameters
    ----------
    path : str or Path
        The file [-].
    name : str
        Its name in messages [text].
    needed : tuple of str
        Columns it must have [text].

    Returns
    -------
    list of (int, dict)
        Line of the file, and column to text [text].

    Raises
    ------
    InputRefused
        If it cannot be read or a column is missing.
    """
    try:
        with open(path, newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            rows = [(reader.line_num, row) for row in reader]
            header = reader.fieldnames or []
    except OSError as error:
        raise InputRefused(
            Problem(name, f"cannot be read ({error.strerror})", "Check the name of the file")
        ) from None
    except UnicodeDecodeError as error:
        raise InputRefused(
            Problem(name, f"is not UTF-8 text ({error.reason})", "Save it as UTF-8")
        ) from None
    lacking = [column for column in needed if column not in header]
    if lacking:
        found = f"has no column {', '.join(lacking)}"
        raise InputRefused(Problem(name, found, f"Name the columns {', '.join(needed)}", line=1))
    long = [line for line, row in rows if None in row]
    if long:
        found = f"the row has more cells than the {len(header)} columns of the header"
        remedy = "Put text that holds a comma in quotation marks"
        raise InputRefused([Problem(name, found, remedy, line=line) for line in long])
    return rows


def _cell(row: Row, column: str, read: Callable[[str], Made]) -> Made:
    """One cell, read; the column is noted in the error it may raise."""
    text = (row.get(column) or "").strip()
    try:
        return read(text)
    except (ValueError, InvalidOperation, KeyError):
        raise ValueError(column) from None


def _amount(text: str) -> Decimal:
    value = Decimal(text)
    if not value.is_finite():
        raise ValueError(text)
    return value


def _known(text: str) -> str:
    if not text:
        raise ValueError(text)
    return text


def _each(
    path: str | Path, shown_as: str | None, needed: tuple[str, ...], make: Callable[[Row], Made]
) -> list[tuple[int, Made]]:
    name = shown_as or Path(path).name
    problems: list[Problem] = []
    made: list[tuple[int, Made]] = []
    for line, row in rows_of(path, name, needed):
        try:
            made.append((line, make(row)))
        except ValueError as error:
            column = str(error)
            found = f"{row.get(column) or ''!r} is no {column.replace('_', ' ')}"
            remedy = _REMEDIES.get(column, "Write a number, or leave it empty")
            problems.append(Problem(name, found, remedy, line=line, column=column))
    if problems:
        raise InputRefused(problems)
    return made


def read_payments(
    path: str | Path, invoices: tuple[str, ...] | None = None, shown_as: str | None = None
) -> Mapping[str, tuple[Payment, ...]]:
    """Read payments from a CSV file: invoice, paid_on, amount and, optionally, under_protest.

    Parameters
    ----------
    path : str or Path
        The file; dates as 2025-03-31 [-].
    invoices : tuple of str, optional
        Numbers of the invoices; a payment on another one is refused [text].
    shown_as : str, optional
        Name to use for it in messages; its file name by default [text].

    Returns
    -------
    mapping of str to tuple of Payment
        By invoice, in order of their dates; an invoice without a payment has none [currency].

    Raises
    ------
    InputRefused
        With every line that cannot be read.
    """

    def payment(row: Row) -> tuple[str, Payment]:
        word = _cell(row, "under_protest", lambda text: _YES_NO[text.lower()])
        return _cell(row, "invoice", _known), Payment(
            _cell(row, "paid_on", date.fromisoformat), _cell(row, "amount", _amount), word
        )

    found: dict[str, list[Payment]] = {}
    strange: list[Problem] = []
    for line, (invoice, made) in _each(path, shown_as, ("invoice", "paid_on", "amount"), payment):
        found.setdefault(invoice, []).append(made)
        if invoices is not None and invoice not in invoices:
            name, words = shown_as or Path(path).name, f"there is no invoice {invoice!r}"
            strange.append(Problem(name, words, _REMEDIES["invoice"], line=line, column="invoice"))
    if strange:
        raise InputRefused(strange)
    ordered = {name: sorted(each, key=lambda p: p.paid_on) for name, each in found.items()}
    return {name: tuple(each) for name, each in ordered.items()}


def read_invoice_facts(
    path: str | Path, invoices: tuple[str, ...] | None = None, shown_as: str | None = None
) -> Mapping[str, dict[str, Any]]:
    """Read what changes from invoice to invoice: bill date, meter size, class, months, counts.

    Parameters
    ----------
    path : str or Path
        CSV with a column invoice and any of bill_date, meter_size, customer_class, months; every
        further column is a count the schedule may name, such as "months overdue" [-].
    invoices : tuple of str, optional
        Numbers of the invoices; another one is refused [text].
    shown_as : str, optional
        Name to use for it in messages; its file name by default [text].

    Returns
    -------
    mapping of str to dict
        By invoice: the facts stated for it, further columns under "counts" [-].

    Raises
    ------
    InputRefused
        With every line that cannot be read.
    """

    def facts(row: Row) -> tuple[str, dict[str, Any]]:
        stated: dict[str, Any] = {"counts": {}}
        for column, read in _FACTS.items():
            if (row.get(column) or "").strip():
                stated[column] = _cell(row, column, read)
        for column in row:
            if column not in ("invoice", *_FACTS) and (row[column] or "").strip():
                stated["counts"][column] = _cell(row, column, _amount)
        return _cell(row, "invoice", _known), stated

    found, strange = {}, []
    for line, (invoice, stated) in _each(path, shown_as, ("invoice",), facts):
        twice = invoice in found
        if twice or (invoices is not None and invoice not in invoices):
            name = shown_as or Path(path).name
            words = f"invoice {invoice!r} is there " + ("twice" if twice else "but not invoiced")
            strange.append(Problem(name, words, _REMEDIES["invoice"], line=line, column="invoice"))
        found[invoice] = stated
    if strange:
        raise InputRefused(strange)
    return found


_FACTS: dict[str, Callable[[str], Any]] = {
    "bill_date": date.fromisoformat,
    "meter_size": _known,
    "customer_class": _known,
    "months": _amount,
}


def read_earlier_use(path: str | Path, shown_as: str | None = None) -> tuple[UsePeriod, ...]:
    """Read the use of earlier periods from a CSV file: start, end, volume.

    Parameters
    ----------
    path : str or Path
        The file; dates as 2025-03-31, volumes in the unit of the invoices [-].
    shown_as : str, optional
        Name to use for it in messages; its file name by default [text].

    Returns
    -------
    tuple of UsePeriod
        In the order of the file [unit of the invoices].

    Raises
    ------
    InputRefused
        With every line that cannot be read.
    """

    def period(row: Row) -> UsePeriod:
        start = _cell(row, "start", date.fromisoformat)
        end = _cell(row, "end", date.fromisoformat)
        if end <= start:
            raise ValueError("end")
        return UsePeriod(_cell(row, "volume", _amount), start, end)

    return tuple(made for _, made in _each(path, shown_as, ("start", "end", "volume"), period))
