"""How many draws are enough for every figure of a result at once."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from toolkit.errors import AuditError
from toolkit.uncertainty.draws import Draws
from toolkit.uncertainty.intervals import coverage_interval
from toolkit.uncertainty.montecarlo import numerical_tolerance, smallest_block

__all__ = ["Stability", "draws_until_stable"]


@dataclass(frozen=True)
class Stability:
    """Number of draws after which the figures to be printed no longer change.

    Parameters
    ----------
    draws : int
        Number found [-].
    stable : bool
        False if the largest number of draws was reached first [-].
    digits : int
        Significant digits of the standard uncertainty that are stable [-].
    worst : float
        Twice the largest standard deviation of a figure over its tolerance; at most 1 if stable
        [-].
    """

    draws: int
    stable: bool
    digits: int
    worst: float


def draws_until_stable(
    sample: Callable[[Draws], np.ndarray],
    seed: int,
    coverage: float = 0.95,
    digits: int = 1,
    most_draws: int = 1_000_000,
) -> Stability:
    """Take blocks of draws until all figures of all results are stable.

    Parameters
    ----------
    sample : callable
        From `Draws` to draws of several results (draws, results) [result unit].
    seed : int
        Seed; blocks are independent streams of it [-].
    coverage : float
        Probability of the intervals [-].
    digits : int
        Significant digits of each standard uncertainty to be stable, 1 or 2 [-].
    most_draws : int
        Where to stop in any case [-].

    Returns
    -------
    Stability
        The number of draws; nothing of the draws is kept [-].

    Raises
    ------
    AuditError
        If a draw is not finite or the settings make no sense.

    Notes
    -----
    For every result and each of mean, standard uncertainty, low and high end y, after h blocks:
    s_y^2 = sum_r (y_r - mean)^2 / (h (h - 1)); done when 2 s_y is below the result's numerical
    tolerance for all of them. Results that do not vary take no part.

    References
    ----------
    JCGM 101:2008, 7.9.4; for several results at once JCGM 102:2011, 7.8 (from memory).
    """
    here = Draws(smallest_block(coverage), seed)
    figures: list[np.ndarray] = []
    while True:
        block = np.asarray(sample(here), dtype=float)
        if not np.isfinite(block).all():
            raise AuditError("a draw is not finite; the number of draws cannot be judged")
        figures.append(_figures(block, coverage))
        count = len(figures)
        worst = _worst(np.stack(figures), digits) if count > 1 else math.inf
        if worst < 1.0 or (count + 1) * here.count > most_draws:
            return Stability(count * here.count, worst < 1.0, digits, worst)
        here = here.next_block()


def _figures(block: np.ndarray, coverage: float) -> np.ndarray:
    """Mean, standard uncertainty and interval ends of every result (4, results)."""
    ends = [coverage_interval(column, coverage) for column in block.T]
    low = [float(each.low) for each in ends]
    high = [float(each.high) for each in ends]
    return np.array([block.mean(axis=0), block.std(axis=0, ddof=1), low, high])


def _worst(figures: np.ndarray, digits: int) -> float:
    spread = np.sqrt(np.mean(figures[:, 1] ** 2, axis=0))
    varies = spread > 1e-12 * np.abs(figures[:, 0]).max(axis=0)
    if not varies.any():
        return 0.0
    tolerance = np.array([numerical_tolerance(float(each), digits) for each in spread[varies]])
    errors = np.std(figures, axis=0, ddof=1) / math.sqrt(len(figures))
    return float((2.0 * errors[:, varies].max(axis=0) / tolerance).max())
