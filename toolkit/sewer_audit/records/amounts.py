"""Amounts written down by date: manifests, shipments, loads of laundry, rain of a gauge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from sewer_audit.errors import Flag, Problem
from sewer_audit.records.clock.moments import read_moments
from sewer_audit.records.clock.zones import zone_of
from sewer_audit.records.files.headings import check_heading
from sewer_audit.records.files.numbers import parse_float
from sewer_audit.records.files.tables import column_place, table_of
from sewer_audit.records.model import Findings
from sewer_audit.units import to_si

NOON = "12:00"
"""Local time of an entry of which only the date is written."""


@dataclass(frozen=True)
class AmountRecord:
    """Dated amounts.

    Parameters
    ----------
    frame : DataFrame
        time (UTC), amount [SI], line [-].
    problems : tuple of Problem
        Warnings [-].
    flags : tuple of Flag
        What a reader of the result must know [-].
    dimension : str
        What was written down: "volume", "mass" or "length" [text].
    """

    frame: pd.DataFrame
    problems: tuple[Problem, ...]
    flags: tuple[Flag, ...]
    dimension: str


def read_amounts(
    path: str | Path,
    *,
    zone: str,
    unit: str,
    dimension: str,
    columns: Mapping[str, str] | None = None,
    day_first: bool | None = None,
    decimal: str | None = None,
    sheet: str | None = None,
    shown_as: str | None = None,
    because: str = "",
) -> AmountRecord:
    """Read a table of dated amounts.

    Parameters
    ----------
    path : str or Path
        CSV or XLSX file with the columns time and amount [-].
    zone : str
        Time zone of the dates, IANA name or fixed offset [text].
    dimension : str
        One of `sewer_audit.units.DIMENSIONS` [text].
    columns : mapping of str to str, optional
        Our column name (time, amount) to the file's [text].
    because : str
        How it is known that another unit, which the file itself names, is wrong [text].

    Raises
    ------
    InputRefused
        With every problem: dates or numbers that cannot be read, amounts below zero.
    """
    findings = Findings(shown_as or Path(path).name)
    name = {key: (columns or {}).get(key, key) for key in ("time", "amount")}
    table = table_of(path, findings, sheet=sheet, expected=[*name.values()], decimal=decimal)
    findings.raise_if_refused()
    at = [column_place(table, name[key], findings) for key in ("time", "amount")]
    check_heading(table, at[1], unit, dimension, because, findings)
    findings.raise_if_refused()
    moments = read_moments(
        [row[at[0]] for row in table.rows],
        table.lines,
        zone_of(zone),
        findings,
        column=name["time"],
        day_first=day_first,
        read_hour=NOON,
    )
    amounts = np.full(len(table.rows), np.nan)
    for place, (row, line) in enumerate(zip(table.rows, table.lines, strict=True)):
        fault, amounts[place] = _amount(row[at[1]], table.decimal)
        if fault:
            remedy = "Write a plain number, zero or more, or remove the row"
            findings.add(fault, remedy, line=line, column=name["amount"], code="number")
    frame = pd.DataFrame({"time": moments.time, "amount": amounts, "line": table.lines})
    _note_twice(frame, name["time"], findings)
    findings.raise_if_refused()
    frame["amount"] = to_si(frame["amount"].to_numpy(), unit, dimension)
    frame = frame.sort_values("time", kind="stable", ignore_index=True)
    return AmountRecord(frame, findings.summary(), tuple(findings.flags), dimension)


def _amount(text: str, decimal: str) -> tuple[str, float]:
    try:
        value = parse_float(text, decimal)
    except ValueError as error:
        return str(error), float("nan")
    return ("" if value >= 0 else f"{text.strip()} is below zero"), value


def _note_twice(frame: pd.DataFrame, column: str, findings: Findings) -> None:
    """Equal amounts of one day may be two loads or one written twice: said, not decided."""
    for place in np.flatnonzero(frame.duplicated(subset=["time", "amount"])):
        findings.warn(
            f"the same amount at the same time stands in an earlier line "
            f"({frame['amount'].iloc[place]:g}); both are counted",
            "Remove the row if it is one entry written twice",
            line=int(frame["line"].iloc[place]),
            column=column,
            code="entry twice",
        )
