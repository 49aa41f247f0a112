"""Coverage intervals and summaries of draws, each with its own numerical error."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sewer_audit.errors import AuditError

Kind = Literal["symmetric", "shortest"]
BLOCKS = 10  # blocks whose spread shows the numerical error of a shortest interval


@dataclass(frozen=True)
class Interval:
    """A coverage interval in the unit of its draws; arrays for several columns."""

    low: float | np.ndarray
    high: float | np.ndarray
    coverage: float
    kind: str

    @property
    def width(self) -> float | np.ndarray:
        """High less low."""
        return self.high - self.low


@dataclass(frozen=True)
class Summary:
    """What a report says about a column of draws, with the numerical error of each figure.

    All in the unit of the draws; arrays where there are several columns.
    """

    mean: float | np.ndarray
    standard_uncertainty: float | np.ndarray
    low: float | np.ndarray
    high: float | np.ndarray
    coverage: float
    kind: str
    draws: int
    mean_error: float | np.ndarray
    standard_uncertainty_error: float | np.ndarray
    low_error: float | np.ndarray
    high_error: float | np.ndarray


def coverage_interval(
    draws: np.ndarray, coverage: float = 0.95, kind: Kind = "symmetric"
) -> Interval:
    """Interval that holds a stated share of the draws.

    Parameters
    ----------
    draws : array (draws,) or (draws, columns)
        Draws of one or several quantities [any].
    coverage : float
        Share to hold [-].
    kind : str
        "symmetric": equal shares beyond both ends; "shortest" [text].

    Raises
    ------
    AuditError
        If the coverage is not between 0 and 1, a draw is not finite, or the draws are too few for
        the coverage.

    Notes
    -----
    With the M draws sorted and q = pM rounded, the interval is [y(r), y(r + q)]: symmetric with
    r = (M - q)/2 rounded, shortest with the r that makes it shortest.

    References
    ----------
    JCGM 101:2008, 7.7.
    """
    ordered = _ordered(draws)
    low, high = _ends(ordered, coverage, kind)
    return Interval(_plain(low, draws), _plain(high, draws), coverage, kind)


def summarise(draws: np.ndarray, coverage: float = 0.95, kind: Kind = "symmetric") -> Summary:
    """Mean, standard uncertainty and coverage interval with their numerical errors.

    Parameters
    ----------
    draws : array (draws,) or (draws, columns)
        Draws of one or several quantities [any].
    coverage : float
        Share the interval is to hold [-].

    Raises
    ------
    AuditError
        If the coverage is not between 0 and 1, a draw is not finite, or the draws are too few for
        the coverage.

    Notes
    -----
    Standard errors: of the mean u / sqrt(M); of u from the fourth moment,
    sqrt((m4 - u^4) / M) / (2 u); of the ends of a symmetric interval from the draws one binomial
    standard deviation sqrt(M q (1 - q)) of ranks to either side; of a shortest one from the spread
    over blocks, scaled with the cube root by which the shortest interval converges.

    References
    ----------
    JCGM 101:2008, 7.6 (equations 16 and 17), 7.7, 7.9; order statistics: Serfling, Approximation
    Theorems of Mathematical Statistics, 1980, 2.3 (from memory).
    """
    ordered = _ordered(draws)
    low, high = _ends(ordered, coverage, kind)
    count = ordered.shape[-1]
    mean = ordered.mean(axis=-1)
    away = ordered - mean[..., None]
    square = away * away
    variance = square.sum(axis=-1) / (count - 1)
    fourth = (square * square).mean(axis=-1)
    standard = np.sqrt(variance)
    spare = np.sqrt(np.maximum(fourth - variance**2, 0.0) / count)
    with np.errstate(invalid="ignore", divide="ignore"):
        standard_error = np.where(standard > 0, spare / (2 * standard), 0.0)
    if kind == "symmetric":
        errors = _rank_errors(ordered, coverage)
    else:
        errors = _block_errors(np.asarray(draws, dtype=float), coverage)
    figures = (mean, standard, low, high)
    more = (standard / math.sqrt(count), standard_error, *errors)
    plain = [_plain(figure, draws) for figure in (*figures, *more)]
    return Summary(*plain[:4], coverage, kind, count, *plain[4:])


def _ordered(draws: np.ndarray) -> np.ndarray:
    """Sorted draws with the draws along the last axis."""
    values = np.asarray(draws, dtype=float)
    if values.ndim not in (1, 2) or values.shape[0] < 2:
        raise AuditError(f"draws of the form {values.shape}; (draws,) or (draws, columns) expected")
    ordered = np.sort(np.ascontiguousarray(values.T), axis=-1)
    if not np.all(np.isfinite(ordered[..., [0, -1]])):
        raise AuditError("some draws are not finite; find the cause before summarising them")
    return ordered


def _ranks(count: int, coverage: float) -> tuple[int, int]:
    """Number of draws the interval spans, and how many starts it may have."""
    if not 0 < coverage < 1:
        raise AuditError(f"coverage {coverage!r}; it lies between 0 and 1, for example 0.95")
    span = int(coverage * count + 0.5)
    if span >= count:
        raise AuditError(
            f"{count} draws are too few for an interval of coverage {coverage:g}; "
            f"take at least {math.ceil(1 / (1 - coverage)) + 1}"
        )
    return span, count - span


def _ends(ordered: np.ndarray, coverage: float, kind: str) -> tuple[np.ndarray, np.ndarray]:
    if kind not in ("symmetric", "shortest"):
        raise AuditError(f"interval kind {kind!r}; known are symmetric, shortest")
    span, starts = _ranks(ordered.shape[-1], coverage)
    if kind == "symmetric":
        first = max((starts + 1) // 2 - 1, 0)  # JCGM 101 counts draws from 1
        return ordered[..., first], ordered[..., first + span]
    widths = ordered[..., span:] - ordered[..., :starts]
    first = np.argmin(widths, axis=-1)[..., None]
    low = np.take_along_axis(ordered, first, -1)[..., 0]
    return low, np.take_along_axis(ordered, first + span, -1)[..., 0]


def _rank_errors(ordered: np.ndarray, coverage: float) -> tuple[np.ndarray, np.ndarray]:
    count = ordered.shape[-1]
    tail = (1 - coverage) / 2
    spread = max(math.sqrt(count * tail * (1 - tail)), 1.0)
    errors = []
    for place in (tail * count, (1 - tail) * count):
        below = max(round(place - spread), 0)
        above = min(round(place + spread), count - 1)
        gap = ordered[..., above] - ordered[..., below]
        errors.append(gap * spread / max(above - below, 1))
    return errors[0], errors[1]


def _block_errors(draws: np.ndarray, coverage: float) -> tuple[np.ndarray, np.ndarray]:
    size = len(draws) // BLOCKS
    if int(coverage * size + 0.5) >= size or size < 2:
        unknown = np.full(draws.shape[1:], np.nan)
        return unknown, unknown
    blocks = [_ordered(draws[part * size : (part + 1) * size]) for part in range(BLOCKS)]
    ends = np.array([_ends(block, coverage, "shortest") for block in blocks])
    scatter = ends.std(axis=0, ddof=1) / BLOCKS ** (1 / 3)
    return scatter[0], scatter[1]


def _plain(figure: np.ndarray, draws: np.ndarray) -> float | np.ndarray:
    return float(figure) if np.ndim(draws) == 1 else np.asarray(figure)


def p_value_words(value: float) -> str:
    """The chance of a test figure at least so large if what is tested is true, in words.

    Parameters
    ----------
    value : float
        The chance [-].
    """
    return "p < 0.001" if value < 0.001 else f"p = {value:.2g}"
