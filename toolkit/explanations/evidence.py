"""Marginal likelihood of an explanation: its likelihood averaged over what it leaves open."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from toolkit.explanations.model import Explanation, Variant
from toolkit.explanations.observations import Observations

__all__ = ["Evidence", "Point", "average_likelihood", "joined_evidence", "single_evidence"]

COARSE = 25
"""Values of a parameter tried first [-]."""
BETWEEN = 7
"""Values added in each interval beside the best one, per round [-]."""
ROUNDS = 7
CLOSE = 1.0
"""Rounds end where the log likelihood of the best value's neighbours differs by less [-]."""
LEAST = 1e-4
"""Points below this share of the posterior are dropped [-]."""
JOINED = 24
"""Values of each parameter where two explanations are joined [-]."""


@dataclass(frozen=True)
class Point:
    """One variant at one parameter value.

    Parameters
    ----------
    weight : float
        Its share of the posterior within the explanation [-].
    steps : tuple
        (explanation, variant, value) of everything that acts [-].
    """

    weight: float
    steps: tuple[tuple[Explanation, Variant, float], ...]


@dataclass(frozen=True)
class Evidence:
    """How well one explanation, or two together, account for the data.

    Parameters
    ----------
    log_likelihood : float
        Log of the likelihood averaged over variants and parameter [-].
    points : tuple of Point
        Where the posterior lies, largest first [-].
    """

    log_likelihood: float
    points: tuple[Point, ...]


def average_likelihood(
    log_likelihood: Callable[[np.ndarray], np.ndarray], low: float, high: float
) -> tuple[float, np.ndarray, np.ndarray]:
    """Log of the average of a likelihood over a uniform prior, refined about its peak.

    Parameters
    ----------
    log_likelihood : callable
        From parameter values (k,) to log likelihoods (k,) [-].
    low, high : float
        Ends of the prior [unit].

    Returns
    -------
    tuple of float and two arrays
        Log of the average [-], the values [unit] and their posterior weights [-].

    Notes
    -----
    Trapezoid rule over 25 values, then values added beside the best one until its neighbours'
    log likelihoods lie within 1 of it. One peak is assumed.

    References
    ----------
    R. Kass and A. Raftery, J. Amer. Statist. Assoc. 90 (1995) 773, section 4 (marginal likelihood
    by quadrature).
    """
    values = np.linspace(low, high, COARSE)
    found = log_likelihood(values)
    for _ in range(ROUNDS):
        best = int(np.argmax(found))
        near = [best - 1, best + 1]
        near = [place for place in near if 0 <= place < len(values)]
        if all(found[best] - found[place] < CLOSE for place in near):
            break
        added = np.concatenate(
            [np.linspace(values[best], values[place], BETWEEN + 2)[1:-1] for place in near]
        )
        values = np.concatenate([values, added])
        found = np.concatenate([found, log_likelihood(added)])
        order = np.argsort(values)
        values, found = values[order], found[order]
    width = np.empty_like(values)
    width[1:-1] = (values[2:] - values[:-2]) / 2
    width[0], width[-1] = (values[1] - values[0]) / 2, (values[-1] - values[-2]) / 2
    parts = found + np.log(width / (high - low))
    total = float(np.logaddexp.reduce(parts))
    return total, values, np.exp(parts - total)


def single_evidence(
    explanation: Explanation,
    observed: Observations,
    start: object,
    fit: Callable[[object], np.ndarray],
) -> Evidence | None:
    """Marginal likelihood of one explanation.

    Parameters
    ----------
    explanation : Explanation
        What acts [-].
    observed : Observations
        What is known [-].
    start : Billing or Estimates
        The state without it [m3].
    fit : callable
        From a state to log likelihoods [-].

    Returns
    -------
    Evidence or None
        None where the observations cannot show the explanation [-].
    """
    variants = explanation.variants(observed)
    if not variants:
        return None
    total = sum(variant.weight for variant in variants)
    found: list[tuple[float, Variant, float]] = []
    for variant in variants:
        prior = np.log(variant.weight / total)

        def likelihood(logs: np.ndarray, variant: Variant = variant) -> np.ndarray:
            found = fit(explanation.act(start, observed, variant, np.exp(logs)))
            return np.broadcast_to(found, logs.shape)  # a variant may have no size

        if explanation.parameter is None:
            value = float(fit(explanation.act(start, observed, variant, np.full(1, np.nan)))[0])
            found.append((prior + value, variant, float("nan")))
            continue
        low, high = np.log(explanation.parameter.low), np.log(explanation.parameter.high)
        average, logs, weights = average_likelihood(likelihood, low, high)
        with np.errstate(divide="ignore"):
            shares = np.log(weights)
        found += [
            (prior + average + share, variant, float(np.exp(log)))
            for log, share in zip(logs, shares, strict=True)
        ]
    return _collected([(log, ((explanation, variant, size),)) for log, variant, size in found])


def joined_evidence(
    pair: tuple[Explanation, Explanation],
    best: tuple[Evidence, Evidence],
    observed: Observations,
    start: object,
    fit: Callable[[object], np.ndarray],
) -> Evidence | None:
    """Marginal likelihood of two explanations that act one after the other.

    Parameters
    ----------
    pair : two Explanations
        The first acts first [-].
    best : two Evidences
        Of each alone, to know its leading variants [-].
    observed : Observations
        What is known [-].
    start : Billing or Estimates
        The state without them [m3].
    fit : callable
        From a state to log likelihoods [-].

    Returns
    -------
    Evidence or None
        None where one of them cannot be shown [-].
    """
    choices = [_leading(*each, observed) for each in zip(pair, best, strict=True)]
    found = []
    for weight_one, one in choices[0]:
        for weight_two, two in choices[1]:
            grids = [_grid(explanation) for explanation in pair]
            first, second = (each.ravel() for each in np.meshgrid(*grids, indexing="ij"))
            state = pair[0].act(start, observed, one, first)  # type: ignore[arg-type]
            state = pair[1].act(state, observed, two, second)
            prior = np.log(weight_one * weight_two / len(first))
            for log, a, b in zip(fit(state) + prior, first, second, strict=True):
                steps = ((pair[0], one, float(a)), (pair[1], two, float(b)))
                found.append((float(log), steps))
    return _collected(found) if found else None


def _grid(explanation: Explanation) -> np.ndarray:
    if explanation.parameter is None:
        return np.full(1, np.nan)
    return np.geomspace(explanation.parameter.low, explanation.parameter.high, JOINED)


def _leading(
    explanation: Explanation, evidence: Evidence, observed: Observations
) -> list[tuple[float, Variant]]:
    """Main variants and the best of the others, with prior weights."""
    variants = explanation.variants(observed)
    total = sum(variant.weight for variant in variants)
    leading = {id(variant): variant for variant in variants if variant.main}
    best = {point.steps[0][1].label for point in evidence.points[:3]}
    leading |= {id(variant): variant for variant in variants if variant.label in best}
    return [(variant.weight / total, variant) for variant in leading.values()]


def _collected(found: list[tuple[float, tuple]]) -> Evidence:
    logs = np.array([log for log, _ in found])
    total = float(np.logaddexp.reduce(logs))
    weights = np.exp(logs - total)
    order = np.argsort(-weights, kind="stable")
    kept = [place for place in order if weights[place] >= LEAST] or [int(order[0])]
    scale = weights[kept].sum()
    return Evidence(total, tuple(Point(float(weights[k] / scale), found[k][1]) for k in kept))
