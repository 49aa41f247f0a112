"""Marginal likelihood of an explanation: its likelihood averaged over what it leaves open."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sewer_audit.explanations.acts.states import Estimates
from sewer_audit.explanations.comparing import Comparison
from sewer_audit.explanations.model import Explanation, Variant
from sewer_audit.explanations.observations import Observations

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
LOST = 25.0
"""Log below the likeliest at which a size of the unknown errors is dropped [-]."""
STEEP = 3.0
"""Log between neighbouring sizes up to which a parabola through them is trusted [-]."""
ROUNDS_OF_SIZE = 3
DIVIDED = 7
"""Times the best interval of sizes is divided, and into how many nodes [-]."""
NODES = 16
"""Sizes of a cause of the estimates tried in each of its forms [-]."""
JOINED = 10
"""Sizes of each where two of them are joined [-]."""
LEADING_FORMS = 3
"""Forms of each that are joined [-]."""
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


def sized_evidence(
    explanation: Explanation, observed: Observations, start: Estimates, comparison: Comparison
) -> Evidence | None:
    """Marginal likelihood of a cause of the estimates, over all its forms and sizes.

    Units: start [m3].

    Notes
    -----
    Sizes are tried at geometric nodes; where the peak is narrower than they are apart, a parabola
    through the best three gives its height and width (exact for a normal likelihood).

    References
    ----------
    R. Kass and A. Raftery, J. Amer. Statist. Assoc. 90 (1995) 773, section 4 (Laplace's method).
    """
    variants = _weighted(explanation, observed)
    if not variants:
        return None
    sizes = _nodes(explanation)
    found: list[tuple[float, Variant, float]] = []
    best = comparison.fit(start)[0]
    for weight, variant in variants:

        def terms(values: np.ndarray, variant: Variant = variant) -> np.ndarray:
            found = comparison.terms(explanation.act(start, observed, variant, values))
            return np.broadcast_to(found, (len(found), len(values)))

        reach = np.log(sizes[-1] / sizes[0]) if len(sizes) > 1 else 0.0
        points = _peaks(terms, sizes, reach, best - np.log(weight) - LOST)
        best = max(best, np.log(weight) + max(log for log, _ in points))
        found += [(float(np.log(weight) + log), variant, size) for log, size in points]
    return _collected([(log, ((explanation, variant, size),)) for log, variant, size in found])


def _nodes(explanation: Explanation, count: int = NODES) -> np.ndarray:
    size = explanation.parameter
    return np.full(1, np.nan) if size is None else np.geomspace(size.low, size.high, count)


def _peaks(
    terms: Callable[[np.ndarray], np.ndarray], sizes: np.ndarray, reach: float, least: float
) -> list[tuple[float, float]]:
    """Log of the average over the prior of the size, as a few points (log weight, size).

    The best interval is divided until the peak is wider than the nodes are apart, unless even a
    parabola's top stays below the least worth telling.
    """
    logs = terms(sizes)
    if len(sizes) == 1:
        return [(float(np.logaddexp.reduce(logs[:, 0])), float(sizes[0]))]
    step = np.gradient(np.log(sizes))
    step[[0, -1]] /= 2
    whole = np.logaddexp.reduce(logs, axis=0)
    coarse = list(zip(whole + np.log(step / reach), sizes, strict=True))
    for _ in range(ROUNDS_OF_SIZE):
        best = int(np.clip(np.argmax(whole), 1, len(sizes) - 2))
        x, y = sizes[best - 1 : best + 2], whole[best - 1 : best + 2]
        top, middle, width = _parabola(x, y)
        if not width < 0.35 * (x[2] - x[0]):
            return [(float(log), float(size)) for log, size in coarse]
        if top < least:
            break
        if y[1] - max(y[0], y[2]) < STEEP and y[1] - min(y[0], y[2]) < 4 * STEEP:
            peak = top + np.log(width * np.sqrt(2 * np.pi) / (middle * reach))
            return [
                (float(peak + np.log(share)), float(np.clip(middle + away * width, x[0], x[2])))
                for away, share in ((0.0, 2 / 3), (np.sqrt(3), 1 / 6), (-np.sqrt(3), 1 / 6))
            ]
        sizes = np.linspace(x[0], x[2], DIVIDED)
        whole = np.logaddexp.reduce(terms(sizes), axis=0)
        step = np.full(DIVIDED, (sizes[1] - sizes[0])) / sizes
        coarse = list(zip(whole + np.log(step / reach), sizes, strict=True))
    return [(float(log), float(size)) for log, size in coarse]


def _parabola(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float]:
    """Top, its place, and the standard deviation of a normal likelihood through three points."""
    first = (y[1] - y[0]) / (x[1] - x[0])
    bend = ((y[2] - y[1]) / (x[2] - x[1]) - first) / (x[2] - x[0])
    if not bend < 0:
        return float(y.max()), float(x[1]), np.inf
    slope = first + bend * (x[1] - x[0])
    middle = float(np.clip(x[1] - slope / (2 * bend), x[0], x[2]))
    top = y[1] + slope * (middle - x[1]) + bend * (middle - x[1]) ** 2
    return float(top), middle, float(np.sqrt(-0.5 / bend))


def paired_evidence(
    pair: tuple[Explanation, Explanation],
    choices: tuple[Sequence[WeightedVariant], Sequence[WeightedVariant]],
    observed: Observations,
    start: Estimates,
    comparison: Comparison,
) -> Evidence | None:
    """Marginal likelihood of two causes of the estimates at once.

    Units: start [m3].

    Notes
    -----
    A grid of both sizes is divided about its best point; what lies beyond is left out, so that a
    pair is understated rather than overstated.
    """
    found = []
    for weight_one, one in choices[0]:
        for weight_two, two in choices[1]:
            axes = [_nodes(part, JOINED) for part in pair]
            reach = [np.log(axis[-1] / axis[0]) if len(axis) > 1 else 1.0 for axis in axes]
            for _ in range(ROUNDS_OF_SIZE):
                first, second = (each.ravel() for each in np.meshgrid(*axes, indexing="ij"))
                middle = pair[0].act(start, observed, one, first)
                logs = comparison.fit(pair[1].act(middle, observed, two, second))
                logs = np.broadcast_to(logs, first.shape)
                best = np.unravel_index(int(np.argmax(logs)), [len(axis) for axis in axes])
                used, axes = axes, [
                    axis if len(axis) == 1 else np.linspace(
                        axis[max(at - 1, 0)], axis[min(at + 1, len(axis) - 1)], DIVIDED)
                    for axis, at in zip(axes, best, strict=True)
                ]  # fmt: skip
            cell = 0.0
            for axis, size, whole in zip(used, (first, second), reach, strict=True):
                if len(axis) > 1:
                    cell = cell + np.log((axis[1] - axis[0]) / (size * whole))
            prior = np.log(weight_one * weight_two)
            for log, a, b in zip(logs + cell + prior, first, second, strict=True):
                steps = ((pair[0], one, float(a)), (pair[1], two, float(b)))
                found.append((float(log), steps))
    return _collected(found) if found else None


def joined_evidence(
    pair: tuple[Explanation, Explanation],
    choices: tuple[Sequence[WeightedVariant], Sequence[WeightedVariant]],
    observed: Observations,
    start: object,
    fit: Callable[[object], np.ndarray],
) -> Evidence | None:
    """Marginal likelihood of two errors of the bill, neither with a size, one after the other.

    Units: start [m3].
    """
    found = []
    nothing = np.full(1, np.nan)
    for weight_one, one in choices[0]:
        middle = pair[0].act(start, observed, one, nothing)
        for weight_two, two in choices[1]:
            log = float(fit(pair[1].act(middle, observed, two, nothing))[0])
            steps = ((pair[0], one, np.nan), (pair[1], two, np.nan))
            found.append((log + float(np.log(weight_one * weight_two)), steps))
    return _collected(found) if found else None


def leading_variants(
    explanation: Explanation, evidence: Evidence, observed: Observations
) -> list[WeightedVariant]:
    """The best forms of a cause, for joining, and its plainest."""
    best = list(dict.fromkeys(point.steps[0][1].label for point in evidence.points))[:LEADING_FORMS]
    return [
        (weight, variant)
        for place, (weight, variant) in enumerate(_weighted(explanation, observed))
        if variant.label in best or place == 0
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
