"""Tables of text or sheets of a workbook, whatever their dialect."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import replace
from itertools import islice, pairwise, zip_longest
from pathlib import Path

from sewer_audit.records.files.dialect import (
    HEAD,
    Layout,
    bare,
    find_delimiter,
    find_layout,
    match_name,
    normalise,
)
from sewer_audit.records.files.numbers import decimal_mark
from sewer_audit.records.files.sources import open_source
from sewer_audit.records.files.workbooks import sheet_rows
from sewer_audit.records.model import Findings, Table

LONGEST_CELL = 5
"""Lines one quoted cell may run over [-]: more means a quotation mark is left open."""
MOST_COLUMNS = 1000
"""Columns a table may have [-]: no meter or logger writes more, and each takes time."""


_HEAD_OF_NUMBER = re.compile(r"[$€£]?\s*[+-]?[1-9]\d{0,2}")
_CLOCK = re.compile(r"\d{1,2}[:h]\d{2}(?::\d{2})?(?:\s*[AaPp]\.?[Mm]\.?)?")
_CLOCK_SAID = re.compile(_CLOCK.pattern + r"|\d{1,2}\.\d{2}|(?:[01]\d|2[0-3])[0-5]\d")
CLOCK_WORDS = {"time", "hour", "at", "clock", "uhr", "uhrzeit", "zeit", "hora", "heure"}
_REST_OF_NUMBER = re.compile(r"\d{3}(?:\.\d*)?")


def read_table(
    path: str | Path,
    *,
    sheet: str | None = None,
    shown_as: str | None = None,
    expected: Sequence[str] = (),
    decimal: str | None = None,
) -> Table:
    """Read a table of text or a sheet of a workbook, cell by cell, with line numbers.

    Encoding (UTF-8, UTF-16, Windows-1252), separator, decimal mark, lines before the header and a
    row of units under it are told from the file.
    """
    findings = Findings(shown_as or Path(path).name)
    table = table_of(path, findings, sheet=sheet, expected=expected, decimal=decimal)
    findings.raise_if_refused()
    return replace(table, problems=findings.summary())


def table_of(
    path: str | Path,
    findings: Findings,
    *,
    sheet: str | None = None,
    expected: Sequence[str] = (),
    decimal: str | None = None,
    unit_rows: bool = True,
) -> Table:
    """Read a table and add its problems to those already found.

    Parameters
    ----------
    expected : sequence of str
        Names of columns the header must hold [text].
    unit_rows : bool
        Whether rows of units may stand under the header [-].

    Raises
    ------
    InputRefused
        If no table can be made of the file at all.
    """
    source = open_source(path, findings)
    if source.book:
        rows = sheet_rows(source.book, sheet, findings)
        lines, delimiter = list(range(1, len(rows) + 1)), ""
    else:
        delimiter = find_delimiter(list(islice(io.StringIO(source.text), HEAD)))
        rows, lines = _rows(source.text, delimiter, findings)
    widest = max(map(len, rows), default=0)
    if widest > MOST_COLUMNS:
        findings.add(
            f"the table has {widest:,} columns; at most {MOST_COLUMNS:,} are read",
            "Leave out the columns the case does not name, or look for rows run together",
            code="cells",
        )
        findings.raise_if_refused()
    layout = find_layout(rows[:HEAD], expected, delimiter, unit_rows)
    if layout is None:
        findings.add(
            "no header line was found",
            "The first line of the table must name its columns"
            + (f", here {', '.join(expected)}" if expected else ""),
            code="header",
        )
        findings.raise_if_refused()
        raise AssertionError("unreachable")  # pragma: no cover
    for place in layout.data_above:
        findings.add(
            "a row of data stands above the header",
            "Move the header to the top of the table, or remove the row",
            line=lines[place],
            code="header",
        )
    return _assemble(rows, lines, layout, findings, expected, decimal)


def _rows(text: str, delimiter: str, findings: Findings) -> tuple[list[list[str]], list[int]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    rows, lines, before = [], [], 0
    try:
        for row in reader:
            if reader.line_num - before > LONGEST_CELL:
                _open_quote(findings, before + 1, reader.line_num - before)
            rows.append(row)
            lines.append(before + 1)
            before = reader.line_num
    except csv.Error as error:
        findings.add(
            f"the line cannot be cut into cells ({error})",
            "Look for a quotation mark that is not closed",
            line=before + 1,
            code="quotes",
        )
    findings.raise_if_refused()
    return rows, lines


def _open_quote(findings: Findings, line: int, swallowed: int) -> None:
    findings.add(
        f"a quotation mark opens a cell of {swallowed} lines",
        "Close the quotation mark, or remove it",
        line=line,
        code="quotes",
    )


def _assemble(
    rows: list[list[str]],
    lines: list[int],
    layout: Layout,
    findings: Findings,
    expected: Sequence[str],
    decimal: str | None,
) -> Table:
    deep = len(layout.header_rows)
    counts = {"preamble": layout.header_index + 1 - deep, "header": deep, "blank": 0, "comment": 0}
    counts |= {"units": layout.first_index - layout.header_index - 1, "repeated header": 0}
    if not deep:
        counts |= {"preamble": layout.first_index, "units": 0}
    kept, kept_lines, starts, again = [], [], layout.starts, False
    for row, line in zip(rows[layout.first_index :], lines[layout.first_index :], strict=True):
        filled = [cell for cell in row if cell.strip()]
        if not filled:
            counts["blank"] += 1
        elif filled[0].lstrip().startswith("#"):
            counts["comment"] += 1
        elif (again or bare(filled[0]) in starts) and (kind := layout.kind(row, again)):
            counts["repeated header"] += 1
            again = kind == "header"
            if kind == "other units":
                refuse_header(row, line, layout, findings)
        else:
            again = False
            kept.append(row)
            kept_lines.append(line)
    counts["rows"] = len(kept)
    stated = len(rows[layout.header_index]) if deep else len(layout.header)
    header = _fit(kept, kept_lines, layout.header, stated, findings)
    if not kept:
        findings.add(
            "there is a header but no row of data",
            "Fill the file, or leave it out of the case",
            line=lines[max(layout.header_index, 0)],
            code="no rows",
        )
    table = Table(
        findings.file,
        header,
        kept,
        kept_lines,
        lines[max(layout.header_index, 0)],
        layout.units,
        _decimal(kept, layout.delimiter, decimal, findings),
        counts,
    )
    for name in expected:
        column_place(table, name, findings)
    return table


def refuse_header(cells: Sequence[str], line: int, layout: Layout, findings: Findings) -> None:
    """A second header or row of units that is not the first: from here on the units are others."""
    first = layout.header if bare(cells[0]) in layout.starts else layout.units
    pairs = zip_longest(cells, first, fillvalue="")
    other = ", ".join(
        f"{cell.strip()!r} where the first has {own.strip()!r}"
        for cell, own in pairs
        if normalise(cell) != normalise(own)
    )
    findings.add(
        f"a second header stands here with other units: {other}; the old units end here",
        "Cut the file in two before this line, and state the columns of each part under "
        "file_columns",
        line=line,
        code="header",
    )


def _fit(
    rows: list[list[str]], lines: list[int], header: list[str], stated: int, findings: Findings
) -> list[str]:
    """Make every row as long as the header; refuse rows with more cells than header and neighbours.

    stated: Cells of the header as written. A row wider than that, among rows that are not, has a
    separator inside a value: its cells stand under wrong names.
    """
    named = max((place + 1 for place, cell in enumerate(header) if cell), default=0)
    widths = Counter(len(row) for row in rows)
    usual = max(named, max(widths, key=lambda width: (widths[width], width), default=0))
    even = len(widths) == 1
    extra = False
    for row, line in zip(rows, lines, strict=True):
        beyond = any(cell.strip() for cell in row[usual:])
        cut = len(row) > stated and cut_number(row)
        if beyond or (cut and not even):
            beside = f"its neighbours have {usual}" if len(row) > usual else f"{named} are named"
            findings.add(
                f"the row has {len(row)} cells, {beside}"
                + (f": {cut} looks like one number cut in two" if cut else ""),
                'Look for a separator inside a value (write 1008 or "1,008"), or two lines run '
                "together",
                line=line,
                code="cells",
            )
        extra = extra or any(cell.strip() for cell in row[named:usual])
    if even and rows and usual > stated and all(cut_number(row) for row in rows):
        findings.add(
            f"every row has {usual} cells, the header names {named}: {cut_number(rows[0])} looks "
            "like one number cut in two",
            "Write numbers without a separator of thousands, or in quotation marks; if it is two "
            "columns, name every column in the header",
            line=lines[0],
            code="cells",
        )
    for row in rows:
        del row[usual:]
        row.extend([""] * (usual - len(row)))
    if extra:
        warn_unnamed(named, usual, findings)
    return (header + [""] * usual)[:usual]


def cut_number(row: Sequence[str]) -> str:
    """Two neighbouring cells that a separator of thousands may have made of one number, or ""."""
    for one, other in pairwise(row):
        if _HEAD_OF_NUMBER.fullmatch(one.strip()) and _REST_OF_NUMBER.fullmatch(other.strip()):
            return f"{one.strip()},{other.strip()}"
    return ""


def warn_unnamed(named: int, usual: int, findings: Findings) -> None:
    """Note cells beyond the named columns."""
    findings.warn(
        f"the header names {named} columns, the rows have {usual}",
        "Cells beyond the named columns are not read; check that no name is missing",
        code="cells",
    )


def _decimal(rows: list, delimiter: str, stated: str | None, findings: Findings) -> str:
    if stated is not None:
        return stated
    told = decimal_mark(cell for row in rows[:5000] for cell in row)
    if told is None:
        findings.add(
            "numbers such as '1,234' can be read with a decimal comma or with thousands",
            "State decimal = '.' or decimal = ',' for this file",
            code="decimal mark",
        )
        return "."
    return told


def clock_columns(table: Table, named: Collection[int]) -> list[str]:
    """Columns that nobody named and that hold times of day; 0805 only where the head says so."""
    found = []
    for place, column in enumerate(table.header):
        cells = [cell for row in table.rows if (cell := row[place].strip())]
        words = set(re.findall(r"[^\W\d_]+", column.casefold()))
        form = _CLOCK_SAID if words & CLOCK_WORDS else _CLOCK
        if column and place not in named and cells:
            if 2 * sum(bool(form.fullmatch(cell)) for cell in cells) > len(table.rows):
                found.append(column)
    return found


def column_place(table: Table, name: str, findings: Findings) -> int | None:
    """Place of a column, or None after noting that it is missing or named twice."""
    place = match_name(name, table.header)
    if place is not None:
        return place
    tagged = next(
        (
            heading
            for place, heading in enumerate(table.header)
            if any(row[place].strip() == name for row in table.rows[:2000])
        ),
        "",
    )
    twice = sum(normalise(name) == normalise(cell) for cell in table.header) > 1
    listed = ", ".join(repr(cell) for cell in table.header if cell)
    findings.add(
        "two columns have this name" if twice else f"the column is missing; there are {listed}",
        "Name it by its place, as in 'column 2', or with the line above it, as in 'Outfall Level'"
        if twice
        else f"It stands in the cells of {tagged!r}: if each row holds one value of what it names, "
        f"write arranged = {{ tag = {tagged!r}, value = 'its column' }}"
        if tagged
        else "Name the column as the file does, under columns in the case, or by its place: "
        "'column 2' is the second",
        line=table.header_line,
        column=name,
        code="column",
    )
    return None
