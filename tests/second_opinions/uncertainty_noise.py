"""Second opinions of the tests beside `uncertainty.noise`."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty.level.noise import noise_variance


@dataclass(frozen=True)
class NoiseOfMean:
    """What averaging leaves of the noise of single readings.

    Units: standard [unit of the readings].
    """

    inflation: float
    effective_readings: float
    standard: float


def noise_of_mean(
    weights: np.ndarray,
    time: np.ndarray | float,
    time_constant: float | None,
    standard: float = 1.0,
) -> NoiseOfMean:
    """Noise left in a weighted mean, and how many readings it is really worth.

    Units: time [s]; standard [reading unit].

    time_constant: Time in which the noise loses 63 % of its memory; None or 0 for none.

    Notes
    -----
    effective readings = (sum w)^2 / (variance of the sum for unit noise).

    References
    ----------
    JCGM 100:2008, 4.2.7 and C.3.2 note 2 (experimental standard deviation of a mean).
    """
    w = np.asarray(weights, dtype=float)
    total = float(w.sum())
    if total == 0:
        raise AuditError("the weights add up to zero; a mean needs a total weight")
    variance = noise_variance(w, time, time_constant)
    return NoiseOfMean(
        math.sqrt(variance / float(w @ w)),
        total**2 / variance,
        standard * math.sqrt(variance) / abs(total),
    )


def relative_noise_bias(exponent: float, relative_noise: float | np.ndarray) -> float | np.ndarray:
    """Relative upward bias of a power-law discharge from noise in the level.

    exponent: Exponent of the level, 1.5 for a rectangular weir.

    Notes
    -----
    b = n (n - 1) / 2 (s / h)^2.

    References
    ----------
    JCGM 100:2008, F.2.4.4 note, applied to Q = C h^n.
    """
    return exponent * (exponent - 1.0) / 2.0 * relative_noise**2
