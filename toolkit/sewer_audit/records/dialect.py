"""How a text file separates its cells, where its header stands and where its data begin."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Layout", "find_layout", "match_name", "normalise", "split_rows"]

HEAD = 200
"""Physical lines looked at to find the header [-]."""

DELIMITERS = (",", ";", "\t", "|")
_NUMBER = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?%?")
_HAS_DIGIT = re.compile(r"\d")


@dataclass(frozen=True)
class Layout:
    """Where things stand in a table of text."""

    delimiter: str
    header_index: int
    first_index: int
    header: list[str]
    units: list[str]
    data_above: tuple[int, ...] = ()


def normalise(name: str) -> str:
    """A column name with its spaces and case made even.

    Parameters
    ----------
    name : str
        As the file has it [text].

    Returns
    -------
    str
        Lower case, single spaces [text].
    """
    return " ".join(name.replace("\ufeff", "").replace("\u00a0", " ").split()).casefold()


def match_name(wanted: str, header: Sequence[str]) -> int | None:
    """Place of a column in a header, or None.

    Parameters
    ----------
    wanted : str
        Name as the case states it [text].
    header : sequence of str
        Names as the file has them [text].

    Returns
    -------
    int or None
        Place of the only column of that name, exact spelling first [-].
    """
    exact = [place for place, name in enumerate(header) if name.strip("\ufeff ") == wanted.strip()]
    if exact:
        return exact[0] if len(exact) == 1 else None
    even = [place for place, name in enumerate(header) if normalise(name) == normalise(wanted)]
    return even[0] if len(even) == 1 else None


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

    Returns
    -------
    str
        One of comma, semicolon, tab and bar [text].
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
    index = _by_names(rows, expected) if expected else None
    if index is None:
        index = _by_shape(rows)
    if index is None:
        return None
    header = [cell.replace("\ufeff", "").strip() for cell in rows[index]]
    header += [""] * (width - len(header))
    first, units = index + 1, []
    while unit_rows and first < len(rows) and _is_unit_row(rows, first):
        units = units or [cell.strip() for cell in rows[first]]
        first += 1
    shape = _shape(rows[first]) if first < len(rows) else ()
    above = tuple(
        place for place in range(index) if shape and "d" in shape and _shape(rows[place]) == shape
    )
    return Layout(delimiter, index, first, header, units, above)


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


def _by_names(rows: Sequence[Sequence[str]], expected: Sequence[str]) -> int | None:
    wanted = {normalise(name) for name in expected}
    scores = [len(wanted & {normalise(cell) for cell in row}) for row in rows]
    best = max(scores, default=0)
    return scores.index(best) if best > 0 else None


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
        if any(_NUMBER.fullmatch(cell.strip()) for cell in filled):
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
