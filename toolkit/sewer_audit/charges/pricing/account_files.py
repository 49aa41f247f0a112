"""Small tables of an account, exact from the text: payments made, the use of earlier periods."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any, TypeVar

from sewer_audit.charges.claims import Payment
from sewer_audit.charges.schedule.facts import UsePeriod
from sewer_audit.errors import InputRefused, Problem
from sewer_audit.records.clock.stamps import StampFault, parse_stamp
from sewer_audit.records.files.dialect import match_name
from sewer_audit.records.files.numbers import parse_decimal
from sewer_audit.records.files.tables import table_of
from sewer_audit.records.model import Findings

Made = TypeVar("Made")

_FAR = 5.0
"""Times a winter's use a day may differ from the invoices' before its unit is asked (judgement)."""
_YES_NO = {"": False, "no": False, "false": False, "yes": True, "true": True}
_REMEDIES = {
    "invoice": "Write the number as it stands in the invoice file",
    "amount": "Write a number such as 1250.00",
    "under_protest": "Write yes or no, or leave it empty",
    "end": "Write it like 2025-03-31, after the start",
    "volume": "Write a number such as 812.4",
    "months": "Write a number such as 1 or 2.5, or leave it empty",
}


@dataclass(frozen=True)
class HowRead:
    """How a small table is to be read, where that cannot be told from the file itself.

    Parameters
    ----------
    columns : mapping of str to str
        Our column name to the file's; a column not named here has our name [text].
    day_first : bool, optional
        Order of dates such as 03/04/2026, which are refused where it is not stated [-].
    decimal : str, optional
        Decimal mark, "." or "," [text].
    sheet : str, optional
        Sheet of a workbook [text].
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    day_first: bool | None = None
    decimal: str | None = None
    sheet: str | None = None


AS_IS = HowRead()


@dataclass(frozen=True)
class Row:
    """One row of a small table: its line, our names to its text, and how dates are written."""

    line: int
    cells: Mapping[str, str]
    names: Mapping[str, str]
    day_first: bool | None
    decimal: str

    def text(self, column: str) -> str:
        """A cell, empty where there is no such column [text]."""
        return self.cells.get(column, "")

    def fault(self, column: str, remedy: str = "", found: str = "") -> CellFault:
        """What is wrong with a cell, to be raised."""
        stated = self.names.get(column, column)
        found = found or f"{self.text(column)!r} is no {column.replace('_', ' ')}"
        return CellFault(
            stated, found, remedy or _REMEDIES.get(column, "Write a number, or leave it empty")
        )

    def known(self, column: str) -> str:
        """A cell that may not be empty [text]."""
        if not self.text(column):
            raise self.fault(column)
        return self.text(column)

    def date(self, column: str) -> date:
        """A cell that holds a date."""
        try:
            return parse_stamp(self.text(column), self.day_first).moment.date()
        except StampFault as error:
            if str(error).endswith("is no date"):
                words = f"{self.text(column)!r} is no date"
                raise self.fault(column, "Write it like 2025-03-31", words) from None
            raise self.fault(column, error.remedy, str(error)) from None

    def number(self, column: str) -> Decimal:
        """A cell that holds a number, exactly."""
        try:
            value = parse_decimal(self.text(column), self.decimal)
        except ValueError:
            raise self.fault(column) from None
        if not value.is_finite():
            raise self.fault(column)
        return value


class CellFault(ValueError):
    """A cell that cannot be read: the column as the file names it, what was found, the remedy."""

    def __init__(self, column: str, found: str, remedy: str):
        super().__init__(found)
        self.column, self.found, self.remedy = column, found, remedy


def rows_of(
    path: str | Path,
    name: str,
    needed: tuple[str, ...],
    how: HowRead = AS_IS,
    optional: tuple[str, ...] | None = (),
) -> list[Row]:
    """The rows of a CSV or XLSX file; refused where a column is missing."""
    findings = Findings(name)
    stated = [how.columns.get(column, column) for column in (*needed, *how.columns)]
    expected = tuple(dict.fromkeys(stated))
    reading = {"sheet": how.sheet, "decimal": how.decimal, "unit_rows": False}
    table = table_of(path, findings, expected=expected, **reading)
    findings.raise_if_refused()
    theirs = {column: how.columns.get(column, column) for column in (*needed, *(optional or ()))}
    theirs |= how.columns
    if optional is None and not how.columns:
        theirs |= {cell: cell for cell in table.header if cell and cell not in theirs.values()}
    at = {ours: match_name(cell, table.header) for ours, cell in theirs.items()}
    return [
        Row(
            line,
            {ours: row[place].strip() for ours, place in at.items() if place is not None},
            theirs,
            how.day_first,
            table.decimal,
        )
        for line, row in zip(table.lines, table.rows, strict=True)
    ]


