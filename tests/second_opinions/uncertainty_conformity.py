"""Conformity of a normal quantity with limits: probabilities, guard bands, risks, scores.

Closed formulas for hand checks and planning. Findings about invoices come from draws, in
:mod:`sewer_audit.uncertainty.decision`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri, stdtr

from sewer_audit.errors import AuditError

__all__ = [
    "GlobalRisks",
    "Limits",
    "conformance_probability",
    "global_risks",
    "guarded_limits",
    "limit_of_proof",
    "normalised_error",
    "one_sided_factor",
    "zeta_score",
]


@dataclass(frozen=True)
class Limits:
    """An interval of permissible or of acceptable values.

    Units: low, high [any].
    """

    low: float = -math.inf
    high: float = math.inf


@dataclass(frozen=True)
class GlobalRisks:
    """Chances of wrong decisions before an item is measured."""

    prior_conformity: float
    consumer: float
    producer: float


def conformance_probability(
    estimate: float, standard: float, limits: Limits, dof: float = math.inf
) -> float:
    """Probability that a quantity lies within limits, given its estimate and uncertainty.

    Units: estimate [any]; standard [unit of the estimate]; limits [unit of the estimate].

    Notes
    -----
    p = F((high - y) / u) - F((low - y) / u) with F the normal or Student t distribution.

    References
    ----------
    JCGM 106:2012, 7.1 to 7.4.
    """
    if not standard > 0:
        raise AuditError(f"standard uncertainty {standard!r}; above zero")
    scaled = (np.array([limits.low, limits.high]) - estimate) / standard
    below = ndtr(scaled) if math.isinf(dof) else stdtr(dof, scaled)
    return float(below[1] - below[0])


def one_sided_factor(probability: float) -> float:
    """Distance from a limit, in standard uncertainties, for a one-sided conformance probability.

    Notes
    -----
    z = Phi^-1(p).

    References
    ----------
    JCGM 106:2012, 7.3.3 and Table 1.
    """
    if not 0 < probability < 1:
        raise AuditError(f"probability {probability!r}; between 0 and 1")
    return float(ndtri(probability))


def guarded_limits(tolerance: Limits, expanded: float, guard_factor: float = 1.0) -> Limits:
    """Acceptance limits set off from tolerance limits by a guard band.

    Units: tolerance [any]; expanded [unit of the limits]; returns [unit of the limits].

    expanded: Expanded uncertainty, usually 2 u.

    Notes
    -----
    A_L = T_L + w, A_U = T_U - w.

    References
    ----------
    JCGM 106:2012, 8.3.1 to 8.3.3.
    """
    band = guard_factor * expanded
    low, high = tolerance.low + band, tolerance.high - band
    if not low < high:
        raise AuditError(
            f"a guard band of {band:g} leaves nothing to accept between {tolerance.low:g} and "
            f"{tolerance.high:g}; a smaller uncertainty is needed"
        )
    return Limits(low, high)


def limit_of_proof(
    limit: float, probability: float, standard: float = 0.0, relative: float = 0.0
) -> float:
    """Smallest measured value that proves a limit exceeded with a stated probability.

    Units: limit [any]; standard [unit of the limit]; returns [unit of the limit].

    Notes
    -----
    v = (T + z u) / (1 - z u_rel), for one of the two uncertainties or their sum as worst case. The
    value below which a lower limit is proven undercut follows with a negative z (probability
    1 - p).

    References
    ----------
    JCGM 106:2012, 8.3.3 (guarded rejection and its speed control example).
    """
    z = one_sided_factor(probability)
    if not z * relative < 1:
        raise AuditError("the relative uncertainty is so large that no value proves anything")
    return (limit + z * standard) / (1.0 - z * relative)


def normalised_error(
    value: float, reference: float, expanded: float, expanded_reference: float
) -> float:
    """Difference of two results over their joint expanded uncertainty (E_n).

    Units: value, reference [any]; expanded, expanded_reference [unit of the results].

    expanded, expanded_reference: Their expanded uncertainties with k = 2. float: Above 1 in
    size: the results disagree.

    Notes
    -----
    E_n = (x - X) / sqrt(U^2 + U_ref^2). It presumes independent results; common causes must be
    taken out of both uncertainties first.

    References
    ----------
    ISO 13528:2015, 9.7 and ISO/IEC 17043 (from memory).
    """
    return (value - reference) / math.hypot(expanded, expanded_reference)


def zeta_score(value: float, reference: float, standard: float, standard_reference: float) -> float:
    """Difference of two results over their joint standard uncertainty (zeta).

    Units: value, reference [any]; standard, standard_reference [unit of the results].

    float: Above 2 in size: questionable, above 3: they disagree.

    Notes
    -----
    zeta = (x - X) / sqrt(u^2 + u_ref^2), for independent results.

    References
    ----------
    ISO 13528:2015, 9.6 (from memory).
    """
    return (value - reference) / math.hypot(standard, standard_reference)


def global_risks(
    tolerance: Limits,
    acceptance: Limits,
    prior_mean: float,
    prior_standard: float,
    standard: float,
) -> GlobalRisks:
    """Risks of wrong decisions over a population of items, before any is measured.

    Units: tolerance [any]; acceptance [unit of the tolerance]; prior_mean, prior_standard [unit of
    the tolerance]; standard [unit of the tolerance].

    Notes
    -----
    R_c = int over true values outside tolerance of P(accepted | true) prior(true); R_p likewise
    with rejected and inside. Integrated by the trapezoidal rule over 8 prior standard deviations.

    References
    ----------
    JCGM 106:2012, 9.5.2 equations (20) to (24).
    """
    if not (prior_standard > 0 and standard > 0):
        raise AuditError("both standard deviations are above zero")
    wrong = []
    grid = np.linspace(-8.0, 8.0, 40_001)
    for inside in (False, True):
        total = 0.0
        for low, high in _ranges(tolerance, inside):
            a, b = (low - prior_mean) / prior_standard, (high - prior_mean) / prior_standard
            z = np.unique(np.clip(np.concatenate([grid, [a, b]]), max(a, -8.0), min(b, 8.0)))
            if len(z) < 2:
                continue
            true = prior_mean + prior_standard * z
            taken = ndtr((acceptance.high - true) / standard) - ndtr(
                (acceptance.low - true) / standard
            )
            weight = np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi)
            total += float(np.trapezoid(weight * ((1 - taken) if inside else taken), z))
        wrong.append(total)
    conforming = conformance_probability(prior_mean, prior_standard, tolerance)
    return GlobalRisks(conforming, wrong[0], wrong[1])


def _ranges(limits: Limits, inside: bool) -> list[tuple[float, float]]:
    if inside:
        return [(limits.low, limits.high)]
    return [(-math.inf, limits.low), (limits.high, math.inf)]
