"""One export of a logger as columns, by the quick way where the file is regular."""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd

from sewer_audit.records.files.dialect import (
    HEAD,
    Layout,
    find_delimiter,
    find_layout,
    match_name,
    split_rows,
)
from sewer_audit.records.files.headings import Heading
from sewer_audit.records.files.numbers import decimal_mark
from sewer_audit.records.files.shapes import Shape, refuse_mixture, refuse_shape, tidied
from sewer_audit.records.files.sources import Lines, open_source
from sewer_audit.records.files.tables import (
    column_place,
    cut_number,
    refuse_header,
    table_of,
    warn_unnamed,
)
from sewer_audit.records.model import ROLES, ColumnSpec, Findings, Table

SAMPLE = 4000
"""Rows looked at to know what a column holds that is not read [-]."""


@dataclass
class Export:
    """Columns of one export."""

    columns: dict[str, pd.Series]
    lines: np.ndarray
    decimal: str
    other_lines: int
    header: list[str]
    source_lines: Lines | None = None
    places: dict[str, int] = field(default_factory=dict)
    delimiter: str = ","
    header_line: int | None = None
    sample: list[list[str]] = field(default_factory=list)

    def cell(self, name: str, row: int) -> str:
        """Text of one cell as written."""
        column = self.columns[name]
        if not pd.api.types.is_float_dtype(column.dtype):
            return str(column.iloc[row])
        assert self.source_lines is not None
        line = self.source_lines[self.lines[row] - 1].rstrip("\r")
        cells = next(csv.reader([line], delimiter=self.delimiter, skipinitialspace=True), [])
        place = self.places[name]
        return cells[place] if place < len(cells) else ""


def read_export(
    path: str | Path,
    findings: Findings,
    *,
    text_columns: Sequence[str],
    value_columns: Mapping[str, ColumnSpec],
    sheet: str | None = None,
    decimal: str | None = None,
    missing_words: frozenset[str] = frozenset(),
    shape: Shape | None = None,
    labels: Sequence[str] = (),
    stamp: str = "instant",
) -> Export:
    """Columns of one export; of a table of another shape, once it is one row for each time."""
    values = [spec.name for spec in value_columns.values()]
    expected = list(dict.fromkeys([*text_columns, *values]))
    export = None
    if shape is not None:
        stated = [*labels, *filter(None, (shape.tag, shape.value, shape.unit))]
        table = table_of(path, findings, sheet=sheet, expected=stated, decimal=decimal)
        findings.raise_if_refused()
        further = [name for name in text_columns if name not in labels and shape.tag]
        table = tidied(table, shape, labels, values[0], further, stamp, findings)
        export = _of_table(table, findings, expected)
    elif not str(path).lower().endswith((".xlsx", ".xlsm")):
        quick = Quick(path, findings, expected, set(values), decimal, missing_words)
        export = quick.read()
    if export is None:
        table = table_of(path, findings, sheet=sheet, expected=expected, decimal=decimal)
        export = _of_table(table, findings, expected)
        export.sample = table.rows
    if shape is None:
        line = export.header_line or 1
        refuse_shape(export.header, values, line, findings)
        refuse_mixture(export.header, export.sample, expected, value_columns, line, findings)
    _check_units(export, value_columns, findings)
    return export


def _of_table(table: Table, findings: Findings, expected: Sequence[str]) -> Export:
    findings.raise_if_refused()
    columns = {}
    for name in expected:
        place = column_place(table, name, findings)
        columns[name] = pd.Series([row[place] for row in table.rows], dtype="str")
    other = sum(count for what, count in table.counts.items() if what != "rows")
    header = [*table.header]
    export = Export(columns, np.array(table.lines), table.decimal, other, header)
    export.places = {name: column_place(table, name, findings) or 0 for name in expected}
    export.header_line = table.header_line
    if table.units:
        export.header = [
            f"{name} ({unit})" if unit else name
            for name, unit in zip(table.header, [*table.units, *[""] * len(header)], strict=False)
        ]
    return export


