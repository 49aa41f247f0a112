"""How the intake ran during a gap, against its own usual week: what a gap's filling can follow."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

BETTER = 0.9
"""The intake is followed where hold-out gaps then err by less than this share of before [-]; the
better of two errors is a little too small by chance alone."""


def intake_course(
    edges: np.ndarray,
    registers: Sequence[tuple[np.ndarray, np.ndarray]],
    bin_of_hour: np.ndarray,
) -> np.ndarray | None:
    """Intake of every hour over the usual intake of that hour of the week.

    bin_of_hour: Hour of the week, 0 to 167, of each hour.

    Notes
    -----
    Between two reads the register is a straight line, so weekly reads give the course of weeks
    only. Whether that helps is decided by hold-out gaps, not here.
    """
    if not registers:
        return None
    volume = np.zeros(len(edges) - 1)
    for time, cumulative in registers:
        known = np.isfinite(time) & np.isfinite(cumulative)
        if known.sum() < 2:
            return None
        read = np.interp(edges, time[known], cumulative[known], left=np.nan, right=np.nan)
        volume = volume + np.diff(read)
    good = np.isfinite(volume)
    if not good.any():
        return None
    hours = np.bincount(bin_of_hour[good], minlength=168)
    total = np.bincount(bin_of_hour[good], volume[good], 168)
    usual = np.where(hours > 0, total / np.maximum(hours, 1), np.nan)[bin_of_hour]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(usual > 0, volume / usual, np.nan)


def followed(
    course: np.ndarray | None,
    pattern: np.ndarray,
    seconds: np.ndarray,
    hours: slice,
    beside: Sequence[tuple[slice, np.ndarray]],
) -> float:
    """Factor on the filling of a gap that follows the intake.

    Units: seconds [s].

    float: Intake over usual in the gap, relative to the same around it; 1 where it is not
    known.
    """
    if course is None:
        return 1.0
    here = _mean(course[hours], pattern[hours] * seconds)
    parts = [(course[place][use], pattern[place][use]) for place, use in beside]
    if not parts:
        return 1.0
    around = _mean(*(np.concatenate(column) for column in zip(*parts, strict=True)))
    return here / around if np.isfinite(here + around) and around > 0 else 1.0


def _mean(values: np.ndarray, weights: np.ndarray) -> float:
    total = float(np.sum(weights))
    return float(np.sum(values * weights)) / total if total > 0 else float("nan")
