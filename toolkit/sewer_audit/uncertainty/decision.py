"""Decisions about billed volumes under a rule stated beforehand.

A finding is an allegation or a certificate, so the whole coverage interval must lie on one side:
"too high" and "too low" by guarded rejection, "supported" by guarded acceptance. Whatever remains
cannot be decided, and the record says how narrow the interval would have to be.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from sewer_audit.errors import AuditError, Flag
from sewer_audit.uncertainty.intervals import Summary, coverage_interval, summarise
from sewer_audit.uncertainty.rule import SUPPORTED, TOO_HIGH, TOO_LOW, UNDECIDED, DecisionRule


@dataclass(frozen=True)
class Judgement:
    """What the evidence says about one billed volume, in the unit of its draws."""

    billed: float
    audited: Summary
    lower_limit: float
    upper_limit: float
    probability_overbilled: float
    probability_underbilled: float
    probability_error: float
    finding: str
    risk: float
    coverage: float
    guard_band: float
    distance: float
    reach_to_decide: float
    numerically_firm: bool


@dataclass(frozen=True)
class Verdicts:
    """Judgements of all invoices, and of their sum at the coverage of the rule itself."""

    invoices: tuple[Judgement, ...]
    total: Judgement
    rule: DecisionRule
    flags: tuple[Flag, ...]


def judge(
    audited_draws: np.ndarray,
    billed: np.ndarray,
    tolerance: float = 0.05,
    coverage: float = 0.95,
    guard_factor: float = 1.0,
    *,
    sides: str = "two",
    family: str = "joint",
) -> Verdicts:
    """Judge billed volumes against draws of the audited ones.

    Parameters
    ----------
    audited_draws : array (draws, invoices)
        Joint draws of the audited volumes, same draws of shared causes in every column [m3].
    billed : array (invoices,) or (draws, invoices)
        Billed volumes, or their draws where the bill itself is uncertain [m3].
    guard_factor : float
        Multiplies the reach of the interval beyond the mean [-].
    sides : str
        "two" or "one", see `DecisionRule` [text].
    family : str
        How several invoices share the risk, see `DecisionRule` [text].

    Raises
    ------
    AuditError
        If the rule, the form of the arrays or a billed volume makes no sense, or if the draws are
        too few for the coverage.

    Notes
    -----
    With V audited, B billed and t the tolerance, overbilled means V - (1 - t) B < 0 and
    underbilled V - (1 + t) B > 0. "Too high" needs m + g (h - m) < 0 with m the mean and h the
    upper end of the first difference; the other findings likewise. The draws are those of the
    evidence alone, a state of knowledge: the probabilities are not p-values.

    References
    ----------
    JCGM 106:2012, clause 7 (conformance probability), 8.3.2 (guarded acceptance) and 8.3.3
    (guarded rejection), 9.3.2 (specific risks).
    """
    rule = DecisionRule(tolerance, coverage, guard_factor, sides, family)
    volumes = np.asarray(audited_draws, dtype=float)
    bills = np.asarray(billed, dtype=float)
    if volumes.ndim != 2 or bills.shape not in (volumes.shape, volumes.shape[1:]):
        raise AuditError(
            f"audited draws of the form {volumes.shape} and billed {bills.shape}; "
            "(draws, invoices) and (invoices,) expected"
        )
    if not np.all(np.isfinite(bills)) or np.any(bills < 0):
        raise AuditError("a billed volume is negative or not a number; leave that invoice out")
    shared = shared_coverage(rule, volumes - bills)
    judged = tuple(
        _one(volumes[:, k], bills[..., k], rule, shared) for k in range(volumes.shape[1])
    )
    total = _one(volumes.sum(axis=1), bills.sum(axis=-1), rule, rule.coverage)
    return Verdicts(judged, total, rule, _flags(judged, rule, len(volumes), shared))


def shared_coverage(rule: DecisionRule, errors: np.ndarray) -> float:
    """Coverage for each of several invoices so that all together keep the rule's coverage.

    Parameters
    ----------
    errors : array (draws, invoices)
        Joint draws, less what is judged [m3].

    Returns
    -------
    float
        That of the rule itself for a single invoice [-].
    """
    count = errors.shape[1]
    if count == 1 or rule.family == "none":
        return rule.coverage
    if rule.family == "sidak":
        return rule.coverage ** (1.0 / count)
    if rule.family == "bonferroni":
        return 1.0 - (1.0 - rule.coverage) / count
    return _joint_coverage(errors, rule.coverage)


def _joint_coverage(draws: np.ndarray, coverage: float) -> float:
    """Coverage of each column's symmetric interval for which all hold together with `coverage`."""
    count = len(draws)
    rank = np.empty(draws.shape, dtype=int)
    np.put_along_axis(rank, np.argsort(draws, axis=0), np.arange(count)[:, None], axis=0)
    depth = np.minimum(rank, count - 1 - rank).min(axis=1)
    beyond = np.quantile(depth, 1.0 - coverage)
    return float(np.clip(1.0 - 2.0 * beyond / count, coverage, 1.0 - 2.0 / count))