class Quick:
    """The quick way: one pass of the data library's parser over a regular text file."""

    def __init__(
        self,
        path: str | Path,
        findings: Findings,
        expected: Sequence[str],
        values: set[str],
        decimal: str | None,
        missing_words: frozenset[str],
    ):
        self.path, self.findings, self.expected, self.values = path, findings, expected, values
        self.decimal, self.missing_words = decimal, missing_words
        self.text = ""
        self.unnamed: tuple[int, int] | None = None

    def read(self) -> Export | None:
        """The export, or None where the file is not regular and must be read line by line."""
        source = open_source(self.path, self.findings)
        if source.book:
            return None
        self.text = source.text.removeprefix("\ufeff")
        self.source_lines = Lines(self.text)
        layout, decimal = self._layout()
        if layout is None or decimal is None:
            return None
        places = {name: match_name(name, layout.header) for name in self.expected}
        if any(place is None for place in places.values()):
            return None
        known = {name: int(place or 0) for name, place in places.items()}
        frame = self._parse(layout, known, decimal, self.values)
        if frame is None:
            frame = self._parse(layout, known, decimal, set())
        lines = None if frame is None else self._lines(layout.first_index, len(frame))
        if frame is None or lines is None or not len(frame):
            return None
        if self.unnamed:
            warn_unnamed(*self.unnamed, self.findings)
        frame, lines = self._without_notes(frame, lines, layout)
        columns = {name: frame[place] for name, place in known.items()}
        other = len(self.source_lines) - len(frame)
        header = list(layout.header)
        for place, unit in enumerate(layout.units[: len(header)]):
            header[place] += f" ({unit})" if unit else ""
        return Export(
            columns,
            lines,
            decimal,
            other,
            header,
            self.source_lines,
            known,
            layout.delimiter,
            max(layout.header_index, 0) + 1,
            self._sample(layout),
        )

    def _sample(self, layout: Layout) -> list[list[str]]:
        """Some rows from first to last, where a column that is not read may be of use."""
        known = set(self.expected)
        if all(name in known for name in layout.header if name):
            return []
        lines, first = self.source_lines, layout.first_index
        places = [*range(first, HEAD), *range(HEAD, len(lines), max(len(lines) // SAMPLE, 1))]
        chosen = [lines[place] for place in places if place < len(lines)]
        return split_rows("\n".join(chosen), layout.delimiter)

    def _layout(self) -> tuple[Layout | None, str | None]:
        head = list(islice(io.StringIO(self.text), HEAD))
        delimiter = find_delimiter(head)
        try:
            rows = split_rows("".join(head), delimiter)
        except csv.Error:
            return None, None
        if len(rows) != len(head) or "\r" in self.text[:100_000].replace("\r\n", ""):
            return None, None
        layout = find_layout(rows, self.expected, delimiter)
        if layout is None or layout.data_above:
            return None, None
        stated = rows[layout.header_index] if layout.header_rows else layout.header
        if self._uneven(layout, len(stated)):
            return None, None
        named = max((n + 1 for n, cell in enumerate(layout.header) if cell), default=0)
        if any(cell.strip() for row in rows[layout.first_index :] for cell in row[named:]):
            self.unnamed = (named, len(layout.header))
        decimal = self.decimal
        if decimal is None:
            decimal = decimal_mark(cell for row in rows[layout.first_index :] for cell in row)
        return layout, decimal

    def _uneven(self, layout: Layout, stated: int) -> bool:
        """Whether rows are wider than the header as written, so that each must be looked at."""
        lines, first = self.source_lines, layout.first_index
        plain = lines.ends[first:] - lines.starts[first:] > 1
        if '"' in self.text:
            plain &= lines.counts('"', first) == 0
        widths = np.unique(lines.counts(layout.delimiter, first)[plain]) + 1
        if widths.max(initial=0) <= stated:
            return False
        some = [lines[first + place] for place in np.flatnonzero(plain)[:50]]
        return len(widths) > 1 or all(cut_number(line.split(layout.delimiter)) for line in some)

    def _parse(
        self, layout: Layout, places: dict[str, int], decimal: str, numeric: set[str]
    ) -> pd.DataFrame | None:
        marks = [
            way(word) for word in self.missing_words for way in (str, str.upper, str.capitalize)
        ]
        marks += ["NaN", "N/A", "No Data", "No data"] if "nan" in self.missing_words else []
        floats = {place for name, place in places.items() if name in numeric}
        used = sorted(set(places.values()))
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error", pd.errors.ParserWarning)
                return pd.read_csv(
                    io.BytesIO(self.text.encode()),
                    sep=layout.delimiter,
                    header=None,
                    skiprows=layout.first_index,
                    names=list(range(len(layout.header))),
                    usecols=used,
                    index_col=False,
                    dtype={place: "float64" if place in floats else "str" for place in used},
                    na_values={place: marks for place in floats},
                    keep_default_na=False,
                    decimal=decimal,
                    skipinitialspace=True,
                )
        except (ValueError, OverflowError, Warning):  # faults are located line by line
            return None

    def _without_notes(
        self, frame: pd.DataFrame, lines: np.ndarray, layout: Layout
    ) -> tuple[pd.DataFrame, np.ndarray]:
        """Leave out comments and repeated headers where they stand among rows read as text."""
        if any(dtype == "float64" for dtype in frame.dtypes):
            return frame, lines
        first = frame[frame.columns[0]].fillna("").str.lstrip()
        keep = ~first.str.startswith("#").to_numpy(dtype=bool)
        words = np.flatnonzero(~first.str.contains(r"\d").to_numpy(dtype=bool) & keep)
        again = -1
        for row in words:
            line = self.source_lines[lines[row] - 1]
            cells = next(csv.reader([line], delimiter=layout.delimiter, skipinitialspace=True), [])
            kind = layout.kind(cells, again == row - 1 and again >= 0)
            again = int(row) if kind == "header" else -1
            keep[row] = not kind
            if kind == "other units":
                refuse_header(cells, int(lines[row]), layout, self.findings)
        return frame[keep].reset_index(drop=True), lines[keep]

    def _lines(self, first: int, rows: int) -> np.ndarray | None:
        """Line of each row; None where quoted cells run over lines."""
        physical = len(self.source_lines)
        if physical == first + rows:
            return np.arange(first + 1, first + rows + 1)
        filled = [n + 1 for n in range(first, physical) if self.source_lines[n].strip()]
        return np.array(filled) if len(filled) == rows else None


def _check_units(
    export: Export, value_columns: Mapping[str, ColumnSpec], findings: Findings
) -> None:
    """Where the file itself names a unit, it must be the one the case states."""
    for role, spec in value_columns.items():
        place = export.places.get(spec.name)
        if place is not None and place < len(export.header):
            heading = Heading(export.header[place], export.header_line, spec.name)
            heading.check(spec.unit, ROLES[role], spec.because, findings)
