"""Evidence of every explanation of the bill and of the estimates, single and in pairs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np

from sewer_audit.explanations.acts.states import (
    Billing,
    billing_fit,
    billing_score,
    start_billing,
    start_estimates,
)
from sewer_audit.explanations.catalogue import LOOK_ALIKES, PLAIN, is_other
from sewer_audit.explanations.comparing import Comparison, corrected_discharge
from sewer_audit.explanations.evidence import (
    Evidence,
    Point,
    WeightedVariant,
    joined_evidence,
    leading_variants,
    paired_evidence,
    robust_variants,
    single_evidence,
    sized_evidence,
)
from sewer_audit.explanations.model import Explanation, Variant
from sewer_audit.explanations.observations import Observations

__all__ = ["Candidate", "bill_candidates", "estimate_candidates"]

Fit = Callable[[Any], np.ndarray]
"""From a state to the log likelihood of each of its rows."""

LEADING = 5
"""Single explanations of a kind that are tried in pairs [-]."""
CLOSE = np.log(1000.0)
"""Pairs of bill explanations are tried unless all others lie below the best by this [-]."""
ESSENTIAL = 40
"""Points of the posterior used for corrected volumes [-]."""
ALIKE = 3.0
"""Log of the likelihood ratio of two look-alikes of which half is believed: what they would do is
known no better (judgement) [-]."""
NEEDED = 10.0
"""A pair stays on the table only if it is likelier than either of its two by this [-]."""


@dataclass(frozen=True)
class Candidate:
    """One explanation, or two of one kind, with its evidence.

    `shares` are the weights of the points of its posterior, `volumes` the discharge each leads to,
    `cov` its covariance given a point, on average.

    Units: discharge [m3]; cov [m6]; intake_shift [m3]; volumes [m3].
    """

    parts: tuple[Explanation, ...]
    prior: float
    evidence: Evidence
    discharge: np.ndarray | None = None
    cov: np.ndarray | None = None
    intake_shift: np.ndarray | None = None
    shares: np.ndarray | None = None
    volumes: np.ndarray | None = None
    within: np.ndarray | None = None

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

    list of Candidate: All with evidence 0 where no invoice has both estimates; what no figure tests
    keeps its prior.

    Notes
    -----
    What is likely is decided over the shortest intervals known; what it leads to over the invoices.
    """
    method = observed.method
    explanations = [e for e in explanations if not (method and e.methods) or method in e.methods]
    if not observed.tested:
        discharge, cov = _single_estimate(observed)
        alone, nothing = Evidence(0.0, (Point(1.0, ()),)), np.zeros(observed.count)
        return [
            Candidate((each,), prior, alone, discharge, cov, nothing)
            for each, prior in _shared_out(explanations, explanations)
        ]
    seen = observed if observed.fine is None else observed.fine
    seen = seen.where(seen.compared)
    start, comparison = start_estimates(seen), Comparison(seen)
    found = []
    for each in explanations:
        if is_other(each):
            evidence: Evidence | None = _unlisted(each, start, comparison)
        else:
            evidence = sized_evidence(each, seen, start, comparison)
        if evidence is not None:
            found.append((each, evidence))
    priors = dict(_shared_out([each for each, _ in found], explanations))
    singles = [Candidate((each,), priors[each], evidence) for each, evidence in found]
    if pairs:
        singles += _needed_pairs(singles, explanations, seen, start, comparison)
    singles = _as_far_as_models_go(singles, seen, start, comparison)
    return [_with_discharge(each, observed) for each in singles]


def _shared_out(
    tested: Sequence[Explanation], every: Sequence[Explanation]
) -> list[tuple[Explanation, float]]:
    """Prior of every explanation tested; what no figure here tests is one of "none of these"."""
    rest = sum(each.weight for each in every if each not in tested)
    others = sum(map(is_other, tested))
    total = sum(each.weight for each in every) if others else sum(each.weight for each in tested)
    return [
        (each, (each.weight + (rest / others if is_other(each) else 0.0)) / total)
        for each in tested
    ]


def _unlisted(explanation: Explanation, start: Any, comparison: Comparison) -> Evidence:
    """Errors of any size and duration in one of the two, which one cannot be told."""
    forms = [
        (log - np.log(2.0), which, size, shape)
        for log, size, shape in comparison.unlisted(start)
        for which in ("effluent", "balance")
    ]
    total = float(np.logaddexp.reduce([log for log, *_ in forms]))
    points = []
    for log, which, size, shape in forms:
        text = " ".join(filter(None, (f"the {which} is wrong", shape.label)))
        step = (explanation, Variant(text, 1.0, (which, size, shape)), size)
        points.append(Point(float(np.exp(log - total)), (step,)))
    kept = sorted((p for p in points if p.weight > 1e-4), key=lambda p: -p.weight)
    return Evidence(total, tuple(kept))


