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


def time_constant_of(residuals: np.ndarray, step: float) -> float:
    """Time constant of noise, from evenly spaced residuals of a record.

    Units: residuals [any]; step [s]; returns [s].

    float: Time constant of an exponential memory with the same sum of correlations; 0 for none.

    Notes
    -----
    S = 1 + 2 sum of the autocorrelations, summed in pairs while the pairs stay above zero; then
    exp(-step / T) = (S - 1) / (S + 1). A slow change of flow left in the residuals makes T too
    long, which errs on the safe side.

    References
    ----------
    JCGM 100:2008, 4.2.7; summing by pairs: Geyer, Statistical Science 7 (1992), 3.3 (from memory).
    """
    values = np.asarray(residuals, dtype=float)
    if len(values) < 10:
        raise AuditError(f"{len(values)} residuals; a memory cannot be told from fewer than 10")
    away = values - values.mean()
    padded = np.fft.rfft(away, 2 * len(values))
    covariance = np.fft.irfft(padded * np.conj(padded))[: len(values)]
    if not covariance[0] > 0:
        raise AuditError("the residuals do not vary; state the noise of the instrument instead")
    correlation = covariance / covariance[0]
    pairs = correlation[: len(values) // 2 * 2].reshape(-1, 2).sum(axis=1)
    ended = np.flatnonzero(pairs <= 0)
    total = 2.0 * pairs[: ended[0] if len(ended) else None].sum() - 1.0
    if total <= 1.0:
        return 0.0
    return float(-step / math.log((total - 1.0) / (total + 1.0)))


def noise_bias(weights: np.ndarray, second_derivative: np.ndarray, standard: float) -> float:
    """What the noise in recorded levels has already added to a volume.

    Units: weights [s]; second_derivative [m/s]; standard [m]; returns [m3].

    Notes
    -----
    E[Q(h + e)] - Q(h) = Q''(h) s^2 / 2 to second order. The record already contains its noise:
    the bias is subtracted or shown to be negligible, and noise is never added a second time.
    Valid while s is well below h; memory of the noise does not matter.

    References
    ----------
    JCGM 100:2008, F.2.4.4 note (expectation from the second-order Taylor term).
    """
    return float(0.5 * standard**2 * (np.asarray(weights) @ np.asarray(second_derivative)))
