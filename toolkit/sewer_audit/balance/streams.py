"""Data reconciliation of measured streams that must balance: A x = 0.

The smallest adjustments, weighted by the inverse covariance, that make every balance close; the
tests that say whether the measurements allow it; and which stream is suspect, where the balances
tell the streams apart at all.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

__all__ = ["sidak_critical"]

VDI_FLOOR = 10.0
"""The variance of a correction counts as at least a tenth of the measured one (VDI 2048)."""


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


def _spread(of_measured: np.ndarray, known: np.ndarray) -> np.ndarray:
    full = np.full(known.shape, np.nan)
    full[known] = of_measured
    return full
