"""How a text file separates its cells, where its header stands and where its data begin."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

HEAD = 200
"""Physical lines looked at to find the header [-]."""

DELIMITERS = (",", ";", "\t", "|")
_NUMBER = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?%?")
_HAS_DIGIT = re.compile(r"\d")
_POSITION = re.compile(r"column ([1-9]\d{0,3})")
_UNIT = re.compile(r"\([^()]*\)|\[[^\[\]]*\]")


@dataclass(frozen=True)
class Layout:
    """Where things stand in a table of text."""

    delimiter: str
    header_index: int
    first_index: int
    header: list[str]
    units: list[str]
    data_above: tuple[int, ...] = ()
    header_rows: tuple[tuple[str, ...], ...] = ()

    @property
    def starts(self) -> set[str]:
        """What a repeated header may begin with [text]."""
        rows = [*self.header_rows, self.header]
        return {bare(next((cell for cell in row if cell.strip()), "")) for row in rows} - {""}

    def kind(self, cells: Sequence[str], after_header: bool = False) -> str:
        """What a line among the data is: "header", "units", "other units" than those, or ""."""
        filled = _names(cells)
        if filled and filled in [*map(_names, self.header_rows), _names(self.header)]:
            return "header"
        named = [[bare(cell) for cell in row if cell.strip()] for row in (cells, self.header)]
        if filled and named[0] == named[1]:
            return "other units"
        if after_header and filled and self.units and not any(map(_HAS_DIGIT.search, filled)):
            return "units" if filled == _names(self.units) else "other units"
        return ""


def normalise(name: str) -> str:
    """A column name with its spaces and case made even."""
    return " ".join(name.replace("\ufeff", "").replace("\u00a0", " ").split()).casefold()


def match_name(wanted: str, header: Sequence[str]) -> int | None:
    """Place of a column in a header, or None.

    Parameters
    ----------
    header : sequence of str
        Names as the file has them [text].

    Returns
    -------
    int or None
        Place of the only column of that name, exact spelling first; "column 3" is the third where
        no heading is called so [-].
    """
    exact = [place for place, name in enumerate(header) if name.strip("\ufeff ") == wanted.strip()]
    if exact:
        return exact[0] if len(exact) == 1 else None
    even = [place for place, name in enumerate(header) if normalise(name) == normalise(wanted)]
    if even:
        return even[0] if len(even) == 1 else None
    place = position(wanted)
    return place if place is not None and place < len(header) else None


def position(name: str) -> int | None:
    """Place that "column 3" names where no heading has that name, counted from none; or None."""
    match = _POSITION.fullmatch(name.strip())
    return int(match[1]) - 1 if match else None


def split_rows(text: str, delimiter: str) -> list[list[str]]:
    """Cells of every physical row of a small text."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    return list(reader)


def find_delimiter(lines: Sequence[str]) -> str:
    """Sign that cuts most lines into the same number of cells, two or more.

    Parameters
    ----------
    lines : sequence of str
        First lines of a file [text].
    """
    best, best_score = ",", (0.0, 0)
    for delimiter in DELIMITERS:
        counts = Counter(_cells(line, delimiter) for line in lines if line.strip())
        counts.pop(1, None)
        if not counts:
            continue
        width, times = max(counts.items(), key=lambda pair: (pair[1], pair[0]))
        # a comma inside decimal numbers cuts evenly too: the other sign wins when both cut evenly
        share = round(times / max(sum(1 for line in lines if line.strip()), 1), 1)
        score = (share, 0 if delimiter == "," else 1, width)
        if score[:2] > best_score[:2]:
            best, best_score = delimiter, score
    return best


def _cells(line: str, delimiter: str) -> int:
    if '"' not in line:
        return line.count(delimiter) + 1
    outside = re.sub(r'"[^"]*"?', "", line)
    return outside.count(delimiter) + 1


def find_layout(
    rows: Sequence[Sequence[str]],
    expected: Sequence[str] = (),
    delimiter: str = "",
    unit_rows: bool = True,
) -> Layout | None:
    """Find header, unit rows and first data row among the first rows of a table."""
    width = max((len(row) for row in rows), default=0)
    named = [name for name in expected if position(name) is None]
    index, depth, header = _by_names(rows, named) if named else (None, 1, [])
    if index is None:
        index = _by_shape(rows)
        header = [] if index is None else list(rows[index])
    if index is None and expected and not named:
        return _without_header(rows, width, delimiter)
    if index is None:
        return None
    header = [cell.replace("\ufeff", "").strip() for cell in header]
    header += [""] * (width - len(header))
    first, units = index + 1, []
    while unit_rows and first < len(rows) and _is_unit_row(rows, first):
        units = units or [cell.strip() for cell in rows[first]]
        first += 1
    shape = _shape(rows[first]) if first < len(rows) else ()
    above = tuple(
        place
        for place in range(index + 1 - depth)
        if shape and "d" in shape and _shape(rows[place]) == shape
    )
    raw = tuple(tuple(row) for row in rows[index + 1 - depth : index + 1])
    return Layout(delimiter, index, first, header, units, above, raw)


