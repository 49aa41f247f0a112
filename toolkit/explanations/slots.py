"""Evidence of every explanation of the bill and of the estimates, single and in pairs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toolkit.explanations.catalogue import PLAIN, is_other
from toolkit.explanations.evidence import Evidence, Point, joined_evidence, single_evidence
from toolkit.explanations.model import Explanation
from toolkit.explanations.observations import Observations
from toolkit.explanations.states import (
    Billing,
    billing_fit,
    corrected_discharge,
    estimates_fit,
    start_billing,
    start_estimates,
)

__all__ = ["Candidate", "bill_candidates", "estimate_candidates"]

LEADING = 4
"""Single explanations of a kind that are tried in pairs [-]."""
ESSENTIAL = 40
"""Points of the posterior used for corrected volumes [-]."""


@dataclass(frozen=True)
class Candidate:
    """One explanation, or two of one kind, with its evidence.

    Parameters
    ----------
    parts : tuple of Explanation
        What acts; the plain one alone where nothing does [-].
    prior : float
        Prior probability, before normalising over the table [-].
    evidence : Evidence
        Marginal likelihood and where its parameters lie [-].
    discharge : array (invoices,) or None
        Corrected discharge of all invoices [m3].
    cov : array (invoices, invoices) or None
        Its covariance [m6].
    intake_shift : array (invoices,)
        Intake the register failed to count [m3].
    """

    parts: tuple[Explanation, ...]
    prior: float
    evidence: Evidence
    discharge: np.ndarray | None = None
    cov: np.ndarray | None = None
    intake_shift: np.ndarray | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of what acts, empty where nothing does [text]."""
        return tuple(part.name for part in self.parts if part.name not in PLAIN)


def _candidates(
    explanations: Sequence[Explanation],
    observed: Observations,
    start: object,
    fit: object,
    pairs: bool,
) -> list[Candidate]:
    singles = []
    for each in explanations:
        found = single_evidence(each, observed, start, fit)  # type: ignore[arg-type]
        if found is not None:
            singles.append(((each,), each.weight, found))
    total = sum(weight for _, weight, _ in singles)
    table = [Candidate(parts, weight / total, found) for parts, weight, found in singles]
    if not pairs:
        return table
    order = {each.name: place for place, each in enumerate(explanations)}
    able = [c for c in table if c.names and not is_other(c.parts[0]) and _joinable(c.parts[0])]
    able.sort(key=lambda c: -c.evidence.log_likelihood - np.log(c.prior))
    leading = sorted(able[:LEADING], key=lambda c: order[c.parts[0].name])
    for place, one in enumerate(leading):
        for two in leading[place + 1 :]:
            pair, best = (one.parts[0], two.parts[0]), (one.evidence, two.evidence)
            found = joined_evidence(pair, best, observed, start, fit)  # type: ignore[arg-type]
            if found is not None:
                table.append(Candidate(pair, one.prior * two.prior, found))
    return table


def _joinable(explanation: Explanation) -> bool:
    """Bills are matched so closely that a coarse grid of a free size would miss the peak."""
    return explanation.acts_on != "bill" or explanation.parameter is None


def estimate_candidates(
    explanations: Sequence[Explanation], observed: Observations, pairs: bool
) -> list[Candidate]:
    """Explanations of the two estimates, with the discharge each leads to.

    Parameters
    ----------
    explanations : sequence of Explanation
        Those that act on the estimates, the plain one among them [-].
    observed : Observations
        What is known [-].
    pairs : bool
        Whether two may act together [-].

    Returns
    -------
    list of Candidate
        Only the plain one, with evidence 0, where no invoice has both estimates [-].
    """
    known = observed.compared
    if not known.any():
        plain = next(each for each in explanations if each.name in PLAIN)
        discharge, cov = _single_estimate(observed)
        alone = Evidence(0.0, (Point(1.0, ()),))
        return [Candidate((plain,), 1.0, alone, discharge, cov, np.zeros(observed.count))]
    both = observed.where(known)
    start = start_estimates(both)
    found = _candidates(explanations, both, start, estimates_fit, pairs)
    return [_with_discharge(each, both, observed, start) for each in found]


def _single_estimate(observed: Observations) -> tuple[np.ndarray | None, np.ndarray | None]:
    for mean, cov in (
        (observed.effluent_mean, observed.effluent_cov),
        (observed.balance_mean, observed.balance_cov),
    ):
        if mean is not None:
            return mean, cov
    return None, None


def _with_discharge(
    candidate: Candidate, both: Observations, observed: Observations, start: object
) -> Candidate:
    """The candidate with its corrected discharge, invoices with one estimate as they are."""
    points = candidate.evidence.points[:ESSENTIAL]
    weights = np.array([point.weight for point in points])
    states = []
    for point in points:
        state = start
        for explanation, variant, value in point.steps:
            state = explanation.act(state, both, variant, np.full(1, value))  # type: ignore[arg-type]
        states.append(state)
    names = list(vars(states[0]))
    stacked = type(states[0])(**{n: np.concatenate([getattr(s, n) for s in states]) for n in names})
    mean, cov, shift = corrected_discharge(stacked, weights / weights.sum())
    known = observed.compared
    discharge = np.where(
        np.isfinite(observed.balance_mean), observed.balance_mean, observed.effluent_mean
    )
    full = np.where(np.isfinite(observed.balance_cov), observed.balance_cov, observed.effluent_cov)
    discharge[known] = mean
    full = full.copy()
    full[np.ix_(known, known)] = cov
    moved = np.zeros(observed.count)
    moved[known] = shift
    return Candidate(candidate.parts, candidate.prior, candidate.evidence, discharge, full, moved)


def bill_candidates(
    explanations: Sequence[Explanation],
    observed: Observations,
    basis: np.ndarray | None,
    cov: np.ndarray | None,
    pairs: bool,
) -> list[Candidate]:
    """Explanations of the billed series against one basis.

    Parameters
    ----------
    explanations : sequence of Explanation
        Those that act on the bill, the plain one among them [-].
    observed : Observations
        What is known [-].
    basis : array (invoices,) or None
        What should have been billed; NaN where not known [m3].
    cov : array (invoices, invoices) or None
        Its covariance [m6].
    pairs : bool
        Whether two may act together [-].

    Returns
    -------
    list of Candidate
        Only the plain one, with evidence 0, where nothing is known to compare with [-].
    """
    known = np.isfinite(observed.billed_m3)
    known &= np.isfinite(basis) if basis is not None else False
    if not known.any():
        plain = next(each for each in explanations if each.name in PLAIN)
        return [Candidate((plain,), 1.0, Evidence(0.0, (Point(1.0, ()),)))]
    chosen = observed.where(known)
    start = start_billing(basis[known], cov[np.ix_(known, known)])  # type: ignore[index]

    def fit(prediction: Billing) -> np.ndarray:
        return billing_fit(prediction, chosen)

    return _candidates(explanations, chosen, start, fit, pairs)