def _one(volume: np.ndarray, bill: np.ndarray, rule: DecisionRule, coverage: float) -> Judgement:
    under, over = (1.0 - rule.tolerance) * bill, (1.0 + rule.tolerance) * bill
    low, high = volume - under, volume - over  # below zero: overbilled; above zero: underbilled
    span = coverage if rule.sides == "two" else 2.0 * coverage - 1.0
    low_reach, high_reach = _Reach.of(low, span, rule), _Reach.of(high, span, rule)
    tests = {
        TOO_HIGH: -low_reach.top,
        TOO_LOW: high_reach.bottom,
        SUPPORTED: min(low_reach.bottom, -high_reach.top),
    }
    finding = max(tests, key=tests.__getitem__)  # at most one can be above zero
    firm = abs(tests[finding]) > 2.0 * max(low_reach.error, high_reach.error)
    if not tests[finding] > 0:
        finding = UNDECIDED
    below, above = float(np.mean(low < 0)), float(np.mean(high > 0))
    risk = {TOO_HIGH: 1 - below, TOO_LOW: 1 - above, SUPPORTED: below + above}.get(
        finding, math.nan
    )
    nearest = low_reach if abs(low_reach.mean) <= abs(high_reach.mean) else high_reach
    distance = abs(nearest.mean)
    return Judgement(
        float(np.mean(bill)),
        summarise(volume, rule.coverage),
        float(np.mean(under)),
        float(np.mean(over)),
        below,
        above,
        max(_binomial_error(below, len(volume)), _binomial_error(above, len(volume))),
        finding,
        risk,
        coverage,
        nearest.towards_zero,
        distance,
        distance / rule.guard_factor if rule.guard_factor > 0 else math.inf,
        firm,
    )


@dataclass(frozen=True)
class _Reach:
    """Mean of a difference and how far its interval reaches, guard factor included."""

    mean: float
    bottom: float
    top: float
    error: float

    @classmethod
    def of(cls, draws: np.ndarray, coverage: float, rule: DecisionRule) -> _Reach:
        mean = float(draws.mean())
        interval = coverage_interval(draws, coverage)
        factor = rule.guard_factor
        spread = float(draws.std())
        error = spread / math.sqrt(len(draws)) + factor * _end_error(coverage, len(draws)) * spread
        return cls(
            mean,
            mean - factor * (mean - float(interval.low)),
            mean + factor * (float(interval.high) - mean),
            error,
        )

    @property
    def towards_zero(self) -> float:
        return self.top - self.mean if self.mean < 0 else self.mean - self.bottom


def _end_error(coverage: float, count: int) -> float:
    """Standard error of an interval's end in units of u, as for a normal quantity [-]."""
    tail = (1.0 - coverage) / 2.0
    density = math.exp(-0.5 * float(ndtri(tail)) ** 2) / math.sqrt(2.0 * math.pi)
    return math.sqrt(tail * (1.0 - tail) / count) / density


def _binomial_error(share: float, count: int) -> float:
    """Standard error of a share of draws that stays above zero at 0 and 1 [-]."""
    kept = (share * count + 1.0) / (count + 2.0)
    return math.sqrt(kept * (1.0 - kept) / count)


def _flags(
    judged: tuple[Judgement, ...], rule: DecisionRule, count: int, shared: float
) -> tuple[Flag, ...]:
    flags = []
    if count * (1.0 - shared) < 40:
        flags.append(
            Flag(
                "few-draws-beyond-interval",
                f"Only about {count * (1.0 - shared):.0f} of {count} draws lie beyond the interval "
                f"of coverage {shared:.5f} each invoice is judged by; take more draws.",
                {"draws": count, "coverage": shared},
            )
        )
    soft = [index for index, each in enumerate(judged) if not each.numerically_firm]
    if soft:
        flags.append(
            Flag(
                "finding-near-the-limit",
                f"{len(soft)} findings lie so near the limit that another seed could change them.",
                {"invoices": soft},
            )
        )
    if rule.tolerance == 0:
        flags.append(
            Flag(
                "no-tolerance",
                "With a tolerance of zero no interval fits between the limits, so no billed volume "
                "can be called supported.",
                {},
            )
        )
    return tuple(flags)
