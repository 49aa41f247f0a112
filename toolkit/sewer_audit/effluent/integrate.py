"""Time integration of unevenly spaced readings to exactly a given span.

The discharge between two neighbouring instants is taken as a straight line, and a mean over an
interval counts for that interval, so a volume is a weighted sum of the readings. Readings further
apart than the longest bridge leave a gap, which carries no weight here and is filled elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np


@dataclass(frozen=True)
class Stretch:
    """Readings that lie in one service period and between two visits.

    Units: weights [s]; covered [s].
    """

    period: int
    interval: int
    first: int
    weights: np.ndarray
    covered: float

    @property
    def readings(self) -> slice:
        """Which accepted readings these are [-]."""
        return slice(self.first, self.first + len(self.weights))


def trapezoid_weights(
    time: np.ndarray, start: float, end: float, longest_bridge: float
) -> tuple[int, np.ndarray]:
    """Weights that integrate the straight lines between readings from `start` to `end`.

    Parameters
    ----------
    time : array (readings,)
        Strictly increasing instants of the accepted readings [s].
    start, end : float
        The span; it may begin and end between readings [s].
    longest_bridge : float
        Neighbours further apart are not joined [s].

    Returns
    -------
    first : int
        Index of the first reading that carries weight [-].
    weights : array (n,)
        Weight of reading `first` and of the n - 1 after it [s].

    Notes
    -----
    On the part [L, R] of a pair that lies inside the span, the line through (t0, q0), (t1, q1)
    integrates exactly to (R - L) (q0 (1 - m) + q1 m) with m = ((L + R)/2 - t0)/(t1 - t0).

    References
    ----------
    Trapezoidal rule: any numerical analysis text; here exact for the stated straight lines.
    """
    if len(time) < 2 or end <= start:
        return 0, np.zeros(0)
    low = max(int(np.searchsorted(time, start, side="right")) - 1, 0)
    high = min(int(np.searchsorted(time, end, side="left")), len(time) - 1)
    if high <= low:
        return low, np.zeros(0)
    knots = time[low : high + 1]
    step = np.diff(knots)
    left = np.maximum(knots[:-1], start)
    right = np.minimum(knots[1:], end)
    length = np.where(step <= longest_bridge, np.maximum(right - left, 0.0), 0.0)
    share = ((left + right) / 2 - knots[:-1]) / step
    weights = np.zeros(len(knots))
    weights[:-1] += length * (1 - share)
    weights[1:] += length * share
    return low, weights


def cells(
    time: np.ndarray, width: np.ndarray, longest_bridge: float
) -> tuple[np.ndarray, np.ndarray]:
    """Begin and end of what each mean counts for; a short loss is shared by its neighbours.

    Units: time [s]; width [s]; longest_bridge [s]; returns [s].
    """
    left, right = time - width / 2, time + width / 2
    open_time = left[1:] - right[:-1]
    join = open_time <= longest_bridge  # overlaps too: nothing counts twice
    middle = (left[1:] + right[:-1]) / 2
    right[:-1] = np.where(join, middle, right[:-1])
    left[1:] = np.where(join, middle, left[1:])
    return left, right


def _mean_weights(
    edges: tuple[np.ndarray, np.ndarray], start: float, end: float
) -> tuple[int, np.ndarray]:
    """Seconds of every mean's interval that lie inside the span."""
    left, right = edges
    low = int(np.searchsorted(right, start, side="right"))
    high = int(np.searchsorted(left, end, side="left"))
    inside = np.minimum(right[low:high], end) - np.maximum(left[low:high], start)
    return low, np.maximum(inside, 0.0)


def stretches(
    time: np.ndarray,
    periods: np.ndarray,
    visits: np.ndarray,
    longest_bridge: float,
    width: np.ndarray | None = None,
) -> list[Stretch]:
    """Cut the record at the instants of the invoices and of the visits.

    Parameters
    ----------
    time : array (readings,)
        Strictly increasing instants of the accepted readings [s].
    periods : array (periods, 2)
        Half-open service periods [s].
    visits : array (visits,)
        Increasing instants of the visits [s].
    longest_bridge : float
        Neighbours further apart are not joined [s].
    width : array (readings,), optional
        How long an interval each reading is the mean of; instants if left out [s].

    Returns
    -------
    list of Stretch
        In order of periods; empty stretches are left out [-].
    """
    found = []
    edges_of = None if width is None else cells(time, width, longest_bridge)
    for period, (start, end) in enumerate(periods):
        inside = visits[(visits > start) & (visits < end)]
        edges = [start, *inside, end]
        for left, right in pairwise(edges):
            interval = int(np.searchsorted(visits, left, side="right"))
            if edges_of is None:
                first, weights = trapezoid_weights(time, left, right, longest_bridge)
            else:
                first, weights = _mean_weights(edges_of, left, right)
            covered = float(weights.sum())
            if covered > 0:
                found.append(Stretch(period, interval, first, weights, covered))
    return found


def find_gaps(
    time: np.ndarray,
    start: float,
    end: float,
    longest_bridge: float,
    width: np.ndarray | None = None,
) -> np.ndarray:
    """Parts of a span that neither a straight line between readings nor a mean covers.

    Units: time [s]; start, end [s]; longest_bridge [s]; width [s]; returns [s].
    """
    if len(time) == 0:
        return np.array([[start, end]])
    begins, ends = (time, time) if width is None else cells(time, width, longest_bridge)
    wide = np.flatnonzero(begins[1:] - ends[:-1] > longest_bridge)
    left = np.concatenate([[-np.inf], ends[wide], ends[-1:]])
    right = np.concatenate([begins[:1], begins[wide + 1], [np.inf]])
    left, right = np.maximum(left, start), np.minimum(right, end)
    keep = right > left
    return np.column_stack([left[keep], right[keep]])
