"""Readings that are means over an interval: what the curve of the rating hides inside it.

A mean of flow is summed exactly. A mean of level is put through a curved rating, and the rating of
a mean is not the mean of the rating. What is hidden inside the interval is told from finer
stretches of the same record, or carried inwards from what joining intervals to longer ones hides;
where neither is possible, no verdict rests on the volume.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sewer_audit import spoken
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.errors import Flag
from sewer_audit.uncertainty import Cause

__all__ = ["MEANS", "MeanCorrection", "mean_correction"]

MEANS = "means of the level"
"""Name of the cause [text]."""
LONGEST = 900.0
"""Means over more may hide whole runs of a pump, which no joining of them shows (judgement) [s]."""
FINER = 0.25
"""A stretch is finer if its intervals are at most this share of the usual one (judgement) [-]."""
DAYS = 3
"""Days a finer stretch must last (judgement) [d]."""
HIDDEN = 0.002
"""Below this share of the volume what joining hides is no matter (judgement) [-]."""
CONVERGES = 0.6
"""What each halving hides over what the one before hid; above it the sum cannot be told
(judgement; noise without memory has 1, a smooth course 1/4) [-]."""

Rate = Callable[[np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True)
class MeanCorrection:
    """Relative error of the volume that the means hide, as a cause, and what to tell."""

    cause: Cause | None
    flags: tuple[Flag, ...]


def mean_correction(
    series: DischargeSeries,
    rating: Callable[[np.ndarray], np.ndarray],
    tolerance: float,
    *,
    said: bool = True,
) -> MeanCorrection:
    """What the curve of the rating hides inside the intervals of a record.

    Units: rating [m3/s]; tolerance [-]; returns [-].

    said: Whether the case says what a row is; where it does not, the rows are read as instants
    only if as means they would be as good.

    Notes
    -----
    With Q(x) the discharge of a reading, joining two intervals to one hides
    b = sum (Q(x1) + Q(x2) - 2 Q((x1 + x2)/2)); to second order half the curvature times the
    variance inside. If each halving hides r times what the one before hid, all finer ones together
    hide b r / (1 - r). Half of that is its standard uncertainty (judgement).

    References
    ----------
    JCGM 100:2008, F.2.4.4 note (second-order Taylor term); geometric series.
    """
    width = series.width
    if series.flat or (width is None and (said or len(series.time) < 2)):
        return MeanCorrection(None, ())
    usual = float(np.median(np.diff(series.time) if width is None else width))
    carrier = np.broadcast_to(np.asarray(series.carrier, dtype=float), series.level.shape)

    def rate(level: np.ndarray, factor: np.ndarray) -> np.ndarray:
        return rating(level) * factor

    if width is None:
        hidden, ratio = _joined(series, carrier, rate, usual)
        share = hidden * ratio / (1 - ratio) if 0 <= ratio < CONVERGES else hidden
        moves = np.isfinite(share) and abs(share) > tolerance and not _switches(series.level)
        asks = usual > 1.05 * LONGEST or moves  # a clock that drifts stretches the step
        return MeanCorrection(None, (_unsaid(series, usual),) if asks else ())
    fine = width <= FINER * usual
    if width[fine].sum() >= DAYS * 86400:
        return _from_finer(series, carrier, rate, fine, usual)
    hidden, ratio = _joined(series, carrier, rate, usual)
    if usual > LONGEST or (hidden > HIDDEN and not ratio < CONVERGES):
        return MeanCorrection(None, (_untold(series, usual, hidden),))
    share = hidden * ratio / (1 - ratio) if hidden > HIDDEN else hidden
    if abs(share) > tolerance:
        return MeanCorrection(None, (_untold(series, usual, hidden),))
    return MeanCorrection(_cause(share, max(0.5 * abs(share), 0.5 * HIDDEN), "this record"), ())


def _switches(level: np.ndarray) -> bool:
    """Whether the level jumps between low and high with nothing between, as no mean does."""
    low, high = np.quantile(level, [0.05, 0.95])
    part = (level - low) / max(high - low, 1e-9)
    up = np.flatnonzero((part[:-1] < 0.5) & (part[1:] >= 0.5))
    direct = (part[up] < 0.2) & (part[up + 1] > 0.8)
    return high > 1.5 * low and len(up) >= 10 and float(direct.mean()) > 0.5


def _joined(
    series: DischargeSeries, carrier: np.ndarray, rate: Rate, usual: float
) -> tuple[float, float]:
    """Share of the volume that joining two intervals hides, and its ratio to joining four."""
    even = np.abs(np.diff(series.time) - usual) < 0.01 * usual
    count = len(series.level) // 4 * 4
    if count < 64:
        return np.inf, np.inf
    good = np.concatenate([even, [False]])[:count].reshape(-1, 4)[:, :3].all(axis=1)
    if good.sum() < 16:
        return np.inf, np.inf
    level = series.level[:count].reshape(-1, 4)[good]
    factor = carrier[:count].reshape(-1, 4)[good]
    means = []
    for parts in (4, 2, 1):
        level_of = level.reshape(len(level), parts, -1).mean(axis=2)
        factor_of = factor.reshape(len(level), parts, -1).mean(axis=2)
        means.append(float(rate(level_of, factor_of).mean()))
    if not means[0] > 0:
        return np.inf, np.inf
    first, second = means[0] - means[1], means[1] - means[2]
    return first / means[0], (first / second if second > 0 else np.inf)


def _from_finer(
    series: DischargeSeries, carrier: np.ndarray, rate: Rate, fine: np.ndarray, usual: float
) -> MeanCorrection:
    """The rating of means over the usual interval beside the mean of the rating, where finer."""
    block = (series.time // usual).astype(np.int64)
    block = np.where(fine, block, -1)
    _, place = np.unique(block, return_inverse=True)
    weight = np.where(fine, series.width, 0.0)  # type: ignore[arg-type]
    seconds = np.bincount(place, weight)
    whole = seconds > 0.9 * usual

    def mean(values: np.ndarray) -> np.ndarray:
        return (np.bincount(place, weight * values) / np.where(seconds > 0, seconds, 1.0))[whole]

    true, seen = mean(series.discharge), rate(mean(series.level), mean(carrier))
    share = float(true.sum() / seen.sum() - 1) if seen.sum() > 0 else np.inf
    pieces = [part for part in np.array_split(true - seen, 8) if len(part)]
    spread = np.std([part.mean() for part in pieces], ddof=1) / np.sqrt(len(pieces))
    own = float(spread / seen.mean()) if seen.mean() > 0 else np.inf
    if not np.isfinite(share + own):
        return MeanCorrection(None, (_untold(series, usual, np.inf),))
    coarse = 1 - float((series.discharge * series.width)[fine].sum()) / float(
        (series.discharge * series.width).sum()
    )
    error = coarse * float(np.hypot(2.5 * own, 0.3 * share))
    return MeanCorrection(_cause(coarse * share, error, "finer stretches of this record"), ())


def _cause(share: float, standard: float, where: str) -> Cause:
    return Cause(
        MEANS,
        standard,
        value=share,
        persistence="whole record",
        source=f"curve of the rating inside the intervals, told from {where}",
        default=True,
    )


def _unsaid(series: DischargeSeries, usual: float) -> Flag:
    return Flag(
        "means-of-level",
        f"{series.name}: nothing says whether the rows, {usual / 60:g} min apart, are levels of an "
        "instant or means, and the rating is curved: means over so long hide more than the rule "
        "allows. The settings of the logger tell. Write under [effluent] stamp = 'instant' where a "
        "row is the level of that moment, 'interval end' or 'interval start' where it is the mean "
        "of the time up to, or from, its stamp. No verdict rests on this volume until then.",
        {"interval_s": usual, "hidden_share": None},
    )


def _untold(series: DischargeSeries, usual: float, hidden: float) -> Flag:
    joins = (
        f"joining two of them already hides {spoken.percent(hidden)} of the volume"
        if np.isfinite(hidden)
        else "the record is too short to show what they hide"
    )
    return Flag(
        "means-of-level",
        f"{series.name}: each row is a mean of the level over {usual / 60:g} min, and the "
        f"rating is curved; {joins}, and what runs its course inside an interval cannot be told "
        "from them. No verdict rests on this volume; export instants, shorter intervals or means "
        "of the flow.",
        {"interval_s": usual, "hidden_share": hidden if np.isfinite(hidden) else None},
    )
