"""Invoices: one row per invoice, money and billed volumes exact from the text."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd

from sewer_audit.records.bills.carried import carried_role, without_carried
from sewer_audit.records.bills.checks import check_invoices, with_own_days
from sewer_audit.records.bills.supersede import settle_replacements, without_later
from sewer_audit.records.clock.moments import Moments, read_moments
from sewer_audit.records.clock.zones import zone_of
from sewer_audit.records.files.dialect import match_name, normalise
from sewer_audit.records.files.headings import check_heading
from sewer_audit.records.files.numbers import currency_mark, is_missing, parse_decimal
from sewer_audit.records.files.tables import clock_columns, column_place, table_of
from sewer_audit.records.model import Findings, InvoiceRecord, Table
from sewer_audit.units import to_si

INVOICE_COLUMNS = ("invoice", "start", "end", "billed_volume", "total")
"""Columns every table of invoices holds."""

PRINTED = (
    "multiplier",
    "water_used",
    "deduct",
    "factor",
    "tax_base",
    "subtotal",
    "previous_balance",
    "payment",
    "credit",
)
"""Figures a bill may print that are no charge: links of its own chain, and what is carried over."""
DATES = ("bill_date", "due_date")
OPTIONAL = ("previous_read", "current_read", "read_type", "kind", "replaces", "remark")
OPTIONAL += (*PRINTED, *DATES)
READ_TYPES = {
    "": "actual",
    "actual": "actual",
    "act": "actual",
    "a": "actual",
    "measured": "actual",
    "abgelesen": "actual",
    "real": "actual",
    "leída": "actual",
    "relevé": "actual",
    "relevée": "actual",
    "réel": "actual",
    "réelle": "actual",
    "letto": "actual",
    "rilevata": "actual",
    "gelesen": "actual",
    "stimato": "estimated",
    "stimata": "estimated",
    "estimée": "estimated",
    "estimado": "estimated",
    "geschaetzt": "estimated",
    "estimated": "estimated",
    "geschätzt": "estimated",
    "estimada": "estimated",
    "estimé": "estimated",
    "estimate": "estimated",
    "est": "estimated",
    "e": "estimated",
    "customer": "actual",  # by the customer, off the same dial
    "self": "actual",
    "owner": "actual",
    "read by customer": "actual",
    "meter": "actual",
    "regular": "actual",
}
"""Kinds of read; a word "read" or "reading" behind says no more."""


def read_invoices(
    path: str | Path | Sequence[str | Path],
    *,
    zone: str,
    volume_unit: str,
    read_hour: str = "00:00",
    end_day_counts: bool = False,
    overlapping_days: str = "refuse",
    not_charges: Sequence[str] = (),
    charges: Collection[str] = (),
    columns: Mapping[str, str] | None = None,
    day_first: bool | None = None,
    decimal: str | None = None,
    sheet: str | Sequence[str] | None = None,
    shown_as: str | Sequence[str] | None = None,
    known_by: date | None = None,
    because: str = "",
) -> InvoiceRecord:
    """Read a table of invoices, or several tables of one account.

    Parameters
    ----------
    path : str, Path or sequence of them
        CSV or XLSX files; a row that stands in two of them is read once [-].
    zone : str
        Time zone of the dates, IANA name or fixed offset [text].
    volume_unit : str
        Unit of `billed_volume`, such as "kgal" [text].
    read_hour : str
        Local time of the reads where the file holds dates only, such as "08:00" [text].
    end_day_counts : bool
        Whether a period includes the whole day of its end date [-].
    overlapping_days : str
        "refuse" invoices that overlap, or "examine" them: the invoices are as printed, and what
        two of them bill counts for the earlier one [text].
    not_charges : sequence of str
        Further columns of the file that hold figures and are no charge, such as days [text].
    charges : collection of str
        Columns that are charges, whatever their names say, such as those of the schedule [text].
    columns : mapping of str to str, optional
        Our column name to the file's, where they differ [text].
    day_first : bool, optional
        Order of dates such as 03/04/2026; refused where they occur and this is not stated [-].
    decimal : str, optional
        Decimal mark, "." or ","; told from the numbers if not given [text].
    sheet : str or sequence of str, optional
        Sheet of a workbook, or several sheets of one workbook [text].
    shown_as : str or sequence of str, optional
        Names of the files in messages [text].
    known_by : date, optional
        Corrections and credits billed later are left out [-].
    because : str
        How it is known that another unit, which the file itself names, is wrong [text].

    Raises
    ------
    InputRefused
        With every problem of the file: missing columns, unreadable dates or amounts, periods that
        overlap (unless they are to be examined), invoice numbers used twice.

    Notes
    -----
    Every column that is not known by name is a charge line if it holds amounts, and is left out
    as a remark if none of its cells is a number, or if it is named as no charge.
    """
    paths = [path] if isinstance(path, (str, Path)) else list(path)
    shown = [shown_as] if isinstance(shown_as, str) else list(shown_as or [])
    files = [*shown, *(Path(one).name for one in paths[len(shown) :])]
    sheets = [sheet] * len(paths) if sheet is None or isinstance(sheet, str) else list(sheet)
    if len(sheets) > len(paths) == 1:
        paths, files = paths * len(sheets), [f"{files[0]}, sheet {each!r}" for each in sheets]
    findings = Findings(files[0])
    names = {name: (columns or {}).get(name, name) for name in (*INVOICE_COLUMNS, *OPTIONAL)}
    dated = {"day_first": day_first, "read_hour": read_hour, "end_day_counts": end_day_counts}
    parts, currencies = [], {}
    for one, file, of in zip(paths, files, sheets, strict=True):
        findings.file = file
        expected = [names[name] for name in INVOICE_COLUMNS]
        table = table_of(one, findings, sheet=of, expected=expected, decimal=decimal)
        at = match_name(names["billed_volume"], table.header)
        check_heading(table, at, volume_unit, "volume", because, findings)
        _leave_out(table, not_charges, findings)
        findings.raise_if_refused()
        for mark, place in _currencies(table).items():
            currencies.setdefault(mark, (mark, file, *place))
        parts.append(_one_table(table, names, zone, dated, findings, charges))
    findings.raise_if_refused()
    frame, lines = _together(parts, files, findings)
    frame = without_carried(frame, lines)
    frame["billed_m3"] = [to_si(float(v), volume_unit, "volume") for v in frame["billed_volume"]]
    if known_by is not None:
        frame, lines = without_later(frame, lines, known_by)
    frame, lines, superseded = settle_replacements(frame, lines, findings)
    frame = with_own_days(frame)
    check_invoices(frame, lines, zone_of(zone), findings, overlapping_days == "examine")
    findings.raise_if_refused()
    frame["line"] %= findings.STRIDE
    return InvoiceRecord(
        frame[[name for name in COLUMNS if name in frame]],
        lines,
        superseded,
        findings.summary(),
        tuple(findings.flags),
        volume_unit,
        tuple(currencies.values()),
    )


COLUMNS = (
    "invoice",
    "start",
    "end",
    "own_start",
    "shares_with",
    "second_by",
    "previous_read",
    "current_read",
    "read_type",
    "billed_volume",
    "billed_m3",
    "total",
    *PRINTED,
    *DATES,
    "amount_due",
    "lines_printed",
    "uncredited",
    "credit_note",
    "line",
)


def _one_table(
    table: Table,
    names: Mapping[str, str],
    zone: str,
    dated: Mapping[str, Any],
    findings: Findings,
    charges: Collection[str],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Invoices of one file and their charge lines."""
    places = {name: column_place(table, names[name], findings) for name in INVOICE_COLUMNS}
    silent = Findings(findings.file)
    places |= {name: column_place(table, names[name], silent) for name in OPTIONAL}
    for name in (*PRINTED, *DATES):  # a head such as "Previous balance" says what it is
        if places[name] is None and names[name] == name:
            places[name] = column_place(table, name.replace("_", " "), silent)
    _with_carried(table, places, names, charges, findings)
    _without_sums(table, places, findings)
    moments = {
        which: read_moments(
            [row[places[which]] for row in table.rows],  # type: ignore[index]
            table.lines,
            zone_of(zone),
            findings,
            column=names[which],
            day_first=dated["day_first"],
            read_hour=dated["read_hour"],
            extra_days=1 if which == "end" and dated["end_day_counts"] else 0,
        )
        for which in ("start", "end")
    }
    taken = {place for place in places.values() if place is not None}
    if all(len(each.dated_only) and each.dated_only.all() for each in moments.values()):
        for column in clock_columns(table, taken):
            findings.add(
                f"start and end hold dates, and column {column!r} holds times of day",
                "Write date and time into one cell, as 2026-01-31 08:00; where it is not the time "
                f"of a read, leave it out with not_charges = [{column!r}]",
                line=table.header_line,
                column=column,
                code="column",
            )
    frame = _frame(table, places, names, moments, findings)
    frame["lines_printed"] = _lines_printed(table, places)
    for name in DATES:
        frame[name] = _dates(table, places[name], names[name], zone, dated, findings)
    return frame, _lines(table, places, findings)


