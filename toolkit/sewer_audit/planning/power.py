"""How long to monitor: the chance of reaching a finding, before anything is installed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from sewer_audit.errors import AuditError
from sewer_audit.planning.precision import Precision
from sewer_audit.uncertainty import DecisionRule, shared_coverage

COUNT = 20_000
"""Simulated records [-]."""


@dataclass(frozen=True)
class Chances:
    """Probability of each finding about the total, for true shortfalls."""

    too_high: np.ndarray
    too_low: np.ndarray
    supported: np.ndarray


def chances_of_total(shortfall: np.ndarray | float, standard: float, rule: DecisionRule) -> Chances:
    """Chance of each finding about the sum of a record, in closed form.

    Parameters
    ----------
    shortfall : array or float
        Share by which the true discharge lies below the billed one; negative if above [-].
    standard : float
        Relative standard uncertainty of the sum [-].

    Raises
    ------
    AuditError
        If the uncertainty is not above zero.

    Notes
    -----
    The estimate is V (1 + e) with e normal of standard deviation u, the reach stated with it is
    k u of itself with k = g z. Too high means V (1 + e)(1 + k u) < (1 - t) B, so its chance is
    Phi(((1 - t) / ((1 - x)(1 + k u)) - 1) / u); the other findings likewise.

    References
    ----------
    JCGM 106:2012, 8.3.2 and 8.3.3 (guarded acceptance and rejection), 9.5 (risks before the
    measurement).
    """
    if not standard > 0:
        raise AuditError(f"standard uncertainty {standard!r}; above zero")
    true = 1.0 - np.atleast_1d(np.asarray(shortfall, dtype=float))
    reach = rule.guard_factor * _factor(rule, rule.coverage) * standard
    low, high = 1.0 - rule.tolerance, 1.0 + rule.tolerance

    def below(bound: float) -> np.ndarray:
        return ndtr((bound / true - 1.0) / standard)

    too_high = below(low / (1.0 + reach))
    lower = max(1.0 - reach, 1e-9)
    too_low = 1.0 - below(high / lower)
    inside = below(high / (1.0 + reach)) - below(low / lower)
    return Chances(too_high, too_low, np.maximum(inside, 0.0))


def _factor(rule: DecisionRule, coverage: float) -> float:
    span = coverage if rule.sides == "two" else 2.0 * coverage - 1.0
    return float(ndtri(0.5 + span / 2.0))


def decision_power(
    precision: Precision,
    shortfalls: Sequence[float],
    rule: DecisionRule,
    lengths: Sequence[int] = (),
    seed: int = 1,
    count: int = COUNT,
) -> pd.DataFrame:
    """Simulate records of several lengths and count the findings they lead to.

    Notes
    -----
    Each simulated record errs by one draw from the covariance of its months; the audit then states
    the interval of that covariance around what it found. Months share one risk of a false finding.
    """
    wanted = list(lengths) or list(range(1, precision.months + 1))
    errors = _errors(precision, seed, count)
    spread = np.sqrt(np.diag(precision.covariance))
    rows = []
    for months in wanted:
        weights = precision.weights[:months] / precision.weights[:months].sum()
        sums = errors[:, :months] @ weights
        own = precision.total(months)
        each = shared_coverage(rule, errors[:, :months])
        for shortfall in shortfalls:
            high, low, inside = _found(1.0 - shortfall, sums, own, rule, rule.coverage)
            monthly, _, _ = _found(1.0 - shortfall, errors[:, :months], spread[:months], rule, each)
            rows.append(
                {
                    "months": months,
                    "shortfall": float(shortfall),
                    "standard_uncertainty": own,
                    "total_too_high": float(high.mean()),
                    "total_too_low": float(low.mean()),
                    "total_supported": float(inside.mean()),
                    "any_month_too_high": float(monthly.any(axis=1).mean()),
                }
            )
    return pd.DataFrame(rows)


def _errors(precision: Precision, seed: int, count: int) -> np.ndarray:
    """Relative errors of simulated records (count, months)."""
    value, vector = np.linalg.eigh(precision.covariance)
    root = vector * np.sqrt(np.clip(value, 0.0, None))
    normal = np.random.default_rng([seed, 9]).standard_normal((count, precision.months))
    return normal @ root.T


def _found(
    true: float, errors: np.ndarray, standard: np.ndarray | float, rule: DecisionRule, cover: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Which simulated estimates lead to too high, too low, supported; the bill is 1."""
    estimate = true * (1.0 + errors)
    reach = rule.guard_factor * _factor(rule, cover) * standard
    top, bottom = estimate * (1.0 + reach), estimate * (1.0 - reach)
    low, high = 1.0 - rule.tolerance, 1.0 + rule.tolerance
    return top < low, bottom > high, (bottom > low) & (top < high)


def length_for(
    precision: Precision, shortfall: float, rule: DecisionRule, power: float = 0.9
) -> int | None:
    """Shortest record that reaches the finding "too high" with a stated probability."""
    for months in range(1, precision.months + 1):
        if chances_of_total(shortfall, precision.total(months), rule).too_high[0] >= power:
            return months
    return None


def smallest_shortfall(standard: float, rule: DecisionRule, power: float = 0.9) -> float:
    """Smallest shortfall that is found too high with a stated probability.

    Notes
    -----
    Solved from the closed form: x = 1 - (1 - t) / ((1 + k u)(1 + z u)), z the quantile of the
    power.

    References
    ----------
    JCGM 106:2012, 8.3.3, with the chance of the finding as in 9.5.
    """
    reach = rule.guard_factor * _factor(rule, rule.coverage) * standard
    needed = 1.0 + float(ndtri(power)) * standard
    return 1.0 - (1.0 - rule.tolerance) / ((1.0 + reach) * needed)
