"""What marks inside a record say for a cause that predicts them, beside one that does not."""

from __future__ import annotations

import numpy as np

from sewer_audit.explanations.acts.states import Estimates, gaussian
from sewer_audit.explanations.observations import Observations

TAILS = ((1.0, 0.9), (5.0, 0.1))
"""A stated uncertainty of a mark is too small by this factor, with this weight (judgement)."""
BROAD = 0.15
"""Size of a mark that a cause on no list may leave (judgement) [-]."""
LEVELS = {"velocity at low depth": 0.06}
"""Standard deviation of the level of a course that usually lies at nothing (judgement) [-]."""
LEAST_COURSE = 0.01
"""Standard deviation of such a course from one interval to the next, at least (judgement) [-]."""
DRIFT = (0.02, 60.0)
"""Standard deviation of its drift without a cause, and how long that lasts (judgement) [-, d]."""
MOST_TOLD = 7.0
"""Log of the most that one mark may say for or against an explanation (judgement) [-]."""
WEEK = 168.0
LEAST_LAG = 4.0
"""Standard deviation of the lag of one interval, at least (judgement) [h]."""
STRAYS = 0.1
"""Share of intervals whose course of the week is another one altogether (judgement) [-]."""
MEMORY = 3.0
"""Intervals that say as much as one independent one (judgement) [-]."""
LEAST_GAP = 0.03
"""Standard deviation of the difference of quiet flows over the usual flow, at least (judgement)."""


def _log_density(away: np.ndarray, standard: np.ndarray | float) -> np.ndarray:
    parts = [
        np.log(weight) - 0.5 * (away / (scale * standard)) ** 2 - np.log(scale * standard)
        for scale, weight in TAILS
    ]
    return np.logaddexp.reduce(np.broadcast_arrays(*parts), axis=0)


def mark_told(
    observed: Observations, name: str, predicted: np.ndarray, open_: float = 0.3
) -> np.ndarray:
    """Log likelihood of a mark under what a cause predicts, over that under none.

    `open_` is the relative standard deviation of the prediction itself [-].
    """
    if name not in observed.marks:
        return np.zeros(np.shape(predicted))
    value, standard = observed.marks[name]
    spread = np.hypot(standard, open_ * np.abs(predicted))
    usual = _log_density(np.array(value), standard)
    return _bounded(_log_density(value - predicted, spread) - usual)


def course_told(observed: Observations, name: str, predicted: np.ndarray) -> np.ndarray:
    """The same for a mark told interval by interval: its level is known badly, its course well.

    Notes
    -----
    Normal, with covariance s^2 I + l^2 + d^2 exp(-|dt| / T), s from one interval to the next, l of
    `LEVELS`, d and T of `DRIFT`.
    """
    if name not in observed.courses:
        return np.zeros(len(predicted))
    known = np.isfinite(observed.courses[name])
    value = observed.courses[name][known]
    scatter = 1.05 * float(np.median(np.abs(np.diff(value)))) if len(value) > 3 else 0.0
    own = np.sqrt(MEMORY) * max(scatter, LEAST_COURSE)
    middle = (observed.starts + observed.lengths / 2)[known]
    apart = np.abs(np.subtract.outer(middle, middle))
    drift = DRIFT[0] ** 2 * np.exp(-apart / DRIFT[1])
    cov = own**2 * np.eye(len(value)) + LEVELS[name] ** 2 + drift
    expected = np.broadcast_to(predicted, (len(predicted), observed.count))[:, known]
    rest = np.concatenate([value[None, :], value - expected])
    told = gaussian(rest, cov[None], TAILS)
    return _bounded(told[1:] - told[0])


def _bounded(told: np.ndarray) -> np.ndarray:
    """No mark alone says more than its bound, whatever its stated uncertainty."""
    return MOST_TOLD * np.tanh(told / MOST_TOLD)


def marks_unlisted(observed: Observations) -> float:
    """The same for a cause that is on no list: it may leave any mark, or none."""
    told = 0.0
    for value, standard in observed.marks.values():
        usual = _log_density(np.array(value), standard)
        other = _log_density(np.array(value), np.hypot(standard, BROAD))
        told += float(np.logaddexp(usual, other) - np.log(2.0) - usual)
    return float(_bounded(np.array(told))) / 2  # a cause that predicts the mark is the likelier


def _turned(hours: np.ndarray) -> np.ndarray:
    """Hours within half a week of nothing."""
    return (hours + WEEK / 2) % WEEK - WEEK / 2


def lag_told(observed: Observations, predicted: np.ndarray) -> np.ndarray:
    """Log likelihood of the lags of the week's course under predicted ones, over that under none.

    Units: predicted [h].

    Notes
    -----
    The usual course is the record's own, so a lag common to all intervals is not seen; the common
    one that suits best is taken off.
    """
    if observed.lag_h is None:
        return np.zeros(len(predicted))
    known = np.isfinite(observed.lag_h)
    lags = observed.lag_h[known]
    apart = np.abs(np.diff(lags))
    spread = max(LEAST_LAG, 1.5 * float(np.median(apart)))
    if spread > WEEK / 12:
        return np.zeros(len(predicted))

    def score(expected: np.ndarray) -> np.ndarray:
        rest = _turned(lags - expected)
        commons = np.unique(np.concatenate([[0.0], np.round(np.ravel(rest) / LEAST_LAG)]))
        every = []
        for common in commons * LEAST_LAG:
            away = _turned(rest - common)
            near = (1 - STRAYS) * np.exp(-0.5 * (away / spread) ** 2) / (spread * 2.507)
            every.append(np.log(near + STRAYS / WEEK).sum(axis=1))
        return np.max(every, axis=0) / MEMORY

    expected = np.broadcast_to(predicted, (len(predicted), observed.count))[:, known]
    return _bounded(score(expected) - score(np.zeros((1, len(lags)))))


def quiet_gap_told(observed: Observations, state: Estimates) -> np.ndarray:
    """What the quiet hours say where the intake is known in them too, beside no cause."""
    usual = float(np.abs(observed.balance_mean).sum() / observed.lengths.sum())
    plain = (observed.night_m3 - observed.night_intake_m3) / usual
    scatter = 1.05 * float(np.median(np.abs(np.diff(plain)))) if len(plain) > 3 else 0.0
    spread = max(LEAST_GAP, scatter)

    def score(gap: np.ndarray) -> np.ndarray:
        return _log_density(gap, spread).sum(axis=1) / MEMORY

    return score((state.night - state.night_balance) / usual) - score(plain[None, :])
