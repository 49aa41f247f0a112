"""Value columns of an export: numbers, missing marks, and cells that are neither."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sewer_audit.records.files.exports import Export
from sewer_audit.records.files.numbers import odd_minus, parse_float
from sewer_audit.records.model import Findings

__all__ = ["Values", "read_values"]


@dataclass(frozen=True)
class Values:
    """Numbers of one column in the unit of the file."""

    numbers: np.ndarray
    blank: np.ndarray
    mark: np.ndarray


def read_values(
    export: Export,
    name: str,
    findings: Findings,
    missing_words: frozenset[str],
    missing_numbers: Sequence[float],
) -> Values:
    """Numbers of one column."""
    column = export.columns[name]
    if pd.api.types.is_float_dtype(column.dtype):
        numbers = column.to_numpy(dtype=float, copy=True)
        empty = np.isnan(numbers)
        blank = np.zeros(len(numbers), dtype=bool)
        for row in np.flatnonzero(empty):
            blank[row] = not export.cell(name, int(row)).strip()
    else:
        numbers, blank, empty = _from_text(export, name, findings, missing_words)
    for row in np.flatnonzero(np.isinf(numbers)):
        _unreadable(export, name, int(row), findings)
    sentinel = np.isin(numbers, np.asarray(missing_numbers, dtype=float))
    numbers[sentinel] = np.nan
    return Values(numbers, blank, (empty & ~blank) | sentinel)


def _from_text(
    export: Export, name: str, findings: Findings, missing_words: frozenset[str]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    text = export.columns[name].fillna("").str.strip()
    low = text.str.lower()
    blank = (text == "").to_numpy(dtype=bool)
    empty = blank | low.isin(missing_words).to_numpy(dtype=bool)
    plain = text.str.fullmatch(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,2})?").to_numpy(
        bool, copy=True
    )
    plain &= export.decimal == "."
    numbers = np.full(len(text), np.nan)
    numbers[plain] = text[plain].astype(float).to_numpy()
    for row in np.flatnonzero(~plain & ~empty):
        try:
            numbers[row] = parse_float(text.iloc[row], export.decimal)
        except ValueError:
            _unreadable(export, name, int(row), findings)
    rest = np.flatnonzero(~plain & ~empty)
    tell_odd_minus([(text.iloc[row], int(export.lines[row])) for row in rest], name, findings)
    return numbers, blank, empty


def tell_odd_minus(cells: Sequence[tuple[str, int]], name: str, findings: Findings) -> None:
    """Tell numbers that are below zero by brackets or a minus behind, which not all programs read.

    cells: As written, each with its line.
    """
    odd = [(text, line) for text, line in cells if odd_minus(text)]
    if odd:
        findings.flag(
            "minus behind or in brackets",
            f"{len(odd)} numbers of column {name!r} are written like {odd[0][0]!r} (line "
            f"{odd[0][1]}) and are read as below zero; if they mark no value, add them to "
            "missing_marks, or write the minus in front",
            column=name,
            line=odd[0][1],
            times=len(odd),
        )


def _unreadable(export: Export, name: str, row: int, findings: Findings) -> None:
    findings.add(
        f"{export.cell(name, row)[:40]!r} is neither a number nor a known mark of a missing value",
        "Correct the cell, or add the word to missing_marks",
        line=int(export.lines[row]),
        column=name,
        code="number",
    )