def _as_far_as_models_go(
    singles: list[Candidate], seen: Observations, start: Any, comparison: Comparison
) -> list[Candidate]:
    """Causes are told from each other only as well as what each would do is known.

    Notes
    -----
    What a cause does is either exact or wrong by `INEXACT` of itself for weeks on end, both alike
    before the figures are seen; decided at its likeliest form. Of a small difference to a
    look-alike of the likeliest less is believed than of a large one; what hand readings and marks
    tell stands in full.

    References
    ----------
    M. Kennedy and A. O'Hagan, J. R. Statist. Soc. B 63 (2001) 425 (model discrepancy; from memory).
    """

    if all(map(_special, singles)):
        return singles

    told: dict[tuple[str, ...], float] = {}

    def allowed(each: Candidate) -> Candidate:
        if _special(each):
            return each
        state = start
        for explanation, variant, value in each.evidence.points[0].steps:
            state = explanation.act(state, seen, variant, np.full(1, value))
        told[each.names] = float(np.ravel(state.log_told)[0])
        gain = float(np.logaddexp(0.0, comparison.gain_if_inexact(state)) - np.log(2.0))
        log = each.evidence.log_likelihood + gain
        return replace(each, evidence=replace(each.evidence, log_likelihood=log))

    found = [allowed(each) for each in singles]
    best = max((e for e in found if not _special(e)), key=lambda e: e.evidence.log_likelihood)
    top = best.evidence.log_likelihood - told[best.names]

    def likened(each: Candidate) -> Candidate:
        if any(part.parameter is None for part in (*each.parts, *best.parts)):
            return each  # a size that must come out exactly tells by itself
        pairs = (frozenset((a, b)) for a in each.names for b in best.names if a != b)
        if not any(pair in LOOK_ALIKES for pair in pairs):
            return each
        below = top - (each.evidence.log_likelihood - told[each.names])
        log = top + told[each.names] - below * abs(below) / (abs(below) + ALIKE)
        return replace(each, evidence=replace(each.evidence, log_likelihood=log))

    return [likened(each) for each in found]


def _needed_pairs(
    singles: list[Candidate],
    explanations: Sequence[Explanation],
    seen: Observations,
    start: Any,
    comparison: Comparison,
) -> list[Candidate]:
    """Two causes at once, kept where neither alone does nearly as well."""
    able = [each for each in singles if not _special(each)]
    able.sort(key=lambda each: -each.evidence.log_likelihood - np.log(each.prior))
    plain = max(each.evidence.log_likelihood for each in singles if not each.names)
    if not able or plain > able[0].evidence.log_likelihood - NEEDED:
        return []  # not even one is needed
    forms = [(c, leading_variants(c.parts[0], c.evidence, seen)) for c in able[:LEADING]]
    found = []
    for (one, first), (two, second) in combinations(_in_order(forms, explanations), 2):
        pair = (one.parts[0], two.parts[0])
        evidence = paired_evidence(pair, (first, second), seen, start, comparison)
        alone = max(each.evidence.log_likelihood for each in singles)
        if evidence is not None and evidence.log_likelihood > alone + NEEDED:
            found.append(Candidate(pair, one.prior * two.prior, evidence))
    return found


def _single_estimate(observed: Observations) -> tuple[np.ndarray | None, np.ndarray | None]:
    for mean, cov in (
        (observed.effluent_mean, observed.effluent_cov),
        (observed.balance_mean, observed.balance_cov),
    ):
        if mean is not None and np.isfinite(mean).any():
            return mean, cov
    return None, None


def _with_discharge(candidate: Candidate, observed: Observations) -> Candidate:
    """The candidate with its corrected discharge, also of invoices known by one estimate alone.

    A cause does not spare the invoices that nothing tests.
    """
    points = candidate.evidence.points[:ESSENTIAL]
    shares = np.array([point.weight for point in points])
    shares = shares / shares.sum()
    known = observed.estimated
    seen = observed.where(known)
    volumes, covs, moves = [], [], []
    for point in points:
        state, extra = start_estimates(seen), None
        for explanation, variant, value in point.steps:
            if is_other(explanation):
                extra = variant.data
            else:
                state = explanation.act(state, seen, variant, np.full(1, value))
        mean, cov = corrected_discharge(seen, state, extra)
        volumes.append(mean[0])
        covs.append(cov[0])
        moves.append(np.broadcast_to(state.intake_shift, (1, seen.count))[0])
    drawn, within = np.array(volumes), np.einsum("p,pij->ij", shares, np.array(covs))
    apart = drawn - shares @ drawn

    def placed(values: np.ndarray) -> np.ndarray:
        whole = np.full((*values.shape[:-1], observed.count), np.nan)
        whole[..., known] = values
        return whole

    def spread(cov: np.ndarray) -> np.ndarray:
        whole = np.full((observed.count, observed.count), np.nan)
        whole[np.ix_(known, known)] = _possible(cov)
        return whole

    moved = np.zeros(observed.count)
    moved[known] = shares @ np.array(moves)
    return Candidate(
        candidate.parts,
        candidate.prior,
        candidate.evidence,
        placed(shares @ drawn),
        spread(within + np.einsum("p,pi,pj->ij", shares, apart, apart)),
        moved,
        shares,
        placed(drawn),
        spread(within),
    )


def _possible(cov: np.ndarray) -> np.ndarray:
    """The nearest covariance."""
    values, vectors = np.linalg.eigh((cov + cov.T) / 2)
    return (vectors * np.maximum(values, 1e-12 * values[-1])) @ vectors.T


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
