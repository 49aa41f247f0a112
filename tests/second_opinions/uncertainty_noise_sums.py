"""Noise with a memory across several sums: what neighbouring periods share of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sewer_audit.uncertainty.level.noise import noise_variance

__all__ = ["WeightedStretch", "noise_covariance"]


@dataclass(frozen=True)
class WeightedStretch:
    """A run of neighbouring readings and the weight each has in one sum.

    Units: weights [sum unit per reading unit].
    """

    first: int
    weights: np.ndarray


def noise_covariance(
    stretches: Sequence[WeightedStretch],
    time: np.ndarray,
    time_constant: float | None,
    standard: float = 1.0,
) -> np.ndarray:
    """Covariance that the noise of the readings leaves between several weighted sums.

    Units: time [s]; standard [reading unit]; returns [sum unit squared].

    time_constant: Time in which the noise loses 63 % of its memory; None or 0 for none.

    Notes
    -----
    Sums without common readings: the correlation splits into a part up to the end of the earlier
    one, the time between, and a part from the start of the later one. Sums with common readings:
    half of Var(a + b) - Var(a) - Var(b).

    References
    ----------
    JCGM 100:2008, 5.2.2 equation (13), F.1.2.3.
    """
    count = len(stretches)
    result = np.zeros((count, count))
    ends = [_Ends.of(each, time, time_constant) for each in stretches]
    for k, each in enumerate(stretches):
        where = slice(each.first, each.first + len(each.weights))
        result[k, k] = noise_variance(each.weights, time[where], time_constant)
    for k in range(count):
        for j in range(k):
            if ends[k].start > ends[j].stop:
                apart = (
                    math.exp(-(ends[k].start - ends[j].stop) / time_constant)
                    if (time_constant)
                    else 0.0
                )
                shared = ends[j].late * apart * ends[k].early
            else:
                both = _joined(stretches[j], stretches[k])
                where = slice(both.first, both.first + len(both.weights))
                total = noise_variance(both.weights, time[where], time_constant)
                shared = (total - result[j, j] - result[k, k]) / 2.0
            result[k, j] = result[j, k] = shared
    return standard**2 * result


@dataclass(frozen=True)
class _Ends:
    """Ends of a stretch and the weights as seen from each."""

    start: float
    stop: float
    early: float
    late: float

    @classmethod
    def of(cls, stretch: WeightedStretch, time: np.ndarray, time_constant: float | None) -> _Ends:
        if len(stretch.weights) == 0:
            return cls(math.inf, -math.inf, 0.0, 0.0)
        inside = time[stretch.first : stretch.first + len(stretch.weights)]
        if not time_constant:
            return cls(float(inside[0]), float(inside[-1]), 0.0, 0.0)
        early = float(stretch.weights @ np.exp(-(inside - inside[0]) / time_constant))
        late = float(stretch.weights @ np.exp(-(inside[-1] - inside) / time_constant))
        return cls(float(inside[0]), float(inside[-1]), early, late)


def _joined(one: WeightedStretch, other: WeightedStretch) -> WeightedStretch:
    first = min(one.first, other.first)
    stop = max(one.first + len(one.weights), other.first + len(other.weights))
    weights = np.zeros(stop - first)
    for each in (one, other):
        weights[each.first - first : each.first - first + len(each.weights)] += each.weights
    return WeightedStretch(first, weights)
