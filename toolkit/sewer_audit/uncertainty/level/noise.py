"""Noise of readings with a memory: what is left of it in a sum over a month.

The noise of two readings is taken as correlated by exp(-|time between them| / time constant), a
first-order autoregression when readings are evenly spaced. Everything runs in one pass over the
readings, evenly spaced or not.
"""

from __future__ import annotations

import math

import numpy as np

from sewer_audit.errors import AuditError


def noise_variance(
    weights: np.ndarray,
    time: np.ndarray | float,
    time_constant: float | None,
    standard: float = 1.0,
) -> float:
    """Variance that the noise of the readings leaves in a weighted sum.

    Parameters
    ----------
    weights : array (readings,)
        Effect of one unit of noise of each reading on the sum [sum unit per reading unit].
    time : array (readings,) or float
        Increasing instants of the readings, or the constant step between them [s].
    time_constant : float or None
        Time in which the noise loses 63 % of its memory; None or 0 for none [s].
    standard : float
        Standard deviation of the noise of one reading [reading unit].

    Returns
    -------
    float
        Variance of the sum [sum unit squared].

    Raises
    ------
    AuditError
        If instants do not increase, forms differ or the time constant is negative.

    Notes
    -----
    With p_i = exp(-(t_i - t_(i-1)) / T) the correlated part before reading i follows
    A_i = p_i (A_(i-1) + w_(i-1)), and the variance is s^2 sum_i w_i (w_i + 2 A_i): exact, in
    time and memory proportional to the number of readings.

    References
    ----------
    JCGM 100:2008, 5.2.2 equation (13) and 4.2.7 (correlated observations); the recursion is that
    sum written for an exponential correlation.
    """
    w = np.asarray(weights, dtype=float)
    if time_constant is not None and not time_constant >= 0:
        raise AuditError(f"time constant {time_constant!r} s; zero or more")
    if np.ndim(time) == 1 and len(np.asarray(time)) != len(w):
        raise AuditError(
            f"{len(w)} weights for {len(np.asarray(time))} instants; one each expected"
        )
    if not time_constant or len(w) < 2:
        return float(standard**2 * (w @ w))
    return float(standard**2 * (w @ (w + 2.0 * _memory(w, time, time_constant))))


def _memory(w: np.ndarray, time: np.ndarray | float, time_constant: float) -> np.ndarray:
    """Sum over all earlier readings of weight times correlation with each reading."""
    step = np.diff(time) if np.ndim(time) else np.array([float(time)])
    if not np.all(step > 0):
        raise AuditError("the instants of the readings do not increase; sort them first")
    smallest, largest = float(step.min()), float(step.max())
    if largest - smallest <= 1e-9 * largest:
        kept: np.ndarray = np.array(math.exp(-largest / time_constant))
    else:
        kept = np.exp(-step / time_constant)
    if np.all(kept < 1e-12):
        return np.zeros(len(w))
    return _scan(kept, np.concatenate([[0.0], kept * w[:-1]]))


def _scan(kept: np.ndarray, term: np.ndarray) -> np.ndarray:
    """Solve a_i = kept_i a_(i-1) + term_i, with many blocks advancing side by side."""
    count = len(term)
    length = max(int(math.sqrt(count)), 1)
    blocks = -(-count // length)
    within = _by_place(term, blocks, length)
    if kept.ndim:
        decay = _by_place(np.concatenate([[0.0], kept]), blocks, length)
    else:
        decay = np.full((length, 1), float(kept))
    for place in range(1, length):
        within[place] += decay[place] * within[place - 1]
        decay[place] *= decay[place - 1]
    carried = np.zeros(blocks)
    whole = np.broadcast_to(decay[-1], (blocks,))
    for block in range(1, blocks):
        carried[block] = within[-1, block - 1] + whole[block - 1] * carried[block - 1]
    within += decay * carried
    return within.T.reshape(-1)[:count]


def _by_place(values: np.ndarray, blocks: int, length: int) -> np.ndarray:
    """Values cut into blocks, one row per place within a block."""
    padded = np.concatenate([values, np.zeros(blocks * length - len(values))])
    return np.ascontiguousarray(padded.reshape(blocks, length).T)
