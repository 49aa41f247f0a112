"""Evidence of every explanation of the bill and of the estimates, single and in pairs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from sewer_audit.explanations.catalogue import PLAIN, is_other
from sewer_audit.explanations.evidence import (
    Evidence,
    Point,
    WeightedVariant,
    joined_evidence,
    leading_variants,
    robust_variants,
    single_evidence,
)
from sewer_audit.explanations.model import Explanation
from sewer_audit.explanations.observations import Observations
from sewer_audit.explanations.states import (
    Billing,
    billing_fit,
    billing_score,
    corrected_discharge,
    estimates_fit,
    start_billing,
    start_estimates,
)

__all__ = ["Candidate", "bill_candidates", "estimate_candidates"]

Fit = Callable[[Any], np.ndarray]
"""From a state to the log likelihood of each of its rows."""

LEADING = 5
"""Single explanations of a kind that are tried in pairs [-]."""
CLOSE = np.log(1000.0)
"""Pairs of bill explanations are tried unless all others lie below the best by this [-]."""
ESSENTIAL = 40
"""Points of the posterior used for corrected volumes [-]."""


@dataclass(frozen=True)
class Candidate:
    """One explanation, or two of one kind, with its evidence.

    Units: discharge [m3]; cov [m6].
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


def _singles(
    explanations: Sequence[Explanation], observed: Observations, start: object, fit: Fit
) -> list[Candidate]:
    found = [(each, single_evidence(each, observed, start, fit)) for each in explanations]
    shown = [(each, evidence) for each, evidence in found if evidence is not None]
    total = sum(each.weight for each, _ in shown)
    return [Candidate((each,), each.weight / total, evidence) for each, evidence in shown]


def _pairs(
    leading: list[tuple[Candidate, list[WeightedVariant]]],
    observed: Observations,
    start: object,
    fit: Fit,
) -> list[Candidate]:
    found = []
    for (one, forms_one), (two, forms_two) in combinations(leading, 2):
        pair = (one.parts[0], two.parts[0])
        evidence = joined_evidence(pair, (forms_one, forms_two), observed, start, fit)
        if evidence is not None:
            found.append(Candidate(pair, one.prior * two.prior, evidence))
    return found


def _in_order(
    chosen: list[tuple[Candidate, list[WeightedVariant]]], explanations: Sequence[Explanation]
) -> list[tuple[Candidate, list[WeightedVariant]]]:
    """In the order of the catalogue: factors act before events."""
    order = {each.name: place for place, each in enumerate(explanations)}
    return sorted(chosen, key=lambda each: order[each[0].parts[0].name])


def _special(candidate: Candidate) -> bool:
    """Whether it is the plain one, or stands for everything else."""
    return not candidate.names or is_other(candidate.parts[0])


def estimate_candidates(
    explanations: Sequence[Explanation], observed: Observations, pairs: bool
) -> list[Candidate]:
    """Explanations of the two estimates, with the discharge each leads to.

    list of Candidate: Only the plain one, with evidence 0, where no invoice has both estimates.
    """
    known = observed.compared
    if not known.any():
        plain = next(each for each in explanations if each.name in PLAIN)
        discharge, cov = _single_estimate(observed)
        alone = Evidence(0.0, (Point(1.0, ()),))
        return [Candidate((plain,), 1.0, alone, discharge, cov, np.zeros(observed.count))]
    both = observed.where(known)
    start = start_estimates(both)
    found = _singles(explanations, both, start, estimates_fit)
    if pairs:
        able = [each for each in found if not _special(each)]
        able.sort(key=lambda each: -each.evidence.log_likelihood - np.log(each.prior))
        forms = [(c, leading_variants(c.parts[0], c.evidence, both)) for c in able[:LEADING]]
        found += _pairs(_in_order(forms, explanations), both, start, estimates_fit)
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

    Units: basis [m3]; cov [m6].

    list of Candidate: Only the plain one, with evidence 0, where nothing is known to compare
    with.
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

    def score(prediction: Billing) -> np.ndarray:
        return billing_score(prediction, chosen)

    found = _singles(explanations, chosen, start, fit)
    if not pairs or not _others_compete(found):
        return found
    able = []
    for each in found:
        if not _special(each) and each.parts[0].parameter is None and each.parts[0].joins:
            able.append((each, *robust_variants(each.parts[0], chosen, start, score)))
    able.sort(key=lambda each: -each[1])
    forms = [(each, variants) for each, _, variants in able[:LEADING]]
    return found + _pairs(_in_order(forms, explanations), chosen, start, fit)


def _others_compete(found: list[Candidate]) -> bool:
    """Whether "none of these" is nearly as probable as the best single explanation, or more."""
    posterior = {
        each.parts[0].name: each.evidence.log_likelihood + np.log(each.prior) for each in found
    }
    best = max(posterior.values())
    return any(
        posterior[each.parts[0].name] > best - CLOSE for each in found if is_other(each.parts[0])
    )