def _with_carried(
    table: Table,
    places: dict[str, int | None],
    names: Mapping[str, str],
    charges: Collection[str],
    findings: Findings,
) -> None:
    """Find what is carried over by other names; several columns of one role are left and asked."""
    taken = {place for place in places.values() if place is not None}
    lines = {normalise(name) for name in charges}
    found: dict[str, list[int]] = {}
    for place, head in enumerate(table.header):
        role = carried_role(head) if head and place not in taken else ""
        numbers = any(_is_number(row[place], table.decimal) for row in table.rows)
        if role and numbers and normalise(head) not in lines:
            found.setdefault(role, []).append(place)
    for role, at in found.items():
        if len(at) == 1 and places[role] is None and names[role] == role:
            places[role], head = at[0], table.header[at[0]]
            findings.flag(
                "carried by its name",
                f"column {head!r} is read as {role.replace('_', ' ')}, no charge of its bill; if "
                f"it is a charge, write charges = [{head!r}] under [invoices]",
            )


def _currencies(table: Table) -> dict[str, tuple[int, str]]:
    """Signs and codes of currencies in the cells that hold amounts, where each stands first."""
    found: dict[str, tuple[int, str]] = {}
    for row, line in zip(table.rows, table.lines, strict=True):
        for cell, column in zip(row, table.header, strict=False):
            mark = currency_mark(cell)
            if mark and mark not in found and _is_number(cell, table.decimal):
                found[mark] = (line, column)
    return found


