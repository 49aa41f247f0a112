"""The register of sources: every figure of a table or a default points to rows of ``sources.csv``.

A row is what was taken from one place of one document, and how: read there, from its abstract, from
memory, as common practice, by judgement, or computed.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Any

GRADES = ("read", "abstract", "computed", "common practice", "judgement", "memory")
"""How a figure was taken, the firmest first [text]."""
LOOSE = ("common practice", "judgement", "memory")
"""Grades that nobody can look up [text]."""
STATED = "stated"
"""Grade of what the case states, which its own source answers for [text]."""
SAID = {"read": "read", "abstract": "abstract read", "memory": "from memory"}


@dataclass(frozen=True)
class Source:
    """One row of the register."""

    id: str
    citation: str
    edition: str
    address: str
    read_on: str
    page: str
    grade: str
    superseded_by: str

    def __str__(self) -> str:
        said = ", ".join(part for part in (self.citation, self.edition, self.page) if part)
        return f"{said} ({SAID[self.grade]})" if self.grade in SAID else said


@cache
def register() -> Mapping[str, Source]:
    """Every source by its id.

    Returns
    -------
    mapping
        Id to its row, in the order of the table [text].
    """
    text = resources.files("sewer_audit").joinpath("sources.csv").read_text("utf-8")
    return {row["id"]: Source(**row) for row in csv.DictReader(text.splitlines())}


def named(ids: str) -> list[Source]:
    """The rows that a cell of ids, parted by semicolons, points to."""
    return [register()[each.strip()] for each in ids.split(";")]


def cite(ids: str, text: str = "") -> str:
    """What a reader is told of some sources.

    Parameters
    ----------
    ids : str
        Ids of the register, parted by semicolons [text].
    text : str
        What the figure says, told before its sources [text].
    """
    said = "; ".join(str(source) for source in named(ids))
    return f"{text}; {said}" if text else said


def grade_of(ids: str) -> str:
    """The least firm grade among some sources."""
    return max((source.grade for source in named(ids)), key=GRADES.index)


def sourced_rows(file: Traversable) -> tuple[dict[str, Any], ...]:
    """Rows of a table whose last column points to the register.

    Parameters
    ----------
    file : path
        CSV with a column ``source`` of ids; lines that begin with # are passed over [-].

    Returns
    -------
    tuple of dict
        Column name to float where the cell is a number, else to text; empty cells are None; the
        source in full, with its grade [-].
    """
    lines = (line for line in file.read_text("utf-8").splitlines() if not line.startswith("#"))
    return tuple(
        with_source({key: _value(cell) for key, cell in row.items()})
        for row in csv.DictReader(lines)
    )


def with_source(row: dict[str, Any]) -> dict[str, Any]:
    """The same row with its source in full and the grade of it.

    Parameters
    ----------
    row : dict
        A row whose ``source`` holds ids of the register [-].

    Returns
    -------
    dict
        With ``source`` in words and ``grade`` [text].
    """
    ids = row["source"]
    return {**row, "source": cite(ids), "grade": grade_of(ids)}


def _value(cell: str) -> float | str | None:
    if cell is None or not cell.strip():
        return None
    try:
        return float(cell)
    except ValueError:
        return cell.strip()
