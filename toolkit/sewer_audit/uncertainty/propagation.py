"""The law of propagation of uncertainty: sensitivities, covariances, effective degrees of freedom.

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

    Parameters
    ----------
    name : str
        Name of the cause [text].
    standard : float
        Its standard uncertainty [SI].
    sensitivity : float
        Change of the result per unit of the cause [result unit per SI].
    effect : float
        Sensitivity times standard uncertainty, with its sign [result unit].
    dof : float
        Degrees of freedom of `standard` [-].
    share : float
        Share of the combined variance; shares add up to 1 only without correlations [-].
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

    Parameters
    ----------
    value : float
        Model at the best values of all causes [result unit].
    standard_uncertainty : float
        Combined standard uncertainty [result unit].
    dof : float
        Effective degrees of freedom [-].
    coverage : float
        Probability of the interval [-].
    coverage_factor : float
        Student t quantile for that probability and those degrees of freedom [-].
    contributions : tuple of Contribution
        Sorted by size, largest first [result unit].
    correlated_share : float
        Share of the variance that comes from correlations between causes; may be negative [-].
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

    Parameters
    ----------
    names : tuple of str
        Causes, in the order of the columns [text].
    value : array (results,)
        Model at the best values [result unit].
    matrix : array (results, causes)
        Change of each result per unit of each cause [result unit per SI].
    """

    names: tuple[str, ...]
    value: np.ndarray
    matrix: np.ndarray

    def covariance(self, inputs: np.ndarray) -> np.ndarray:
        """Covariance of the results.

        Parameters
        ----------
        inputs : array (causes, causes)
            Covariance of the causes, from `input_covariance` [SI].

        Returns
        -------
        array (results, results)
            Combined covariance [result unit squared].

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

    Parameters
    ----------
    causes : sequence of Cause
        The inputs; their `standard` is what enters [SI].
    correlations : mapping, optional
        Pair of names to correlation coefficient; pairs left out are independent [-].

    Returns
    -------
    array (causes, causes)
        Covariance in the units of the causes [SI].

    Raises
    ------
    AuditError
        If a name is unknown or the coefficients contradict each other.

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

    Parameters
    ----------
    model : callable
        From a mapping of names to arrays (n,) to an array (n,) or (n, results) [SI].
    causes : sequence of Cause
        Best values and standard uncertainties of the inputs [SI].
    step : float
        Step in units of the standard uncertainty [-].

    Returns
    -------
    Sensitivities
        One row per result, one column per cause [result unit per SI].

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

    Parameters
    ----------
    model : callable
        From a mapping of names to arrays (n,) to an array (n,) [SI].
    causes : sequence of Cause
        Best values, standard uncertainties and degrees of freedom of the inputs [SI].
    coverage : float
        Probability of the interval [-].
    correlations : mapping, optional
        Pair of names to correlation coefficient [-].

    Returns
    -------
    FirstOrder
        Value, combined standard uncertainty, interval and contributions [result unit].

    Raises
    ------
    AuditError
        If a correlation or the coverage makes no sense, or the model has several results.

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