def _together(
    parts: list[tuple[pd.DataFrame, pd.DataFrame]], files: Sequence[str], findings: Findings
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of all files; a charge line that one file does not have is no charge there."""
    if len(parts) == 1:
        return parts[0]
    findings.file, findings.files = ", ".join(dict.fromkeys(files)), tuple(files)
    for number, (frame, _) in enumerate(parts):
        frame["line"] = frame["line"] + number * findings.STRIDE
    frame = pd.concat([frame for frame, _ in parts], ignore_index=True)
    names = list(dict.fromkeys(name for _, lines in parts for name in lines.columns))
    whole = [lines.reindex(columns=names, fill_value=Decimal(0)) for _, lines in parts]
    return frame, pd.concat(whole, ignore_index=True)


def _frame(
    table: Table,
    places: Mapping[str, int | None],
    names: Mapping[str, str],
    moments: Mapping[str, Moments],
    findings: Findings,
) -> pd.DataFrame:
    def text(name: str) -> list[str]:
        place = places[name]
        return [row[place].strip() if place is not None else "" for row in table.rows]

    def amounts(name: str, needed: bool) -> list[Any]:
        return _amounts(table, places[name], names[name], needed, findings)

    frame = pd.DataFrame(
        {
            "invoice": pd.Series(text("invoice"), dtype="str"),
            "start": moments["start"].time,
            "end": moments["end"].time,
            "billed_volume": pd.Series(_volumes(table, places, names, findings), dtype=object),
            "total": pd.Series(amounts("total", True), dtype=object),
            "read_type": _read_types(text("read_type"), table, names["read_type"], findings),
            "kind": pd.Series([word.lower() for word in text("kind")], dtype="str"),
            "replaces": pd.Series(text("replaces"), dtype="str"),
            "line": table.lines,
        }
    )
    for name in ("previous_read", "current_read"):
        read = amounts(name, False) if places[name] is not None else [None] * len(frame)
        frame[name] = [float("nan") if value is None else float(value) for value in read]
    for name in PRINTED:
        given = _shares(table, places[name]) if name == "factor" else table
        known = places[name] is not None
        read = [None] * len(frame)
        if known:
            read = _amounts(given, places[name], names[name], False, findings)
        frame[name] = pd.Series(read, index=frame.index, dtype=object)
    for line, number in zip(table.lines, frame["invoice"], strict=True):
        if not number:
            findings.add(
                "the invoice has no number",
                "Give every invoice a number of its own",
                line=line,
                column=names["invoice"],
                code="invoice number",
            )
    return frame


def _volumes(
    table: Table, places: Mapping[str, int | None], names: Mapping[str, str], findings: Findings
) -> list[Decimal | None]:
    """Billed volumes; a credit that names an invoice and no volume is one of money alone."""
    place, kind, against = (places[name] for name in ("billed_volume", "kind", "replaces"))
    cells = [list(row) for row in table.rows]
    for row in cells if None not in (place, kind, against) else ():
        if (
            is_missing(row[place])
            and row[kind].strip().lower() == "credit"
            and row[against].strip()
        ):
            row[place] = "0"
    whole = replace(table, rows=cells)
    return _amounts(whole, place, names["billed_volume"], True, findings)


def _shares(table: Table, place: int | None) -> Table:
    """The table with a share that stands as 85 % in a column written as 0.85."""
    rows = [list(row) for row in table.rows]
    for row in rows if place is not None else ():
        if row[place].strip().endswith("%") and _is_number(row[place].strip(" %"), table.decimal):
            share = parse_decimal(row[place].strip(" %"), table.decimal) / 100
            row[place] = str(share).replace(".", table.decimal)
    return replace(table, rows=rows)


def _amounts(
    table: Table, place: int | None, column: str, needed: bool, findings: Findings
) -> list[Decimal | None]:
    values: list[Decimal | None] = []
    for row, line in zip(table.rows, table.lines, strict=True):
        text = row[place] if place is not None else ""
        value = None
        if not is_missing(text):
            try:
                value = parse_decimal(text, table.decimal)
            except ValueError as error:
                findings.add(
                    str(error), "Write a plain number", line=line, column=column, code="number"
                )
        elif needed:
            findings.add(
                f"{text!r} stands where a number is due" if text.strip() else "the cell is blank",
                "Copy the figure from the invoice",
                line=line,
                column=column,
                code="number",
            )
        values.append(value)
    return values


def _dates(
    table: Table,
    place: int | None,
    column: str,
    zone: str,
    dated: Mapping[str, Any],
    findings: Findings,
) -> pd.Series:
    """A column of days, blank where a cell is."""
    cells = [row[place].strip() if place is not None else "" for row in table.rows]
    written = [k for k, cell in enumerate(cells) if not is_missing(cell)]
    found = read_moments(
        [cells[k] for k in written],
        [table.lines[k] for k in written],
        zone_of(zone),
        findings,
        column=column,
        day_first=dated["day_first"],
    )
    days = pd.Series([None] * len(cells), dtype=object)
    for k, moment in zip(written, found.time, strict=True):
        days[k] = None if pd.isna(moment) else moment.tz_convert(zone).date()
    return days


def read_type_of(word: str) -> str | None:
    """Whether a word says that a read is "actual" or "estimated"; None where it says neither."""
    said = re.sub(r"[\s_-]+", " ", word.lower()).strip(" .")
    return READ_TYPES.get(said) or READ_TYPES.get(re.sub(r" read(ing)?$", "", said))


def _are_read_types(cells: Sequence[str]) -> bool:
    """Whether a column that nobody named says which reads are estimated."""
    kinds = {read_type_of(cell) for cell in cells}
    return None not in kinds and "estimated" in kinds


def _read_types(words: Sequence[str], table: Table, column: str, findings: Findings) -> list[str]:
    types = []
    for word, line in zip(words, table.lines, strict=True):
        kind = read_type_of(word)
        if kind is None:
            findings.add(
                f"{word!r} is no kind of read",
                f"Write actual or estimated; known are {', '.join(filter(None, READ_TYPES))}",
                line=line,
                column=column,
                code="read type",
            )
        types.append(kind or "actual")
    return types


def _leave_out(table: Table, not_charges: Sequence[str], findings: Findings) -> None:
    """Take the name from columns that are no charge, so that they are read as no line."""
    for name in not_charges:
        place = column_place(table, name, findings)
        if place is not None:
            table.header[place] = ""


def _lines(table: Table, places: Mapping[str, int | None], findings: Findings) -> pd.DataFrame:
    """Every further column that holds amounts, as Decimal; a blank cell is no charge."""
    known = {place for place in places.values() if place is not None}
    charges: dict[str, list[Decimal]] = {}
    for place, name in enumerate(table.header):
        if place in known or not name:
            continue
        cells = [row[place] for row in table.rows]
        if not any(_is_number(cell, table.decimal) for cell in cells):
            if _are_read_types(cells):
                findings.add(
                    f"column {name!r} holds kinds of reads, estimated among them, and is not named",
                    f"Write columns = {{ read_type = {name!r} }}, or leave it out with not_charges "
                    f"= [{name!r}]",
                    line=table.header_line,
                    column=name,
                    code="column",
                )
            elif any(not is_missing(cell) for cell in cells):
                findings.flag(
                    "column not read",
                    f"column {place + 1} ({name!r}) holds no amounts and is not read",
                )
            continue
        if name in charges:
            findings.add(
                "two charge lines have this name",
                "Give every charge line a name of its own",
                line=table.header_line,
                column=name,
                code="column",
            )
        read = _amounts(table, place, name, False, findings)
        charges[name] = [Decimal(0) if value is None else value for value in read]
    return pd.DataFrame(charges, index=range(len(table.rows)), dtype=object)


def _lines_printed(table: Table, places: Mapping[str, int | None]) -> list[bool]:
    """Whether a row holds any of its charges, or its total alone."""
    known = {place for place in places.values() if place is not None}
    charges = [
        place
        for place, name in enumerate(table.header)
        if name
        and place not in known
        and any(_is_number(r[place], table.decimal) for r in table.rows)
    ]
    held = [any(not is_missing(row[place]) for place in charges) for row in table.rows]
    return [one or not charges for one in held]


def _without_sums(table: Table, places: Mapping[str, int | None], findings: Findings) -> None:
    """Leave out a last row without dates whose total is the sum of the totals above it."""
    at = [places[name] for name in ("start", "end", "total")]
    if len(table.rows) < 3 or None in at:
        return
    *above, last = table.rows
    totals = [row[at[2]] for row in table.rows]
    dated = any(not is_missing(last[place]) for place in at[:2])
    if dated or not all(_is_number(each, table.decimal) for each in totals):
        return
    *each, whole = (parse_decimal(text, table.decimal) for text in totals)
    if sum(each, Decimal(0)) == whole:
        findings.flag(
            "row of sums",
            f"line {table.lines[-1]} has no dates, and its total is the sum of those above it; it "
            "is no invoice and is left out",
        )
        table.rows[:], table.lines[:] = above, table.lines[:-1]


def _is_number(text: str, decimal: str) -> bool:
    try:
        parse_decimal(text, decimal)
    except ValueError:
        return False
    return True
