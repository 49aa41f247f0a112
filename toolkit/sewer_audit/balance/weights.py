"""Inverse of a covariance that may be nearly singular."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sewer_audit.errors import AuditError

__all__ = ["PseudoInverse", "pseudo_inverse", "sample_covariance"]

RELATIVE_CUT = 1e-10
"""Eigenvalues of the correlation below this share of the largest count as zero [-]."""


@dataclass(frozen=True)
class PseudoInverse:
    """Generalised inverse with the rank it was taken at.

    Units: inverse [1/any squared].
    """

    inverse: np.ndarray
    rank: int
    log_determinant: float


def pseudo_inverse(covariance: np.ndarray, cut: float = RELATIVE_CUT) -> PseudoInverse:
    """Inverse of a covariance on the directions in which it is known.

    Units: covariance [any squared]; returns [1/any squared].

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
    log_determinant = float(np.log(value[kept]).sum() + 2 * np.log(scale).sum())
    return PseudoInverse(root @ root.T, int(kept.sum()), log_determinant)


def sample_covariance(draws: np.ndarray) -> np.ndarray:
    """Covariance of columns of draws.

    Units: draws [any]; returns [any squared].

    array (columns, columns): With divisor n - 1.
    """
    if draws.ndim != 2 or len(draws) < draws.shape[1] + 3:
        raise AuditError(
            f"draws of the form {draws.shape}; a covariance of that many columns needs more draws"
        )
    return np.atleast_2d(np.cov(draws, rowvar=False))
