"""Second opinion of the tests: the law of propagation of uncertainty.

A model is any function of a mapping from names to arrays of equal length; it returns one row per
evaluation. The same function serves the first-order formula here and the Monte Carlo beside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty.causes import Cause
from sewer_audit.uncertainty.freedom import coverage_factor, effective_dof, linear_interval
from sewer_audit.uncertainty.intervals import Interval

__all__ = [
    "Contribution",
    "FirstOrder",
    "Model",
    "Sensitivities",
    "first_order",
    "input_covariance",
    "sensitivities",
]

Model = Callable[[Mapping[str, np.ndarray]], np.ndarray]
Correlations = Mapping[tuple[str, str], float]


@dataclass(frozen=True)
class Contribution:
    """One line of a first-order budget.

    Units: standard [SI]; sensitivity [result unit per SI]; effect [result unit].

    share: Share of the combined variance; shares add up to 1 only without correlations.
    """

    name: str
    standard: float
    sensitivity: float
    effect: float
    dof: float
    share: float


@dataclass(frozen=True)
class FirstOrder:
    """Result of the law of propagation of uncertainty.

    Units: value [result unit]; standard_uncertainty [result unit]; contributions [result unit].
    """

    value: float
    standard_uncertainty: float
    dof: float
    coverage: float
    coverage_factor: float
    contributions: tuple[Contribution, ...]
    correlated_share: float

    @property
    def expanded(self) -> float:
        """Coverage factor times standard uncertainty [result unit]."""
        return self.coverage_factor * self.standard_uncertainty

    @property
    def interval(self) -> Interval:
        """Value less and plus the expanded uncertainty [result unit]."""
        return linear_interval(self.value, self.standard_uncertainty, self.coverage, self.dof)


@dataclass(frozen=True)
class Sensitivities:
    """Values of a model and their first derivatives.

    Units: value [result unit]; matrix [result unit per SI].
    """

    names: tuple[str, ...]
    value: np.ndarray
    matrix: np.ndarray

    def covariance(self, inputs: np.ndarray) -> np.ndarray:
        """Covariance of the results.

        Units: inputs [SI]; returns [result unit squared].

        Notes
        -----
        U_y = C U_x C'.

        References
        ----------
        JCGM 102:2011, 6.2 (from memory); for one result JCGM 100:2008 equation (13).
        """
        return self.matrix @ inputs @ self.matrix.T


def input_covariance(
    causes: Sequence[Cause], correlations: Correlations | None = None
) -> np.ndarray:
    """Covariance matrix of the causes.

    Units: causes [SI]; returns [SI].

    Notes
    -----
    u(x_i, x_j) = r u(x_i) u(x_j).

    References
    ----------
    JCGM 100:2008, 5.2.2 equation (14).
    """
    order = {cause.name: place for place, cause in enumerate(causes)}
    if len(order) != len(causes):
        raise AuditError("two causes share one name; give every cause a name of its own")
    matrix = np.eye(len(causes))
    for (one, other), value in (correlations or {}).items():
        if one not in order or other not in order or one == other:
            raise AuditError(f"correlation of {one!r} with {other!r}; name two different causes")
        matrix[order[one], order[other]] = matrix[order[other], order[one]] = value
    if len(causes) and np.linalg.eigvalsh(matrix).min() < -1e-9:
        raise AuditError("the correlation coefficients contradict each other (negative variance)")
    spread = np.array([cause.standard for cause in causes])
    return matrix * np.outer(spread, spread)


def sensitivities(model: Model, causes: Sequence[Cause], step: float = 1e-2) -> Sensitivities:
    """Values and first derivatives of a model, numerically.

    Units: model [SI]; causes [SI]; returns [result unit per SI].

    Notes
    -----
    Central differences with the steps s and s / 2 are combined, c = (4 c_(s/2) - c_s) / 3, so that
    the error falls with the fourth power of the step. A cause without spread has sensitivity 0.

    References
    ----------
    JCGM 100:2008, 5.1.3 and its note 2 (numerical sensitivities); Richardson extrapolation.
    """
    count = len(causes)
    best = np.array([cause.value for cause in causes])
    move = step * np.array([cause.standard for cause in causes])
    points = [best]
    for place in range(count):
        for factor in (1.0, -1.0, 0.5, -0.5):
            point = best.copy()
            point[place] += factor * move[place]
            points.append(point)
    rows = np.array(points)
    given = {cause.name: rows[:, place] for place, cause in enumerate(causes)}
    results = np.asarray(model(given), dtype=float).reshape(len(rows), -1)
    moved = results[1:].reshape(count, 4, -1)
    inputs = rows[1:].reshape(count, 4, count) if count else np.zeros((0, 4, 0))
    matrix = np.zeros((results.shape[1], count))
    for place in range(count):
        x = inputs[place, :, place]  # the step as it was really taken, after rounding
        if x[0] > x[1]:
            wide = (moved[place, 0] - moved[place, 1]) / (x[0] - x[1])
            narrow = (moved[place, 2] - moved[place, 3]) / (x[2] - x[3])
            matrix[:, place] = (4.0 * narrow - wide) / 3.0
    return Sensitivities(tuple(cause.name for cause in causes), results[0], matrix)


def first_order(
    model: Model,
    causes: Sequence[Cause],
    coverage: float = 0.95,
    correlations: Correlations | None = None,
) -> FirstOrder:
    """Propagate uncertainty by the linear formula, covariances included.

    Units: model [SI]; causes [SI]; returns [result unit].

    Notes
    -----
    u_c^2 = sum_i sum_j c_i c_j u(x_i, x_j). With correlations the effective degrees of freedom are
    those of the uncorrelated parts, an approximation the guide does not cover.

    References
    ----------
    JCGM 100:2008, 5.1.2 equation (10), 5.2.2 equations (13) and (16), G.4.1.
    """
    slopes = sensitivities(model, causes)
    if len(slopes.value) != 1:
        raise AuditError(f"the model has {len(slopes.value)} results; use sensitivities instead")
    slope = slopes.matrix[0]
    effects = slope * np.array([cause.standard for cause in causes])
    variance = float(slopes.covariance(input_covariance(causes, correlations))[0, 0])
    dof = effective_dof(effects, [cause.dof for cause in causes])
    shares = np.square(effects) / variance if variance > 0 else np.zeros(len(causes))
    lines = [
        Contribution(cause.name, cause.standard, float(s), float(e), cause.dof, float(p))
        for cause, s, e, p in zip(causes, slope, effects, shares, strict=True)
    ]
    lines.sort(key=lambda line: -abs(line.effect))
    return FirstOrder(
        float(slopes.value[0]),
        math.sqrt(max(variance, 0.0)),
        dof,
        coverage,
        coverage_factor(dof, coverage),
        tuple(lines),
        float(1.0 - shares.sum()) if variance > 0 else 0.0,
    )