def _without_header(rows: Sequence[Sequence[str]], width: int, delimiter: str) -> Layout | None:
    """A table that starts with data: its first row holds a date or two numbers."""
    header = [f"column {place}" for place in range(1, width + 1)]
    for first, row in enumerate(rows):
        shape = _shape(row)
        if (
            _width(row) > 1
            and not _blank_or_comment(row)
            and "d" in shape + ("d",) * (shape.count("n") > 1)
        ):
            return Layout(delimiter, -1, first, header, [])
    return None


def _names(cells: Sequence[str]) -> list[str]:
    return [normalise(cell) for cell in cells if cell.strip()]


def bare(cell: str) -> str:
    """A column name without the unit behind it."""
    return normalise(_UNIT.sub("", cell))


def _shape(row: Sequence[str]) -> tuple[str, ...]:
    """What kind of thing each cell holds: a date, a number, nothing or other text."""
    kinds = []
    for cell in row:
        kind = "t" if cell.strip() else ""
        if _NUMBER.fullmatch(cell.strip()):
            kind = "n"
        elif _looks_dated([cell]):
            kind = "d"
        kinds.append(kind)
    return tuple(kinds)


def _by_names(
    rows: Sequence[Sequence[str]], expected: Sequence[str]
) -> tuple[int | None, int, list[str]]:
    """Last row of the header that holds most names, how many rows it has, and its names.

    A header of two or three rows is tried only where no row alone holds every name: the names of
    its rows together, a blank cell having the name to its left or none, or the lowest alone.
    """
    wanted = {normalise(name) for name in expected}
    best, found = 0, (None, 1, [])
    for depth in (1, 2, 3) if len(rows) else ():
        for first in range(len(rows) - depth + 1):
            for header in _together(rows[first : first + depth]):
                score = len(wanted & {normalise(cell) for cell in header})
                if score > best:
                    best, found = score, (first + depth - 1, depth, header)
        if best == len(wanted):
            break
    return found


def _together(rows: Sequence[Sequence[str]]) -> list[list[str]]:
    """Ways to read several rows as one header."""
    if len(rows) == 1:
        return [list(rows[0])]
    width = max(map(len, rows))
    if any(map(_looks_dated, rows)) or any(_blank_or_comment(row) for row in rows):
        return []
    even = [[cell.strip() for cell in row] + [""] * (width - len(row)) for row in rows]
    carried = [
        list(accumulate(row, lambda before, cell: cell or before)) for row in even[:-1]
    ] + even[-1:]
    ways = [list(zip(*each, strict=True)) for each in (even, carried)]
    lowest = [next((cell for cell in reversed(column) if cell), "") for column in ways[0]]
    return [*([" ".join(filter(None, column)) for column in way] for way in ways), lowest]


def _by_shape(rows: Sequence[Sequence[str]]) -> int | None:
    """First row of the usual width without numbers, followed by a row with numbers."""
    widths = Counter(_width(row) for row in rows if _width(row) > 1)
    if not widths:
        return None
    usual = max(widths.items(), key=lambda pair: (pair[1], pair[0]))[0]
    for index, row in enumerate(rows):
        if _blank_or_comment(row) or _width(row) < max(2, usual - 1):
            continue
        filled = [cell for cell in row if cell.strip()]
        if any(_NUMBER.fullmatch(cell.strip()) for cell in filled) or _looks_dated(filled):
            return None
        return index
    return None


def _width(row: Sequence[str]) -> int:
    return max((place + 1 for place, cell in enumerate(row) if cell.strip()), default=0)


def _blank_or_comment(row: Sequence[str]) -> bool:
    filled = [cell.strip() for cell in row if cell.strip()]
    return not filled or filled[0].startswith("#")


def _is_unit_row(rows: Sequence[Sequence[str]], index: int) -> bool:
    """A row under the header that holds no number where the rows after it hold numbers or dates."""
    row = rows[index]
    if _blank_or_comment(row):
        return True
    if any(_NUMBER.fullmatch(cell.strip()) for cell in row):
        return False
    if re.search(r"\d[-/.:]\d", row[0] if row else ""):
        return False
    later = [r for r in rows[index + 1 : index + 6] if not _blank_or_comment(r)]
    return any(_HAS_DIGIT.search(cell) for r in later for cell in r) and not _looks_dated(row)


def _looks_dated(row: Sequence[str]) -> bool:
    return any(re.search(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|\d:\d\d", cell) for cell in row)
