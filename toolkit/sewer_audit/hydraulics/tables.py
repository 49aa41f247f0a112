"""Coefficient tables: CSV files beside this module, every row with its source."""

from __future__ import annotations

import csv
from functools import cache
from importlib import resources
from typing import Any

__all__ = ["rows_of"]


@cache
def rows_of(table: str) -> tuple[dict[str, Any], ...]:
    """Rows of one coefficient table.

    Parameters
    ----------
    table : str
        Name of the file in ``data`` without its ending [text].

    Returns
    -------
    tuple of dict
        Column name to float where the cell is a number, else to text; empty cells are None [-].
    """
    file = resources.files("sewer_audit.hydraulics").joinpath("data", f"{table}.csv")
    with file.open(encoding="utf-8", newline="") as stream:
        lines = (line for line in stream if not line.startswith("#"))
        return tuple({k: _value(v) for k, v in row.items()} for row in csv.DictReader(lines))


def _value(cell: str) -> float | str | None:
    if cell is None or not cell.strip():
        return None
    try:
        return float(cell)
    except ValueError:
        return cell.strip()
