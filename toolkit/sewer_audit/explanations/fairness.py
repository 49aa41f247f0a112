"""Does a bill made by the schedule match the discharge, or is the basis unfair to the site?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FAIR_PRIOR = 0.8
"""Prior probability that the billed share describes the site (judgement) [-]."""
UNFAIR_RANGE = (-1.2, 0.3)
"""Range of that logarithm, all alike, where it does not (judgement) [-]."""


@dataclass(frozen=True)
class Part:
    """One of the two cases."""

    prior: float
    log_ratio: float


@dataclass(frozen=True)
class FairShare:
    """The two cases beside each other."""

    fair: Part
    unfair: Part


def fair_share(
    billed: np.ndarray,
    discharge: np.ndarray | None,
    cov: np.ndarray | None,
    tolerance: float = 0.05,
) -> FairShare | None:
    """Compare the total billed with the total discharge.

    Units: billed [m3]; discharge [m3]; cov [m6].

    tolerance: Share of the billed volume that is no finding; a basis that describes the site
    keeps within it in 95 % of the cases.

    Notes
    -----
    t = log(sum of discharge / sum of billed), normal about 0 with half the tolerance and the
    uncertainty of the total where the basis describes the site, uniform from -1.2 to 0.3 where it
    does not.

    References
    ----------
    R. Kass and A. Raftery, J. Amer. Statist. Assoc. 90 (1995) 773; the two densities: judgement.
    """
    if discharge is None or cov is None:
        return None
    known = np.isfinite(discharge) & np.isfinite(billed)
    total, paid = float(discharge[known].sum()), float(billed[known].sum())
    if not (total > 0 and paid > 0):
        return None
    spread = np.hypot(tolerance / 2, np.sqrt(max(cov[np.ix_(known, known)].sum(), 0.0)) / total)
    away = np.log(total / paid)
    fair = -0.5 * (away / spread) ** 2 - np.log(spread * np.sqrt(2 * np.pi))
    low, high = UNFAIR_RANGE
    inside = low - 3 * spread < away < high + 3 * spread
    unfair = -np.log(high - low) - (0.0 if inside else 10.0)
    both = np.logaddexp(np.log(FAIR_PRIOR) + fair, np.log(1 - FAIR_PRIOR) + unfair)
    return FairShare(
        Part(FAIR_PRIOR, float(fair - both)), Part(1 - FAIR_PRIOR, float(unfair - both))
    )
