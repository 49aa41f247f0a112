"""Marginal likelihood of an explanation: its likelihood averaged over what it leaves open."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sewer_audit.explanations.model import Explanation, Variant
from sewer_audit.explanations.observations import Observations

__all__ = [
    "Evidence",
    "Point",
    "average_likelihood",
    "joined_evidence",
    "leading_variants",
    "robust_variants",
    "single_evidence",
]

WeightedVariant = tuple[float, Variant]
"""Prior weight among the variants of an explanation, and the variant."""

COARSE = 25
"""Values of a parameter tried first [-]."""
BETWEEN = 7
"""Values added in each interval beside the best one, per round [-]."""
ROUNDS = 7
CLOSE = 1.0
"""Rounds end where the log likelihood of the best value's neighbours differs by less [-]."""
LEAST = 1e-4
"""Points below this share of the posterior are dropped [-]."""
REACH = 6.0
"""Half the width of the even grid over the peak, in standard deviations of the posterior [-]."""
JOINED = 24
"""Values of each parameter where two explanations are joined [-]."""
CHOSEN = 12
"""Variants of each kept for joining, besides the main ones [-]."""


@dataclass(frozen=True)
class Point:
    """One variant at one parameter value."""

    weight: float
    steps: tuple[tuple[Explanation, Variant, float], ...]


@dataclass(frozen=True)
class Evidence:
    """How well one explanation, or two together, account for the data."""

    log_likelihood: float
    points: tuple[Point, ...]


def average_likelihood(
    log_likelihood: Callable[[np.ndarray], np.ndarray], low: float, high: float
) -> tuple[float, np.ndarray, np.ndarray]:
    """Log of the average of a likelihood over a uniform prior, refined about its peak.

    Units: low, high [unit].

    Notes
    -----
    Values are added beside the best of 25 until its neighbours' log likelihoods lie within 1 of it;
    the curvature there sets an even grid over the peak; trapezoid rule. One peak is assumed.

    References
    ----------
    R. Kass and A. Raftery, J. Amer. Statist. Assoc. 90 (1995) 773, section 4 (marginal likelihood
    by quadrature).
    """
    values = np.linspace(low, high, COARSE)
    found = np.asarray(log_likelihood(values))
    for _ in range(ROUNDS):
        best = int(np.argmax(found))
        near = [place for place in (best - 1, best + 1) if 0 <= place < len(values)]
        if all(found[best] - found[place] < CLOSE for place in near):
            break
        added = np.concatenate(
            [np.linspace(values[best], values[place], BETWEEN + 2)[1:-1] for place in near]
        )
        values, found = _merged(values, found, added, log_likelihood)
    window = _window(values, found, low, high)
    if len(window):
        outside = (values < window[0]) | (values > window[-1])
        values, found = _merged(values[outside], found[outside], window, log_likelihood)
    width = np.empty_like(values)
    width[1:-1] = (values[2:] - values[:-2]) / 2
    width[0], width[-1] = (values[1] - values[0]) / 2, (values[-1] - values[-2]) / 2
    parts = found + np.log(width / (high - low))
    total = float(np.logaddexp.reduce(parts))
    return total, values, np.exp(parts - total)


def _merged(
    values: np.ndarray,
    found: np.ndarray,
    added: np.ndarray,
    log_likelihood: Callable[[np.ndarray], np.ndarray],
) -> tuple[np.ndarray, np.ndarray]:
    values = np.concatenate([values, added])
    found = np.concatenate([found, log_likelihood(added)])
    order = np.argsort(values, kind="stable")
    return values[order], found[order]


def _window(values: np.ndarray, found: np.ndarray, low: float, high: float) -> np.ndarray:
    """Even grid over the peak, where the curvature at the best value shows one."""
    best = int(np.clip(np.argmax(found), 1, len(values) - 2))
    x, y = values[best - 1 : best + 2], found[best - 1 : best + 2]
    bend, slope, _ = np.polyfit(x - x[1], y - y[1], 2)
    if not bend < 0:
        return np.empty(0)
    spread = 1 / np.sqrt(-2 * bend)
    middle = float(np.clip(x[1] - slope / (2 * bend), x[0], x[2]))
    ends = max(middle - REACH * spread, low), min(middle + REACH * spread, high)
    if ends[1] - ends[0] > 0.9 * (high - low) or not ends[1] > ends[0]:
        return np.empty(0)
    return np.linspace(*ends, COARSE)


def single_evidence(
    explanation: Explanation,
    observed: Observations,
    start: object,
    fit: Callable[[object], np.ndarray],
) -> Evidence | None:
    """Marginal likelihood of one explanation.

    Units: start [m3].
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
    choices: tuple[Sequence[WeightedVariant], Sequence[WeightedVariant]],
    observed: Observations,
    start: object,
    fit: Callable[[object], np.ndarray],
) -> Evidence | None:
    """Marginal likelihood of two explanations that act one after the other.

    Units: start [m3].
    """
    grids = [_grid(explanation) for explanation in pair]
    first, second = (each.ravel() for each in np.meshgrid(*grids, indexing="ij"))
    found = []
    for weight_one, one in choices[0]:
        middle = pair[0].act(start, observed, one, first)  # type: ignore[arg-type]
        for weight_two, two in choices[1]:
            state = pair[1].act(middle, observed, two, second)
            prior = np.log(weight_one * weight_two / len(first))
            for log, a, b in zip(fit(state) + prior, first, second, strict=True):
                steps = ((pair[0], one, float(a)), (pair[1], two, float(b)))
                found.append((float(log), steps))
    return _collected(found) if found else None


def _grid(explanation: Explanation) -> np.ndarray:
    if explanation.parameter is None:
        return np.full(1, np.nan)
    return np.geomspace(explanation.parameter.low, explanation.parameter.high, JOINED)


def leading_variants(
    explanation: Explanation, evidence: Evidence, observed: Observations
) -> list[WeightedVariant]:
    """Main variants and the best of the others, for joining."""
    best = {point.steps[0][1].label for point in evidence.points[:3]}
    return [
        (weight, variant)
        for weight, variant in _weighted(explanation, observed)
        if variant.main or variant.label in best
    ]


def robust_variants(
    explanation: Explanation,
    observed: Observations,
    start: object,
    score: Callable[[object], np.ndarray],
) -> tuple[float, list[WeightedVariant]]:
    """Variants that account for most invoices, whatever happened in the others.

    Units: start [m3].
    """
    scored = []
    for weight, variant in _weighted(explanation, observed):
        state = explanation.act(start, observed, variant, np.full(1, np.nan))  # type: ignore[arg-type]
        scored.append((float(score(state)[0]), weight, variant))
    scored.sort(key=lambda each: -each[0])
    return scored[0][0], [(weight, variant) for _, weight, variant in scored[:CHOSEN]]


def _weighted(explanation: Explanation, observed: Observations) -> list[WeightedVariant]:
    variants = explanation.variants(observed)
    total = sum(variant.weight for variant in variants)
    return [(variant.weight / total, variant) for variant in variants]


def _collected(found: list[tuple[float, tuple]]) -> Evidence:
    logs = np.array([log for log, _ in found])
    total = float(np.logaddexp.reduce(logs))
    weights = np.exp(logs - total)
    order = np.argsort(-weights, kind="stable")
    kept = [place for place in order if weights[place] >= LEAST] or [int(order[0])]
    scale = weights[kept].sum()
    return Evidence(total, tuple(Point(float(weights[k] / scale), found[k][1]) for k in kept))
