"""Whether the numbers of an export can be what the case says they are."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sewer_audit.records.merge import Rows
from sewer_audit.records.model import Findings

SENTINELS = np.array(
    [
        sign * whole / 10.0**places
        for whole, signs in (
            *((10**digits - 1, (1, -1)) for digits in range(3, 7)),
            *((2**bits - 1, (1, -1)) for bits in (15, 16, 31)),
            *((2**bits, (-1,)) for bits in (15, 16, 31)),
            *((whole, (1, -1)) for whole in (7777, 8888)),
        )
        for places in range(4)
        for sign in signs
    ]
    + [-99.0]
)
"""All nines, ends of binary ranges, repeated digits, with the point anywhere: numbers written where
there is no value (common practice, no source)."""

FACTORS = {
    10.0: "mm and cm",
    100.0: "cm and m",
    1000.0: "mm and m",
    12.0: "in and ft",
    25.4: "mm and in",
    2.54: "cm and in",
    30.48: "cm and ft",
    304.8: "mm and ft",
    39.37: "in and m",
}
"""Ratios between units of length in common use."""


def compare_files(parts: list[Rows], findings: Findings) -> None:
    """Note files whose usual value differs from the others' by the ratio of two units.

    Units: parts [SI].
    """
    if len(parts) < 2:
        return
    for role in parts[0].values:
        medians = [_median(part.values[role]) for part in parts]
        if not np.isfinite(medians).any():
            continue
        usual = np.nanmedian(medians)
        first = next(value for value in medians if np.isfinite(value))
        base = usual if len(parts) > 2 else first
        for number, value in enumerate(medians, start=1):
            ratio = max(value / base, base / value) if value > 0 and base > 0 else 1.0
            for factor, units in FACTORS.items():
                if factor >= 9 and abs(np.log(ratio / factor)) < 0.1:
                    findings.flag(
                        "unit may differ between files",
                        f"the usual {role.replace('_', ' ')} of file {number} differs from the "
                        f"others' by a factor of {ratio:.3g}, about that between {units}: state "
                        "the unit of each file",
                        file=number,
                        role=role,
                        ratio=float(ratio),
                    )
                    break


def _median(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def ask_marks(
    name: str,
    numbers: np.ndarray,
    lines: np.ndarray,
    spared: Sequence[float],
    findings: Findings,
) -> None:
    """Ask about numbers that loggers write where there is no value, where one recurs by itself.

    By itself: three times or more, and five times as often as all within a hundredth of it. Any
    other number that recurs far from all others is told.
    """
    known = numbers[np.isfinite(numbers)]
    among = SENTINELS[(known.min(initial=0) <= SENTINELS) & (known.max(initial=0) >= SENTINELS)]
    hits = known[np.isin(known, among)] if len(among) else known[:0]
    for value, times in zip(*np.unique(hits, return_counts=True), strict=True):
        near = (np.abs(known - value) <= 0.01 * abs(value)).sum() - times
        if times < 3 or near > times / 5 or value in spared:
            continue
        first = int(np.flatnonzero(numbers == value)[0])
        findings.add(
            f"{value:g} stands {times:,} times in the column and nothing else near it: it may mark "
            "a missing value",
            f"If it does, write missing_marks = ['{value:g}']; if it is a reading, write "
            f"not_missing = ['{value:g}']",
            line=int(lines[first]),
            column=name,
            code="missing mark",
        )
    if len(known) < 20:
        return
    middle = np.median(known)
    for extreme in {known.min(), known.max()} - {*spared, *hits}:
        times = int((known == extreme).sum())
        rest = known[known != extreme]
        if times < 3 or times > 0.5 * len(known) or len(rest) < 10:
            continue
        spread = np.quantile(rest, 0.95) - np.quantile(rest, 0.05)
        away = np.abs(rest - extreme).min()
        if away > 5 * max(spread, 1e-9) and abs(extreme) > 5 * max(abs(middle), 1e-9):
            findings.flag(
                "a number that may mark a missing value",
                f"{extreme:g} stands {times} times in column {name!r}, far from every other value: "
                "if it marks a missing value, add it to missing_marks",
                column=name,
                value=float(extreme),
                times=times,
            )
