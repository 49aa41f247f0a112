"""Second opinions beside `explanations.bayes`: explanations of one figure, compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sewer_audit.errors import AuditError


@dataclass(frozen=True)
class Comparison:
    """Explanations of one figure, compared.

    Units: likelihood [1/any].
    """

    likelihood: np.ndarray
    posterior: np.ndarray


def compare_values(
    observed: float,
    predicted: np.ndarray,
    standard: np.ndarray,
    prior: np.ndarray | None = None,
) -> Comparison:
    """Compare explanations that each predict one figure with an uncertainty.

    Units: observed [any]; predicted [any]; standard [any].

    Notes
    -----
    posterior_k = prior_k N(y; m_k, u_k) / sum over all. The posterior holds only among the listed
    explanations; `explain` therefore always lists "none of these".

    References
    ----------
    R. Kass and A. Raftery, J. Amer. Statist. Assoc. 90 (1995) 773, equation (1).
    """
    spread = np.asarray(standard, dtype=float)
    if not np.all(spread > 0):
        raise AuditError("a predicted figure without uncertainty; state a standard above zero")
    away = (observed - np.asarray(predicted, dtype=float)) / spread
    likelihood = np.exp(-0.5 * away**2) / (spread * np.sqrt(2 * np.pi))
    weights = np.ones_like(spread) if prior is None else np.asarray(prior, dtype=float)
    logs = np.log(weights / weights.sum()) - 0.5 * away**2 - np.log(spread)
    return Comparison(likelihood, np.exp(logs - np.logaddexp.reduce(logs)))