def each_of(rows: list[Row], name: str, make: Callable[[Row], Made]) -> list[tuple[int, Made]]:
    """Something made of each row, with its line; every row that cannot be read is refused."""
    problems: list[Problem] = []
    made: list[tuple[int, Made]] = []
    for row in rows:
        try:
            made.append((row.line, make(row)))
        except CellFault as error:
            place = {"line": row.line, "column": error.column}
            problems.append(Problem(name, error.found, error.remedy, **place))
    if problems:
        raise InputRefused(problems)
    return made


def read_payments(
    path: str | Path,
    invoices: tuple[str, ...] | None = None,
    shown_as: str | None = None,
    how: HowRead = AS_IS,
) -> Mapping[str, tuple[Payment, ...]]:
    """Read payments from a CSV file: invoice, paid_on, amount and, optionally, under_protest.

    Parameters
    ----------
    invoices : tuple of str, optional
        Numbers of the invoices; a payment on another one is refused [text].
    shown_as : str, optional
        Name to use for it in messages; its file name by default [text].
    how : HowRead
        Names of the columns, order of dates, decimal mark [-].

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
        word = row.text("under_protest").lower()
        if word not in _YES_NO:
            raise row.fault("under_protest")
        paid = Payment(row.date("paid_on"), row.number("amount"), _YES_NO[word])
        return row.known("invoice"), paid

    name = shown_as or Path(path).name
    rows = rows_of(path, name, ("invoice", "paid_on", "amount"), how, ("under_protest",))
    found: dict[str, list[Payment]] = {}
    strange: list[Problem] = []
    for line, (invoice, made) in each_of(rows, name, payment):
        found.setdefault(invoice, []).append(made)
        if invoices is not None and invoice not in invoices:
            words = f"there is no invoice {invoice!r}"
            strange.append(Problem(name, words, _REMEDIES["invoice"], line=line, column="invoice"))
    if strange:
        raise InputRefused(strange)
    ordered = {name: sorted(each, key=lambda p: p.paid_on) for name, each in found.items()}
    return {name: tuple(each) for name, each in ordered.items()}


def read_invoice_facts(
    path: str | Path,
    invoices: tuple[str, ...] | None = None,
    shown_as: str | None = None,
    how: HowRead = AS_IS,
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
    how : HowRead
        Names of the columns, order of dates, decimal mark [-].

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
        for column in filter(row.text, row.cells):
            if column in _FACTS:
                stated[column] = _FACTS[column](row, column)
            elif column != "invoice":
                stated["counts"][column] = row.number(column)
        return row.known("invoice"), stated

    name = shown_as or Path(path).name
    found, strange = {}, []
    rows = rows_of(path, name, ("invoice",), how, None)
    for line, (invoice, stated) in each_of(rows, name, facts):
        twice = invoice in found
        if twice or (invoices is not None and invoice not in invoices):
            words = f"invoice {invoice!r} is there " + ("twice" if twice else "but not invoiced")
            strange.append(Problem(name, words, _REMEDIES["invoice"], line=line, column="invoice"))
        found[invoice] = stated
    if strange:
        raise InputRefused(strange)
    return found


_FACTS: dict[str, Callable[[Row, str], Any]] = {
    "bill_date": Row.date,
    "meter_size": Row.known,
    "customer_class": Row.known,
    "months": Row.number,
}


def read_earlier_use(
    path: str | Path,
    shown_as: str | None = None,
    how: HowRead = AS_IS,
    unit: str | None = None,
    usual: tuple[float, str] | None = None,
) -> tuple[UsePeriod, ...]:
    """Read the use of earlier periods from a CSV file: start, end, volume.

    Parameters
    ----------
    shown_as : str, optional
        Name to use for it in messages; its file name by default [text].
    how : HowRead
        Names of the columns, order of dates, decimal mark [-].
    unit : str, optional
        Unit of the volumes, where it is stated [text].
    usual : tuple of float and str, optional
        Volume of a usual day of the invoices, and their unit: volumes without a stated unit that
        are far from it are refused [that unit].

    Returns
    -------
    tuple of UsePeriod
        In the order of the file [`unit`, else unit of the invoices].

    Raises
    ------
    InputRefused
        With every line that cannot be read.
    """

    def period(row: Row) -> UsePeriod:
        start, end = row.date("start"), row.date("end")
        if end <= start:
            raise row.fault("end")
        return UsePeriod(row.number("volume"), start, end, unit)

    name = shown_as or Path(path).name
    rows = rows_of(path, name, ("start", "end", "volume"), how)
    made = tuple(made for _, made in each_of(rows, name, period))
    days = sum((each.end - each.start).days for each in made)
    if unit is None and usual is not None and days and usual[0] > 0:
        a_day = float(sum(each.volume for each in made)) / days
        if not 1 / _FAR < a_day / usual[0] < _FAR:
            words = f"the volumes come to {a_day:.4g} a day, those of the invoices to "
            words += f"{usual[0]:.4g} {usual[1]}; in which unit are they?"
            remedy = f'State it: earlier_use = {{ file = "{name}", unit = "{usual[1]}" }}'
            raise InputRefused(Problem(name, words, remedy, column="volume"))
    return made
