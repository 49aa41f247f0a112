"""Inverse of a covariance that may be nearly singular; bound for the largest of several tests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from sewer_audit.errors import AuditError

RELATIVE_CUT = 1e-10
"""Eigenvalues of the correlation below this share of the largest count as zero [-]."""


@dataclass(frozen=True)
class PseudoInverse:
    """Generalised inverse with the rank it was taken at."""

    inverse: np.ndarray
    rank: int


def pseudo_inverse(covariance: np.ndarray, cut: float = RELATIVE_CUT) -> PseudoInverse:
    """Inverse of a covariance on the directions in which it is known.

    Notes
    -----
    Scaling to unit variances first makes the cut independent of the units and of one large stream
    beside small ones. A row without variance is left out.
    """
    matrix = np.asarray(covariance, dtype=float)
    if matrix.ndim != 2 or matrix.shape[0] != matrix.shape[1] or not np.isfinite(matrix).all():
        raise AuditError(f"a covariance is square and finite; this one has the form {matrix.shape}")
    size = np.sqrt(np.clip(np.diag(matrix), 0.0, None))
    scale = np.where(size > 0, size, 1.0)
    value, vector = np.linalg.eigh((matrix + matrix.T) / 2 / np.outer(scale, scale))
    kept = value > cut * max(float(value.max(initial=0.0)), 1e-300)
    root = vector[:, kept] / np.sqrt(value[kept]) / scale[:, None]
    return PseudoInverse(root @ root.T, int(kept.sum()))


def sample_covariance(draws: np.ndarray) -> np.ndarray:
    """Covariance of columns of draws, with divisor n - 1."""
    if draws.ndim != 2 or len(draws) < draws.shape[1] + 3:
        raise AuditError(
            f"draws of the form {draws.shape}; a covariance of that many columns needs more draws"
        )
    return np.atleast_2d(np.cov(draws, rowvar=False))


def sidak_critical(tests: int, coverage: float = 0.95) -> float:
    """Two-sided bound of |z| for the largest of several tests.

    Parameters
    ----------
    tests : int
        Number of tests [-].
    coverage : float
        Probability that none of them fails by chance [-].

    Returns
    -------
    float
        Bound [-].

    Notes
    -----
    Each test has the level 1 - coverage^(1/n).

    References
    ----------
    Z. Sidak, J. Amer. Statist. Assoc. 62 (1967) 626 (from memory).
    """
    return float(ndtri(0.5 + coverage ** (1.0 / tests) / 2.0))
