"""Updating a normal vector by observations of linear combinations of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import cho_factor, cho_solve, cholesky, solve_triangular
from scipy.special import chdtrc

from sewer_audit.errors import AuditError


@dataclass(frozen=True)
class Conditioned:
    """A normal vector after some linear combinations of it were observed.

    scales: Standard deviation each observation had been expected with, after those before it.
    """

    mean: np.ndarray
    covariance: np.ndarray
    innovations: np.ndarray
    statistic: float
    probability: float
    scales: np.ndarray = field(default_factory=lambda: np.zeros(0))


def condition(
    mean: np.ndarray,
    covariance: np.ndarray,
    matrix: np.ndarray,
    observed: np.ndarray,
    noise: np.ndarray | None = None,
) -> Conditioned:
    """Update a normal vector with noisy observations of linear combinations of it.

    Notes
    -----
    S = H P H' + R, K = P H' S^-1; mean' = mean + K (y - H mean), P' = P - K S K'. With S = L L'
    the innovations are L^-1 (y - H mean).

    References
    ----------
    Multivariate normal conditioning: any statistics text; JCGM 106:2012, clause 6 and annex A,
    treat the same update of prior knowledge in one dimension (from memory).
    """
    prior = np.asarray(covariance, dtype=float)
    across = prior @ matrix.T
    spread = matrix @ across + (0.0 if noise is None else noise)
    surprise = observed - matrix @ mean
    if len(surprise) == 0:
        return Conditioned(np.asarray(mean), prior, np.zeros(0), 0.0, 1.0)
    try:
        lower = cholesky(spread, lower=True)
    except np.linalg.LinAlgError:
        raise AuditError(
            "an observation is stated as exact while nothing it shows is uncertain; state a "
            "standard uncertainty for it"
        ) from None
    factor = cho_factor(spread, lower=True)
    posterior = prior - across @ cho_solve(factor, across.T)
    innovations = solve_triangular(lower, surprise, lower=True)
    statistic = float(innovations @ innovations)
    return Conditioned(
        np.asarray(mean) + across @ cho_solve(factor, surprise),
        (posterior + posterior.T) / 2.0,
        innovations,
        statistic,
        float(chdtrc(len(innovations), statistic)),
        np.diag(lower),
    )
