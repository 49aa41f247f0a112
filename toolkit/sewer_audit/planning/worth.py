"""Is it worth it: expected value of the evidence, its break-even, and the bound on both."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sewer_audit.case.models_plan import PlanCost, Range
from sewer_audit.errors import AuditError
from sewer_audit.planning.power import chances_of_total
from sewer_audit.uncertainty import DecisionRule

STEPS = 4001
"""Points of the integral over the belief [-]."""


@dataclass(frozen=True)
class Stake:
    """What hangs on the finding.

    Units: monthly_m3 [m3]; price [money/m3].
    """

    monthly_m3: float
    price: float
    past_months: float
    future_months: float
    chance_of_refund: float = 1.0
    chance_of_credit: float = 1.0
    chance_of_higher_bill: float = 1.0

    @property
    def gain(self) -> float:
        """Expected gain per unit of shortfall once found too high [money]."""
        past = self.chance_of_refund * self.past_months
        return self.monthly_m3 * self.price * (past + self.chance_of_credit * self.future_months)

    @property
    def loss(self) -> float:
        """Expected loss per unit of excess once found too low [money]."""
        return self.monthly_m3 * self.price * self.chance_of_higher_bill * self.future_months


@dataclass(frozen=True)
class Belief:
    """What is believed of the shortfall before anything is measured: normal."""

    mean: float
    standard: float

    def __post_init__(self) -> None:
        if not self.standard > 0:
            raise AuditError("the expected shortfall needs a standard uncertainty above zero")

    def points(self) -> tuple[np.ndarray, np.ndarray]:
        """Shortfalls and their weights, 6 standard uncertainties either way, below all of it."""
        z = np.linspace(-6.0, 6.0, STEPS)
        weight = np.exp(-0.5 * z**2)
        shortfall = np.minimum(self.mean + self.standard * z, 0.999)
        return shortfall, weight / weight.sum()


@dataclass(frozen=True)
class Worth:
    """Expected value of the evidence of one option."""

    recovery: float
    risk: float
    cost: Range
    perfect: float
    break_even: float | None
    chance_too_high: float
    chance_too_low: float

    @property
    def net(self) -> float:
        """Expected net value at the middle of the cost [money]."""
        return self.recovery - self.risk - self.cost.middle

    @property
    def per_cost(self) -> float:
        """Expected recovery less risk, over the middle of the cost [-]."""
        gross = self.recovery - self.risk
        return gross / self.cost.middle if self.cost.middle else math.copysign(math.inf, gross)

    @property
    def net_range(self) -> tuple[float, float]:
        """Expected net value at the highest and at the lowest cost [money]."""
        gross = self.recovery - self.risk
        return gross - self.cost.high, gross - self.cost.low


def monitoring_cost(cost: PlanCost, months: int, visits: int) -> Range:
    """Cost of a measurement over its whole time."""
    low, high = (
        getattr(cost.install, end)
        + months * getattr(cost.per_month, end)
        + visits * getattr(cost.per_visit, end)
        for end in ("low", "high")
    )
    return Range(low=low, high=high)


def worth_of_evidence(
    standard: float, rule: DecisionRule, stake: Stake, belief: Belief, cost: Range
) -> Worth:
    """Expected value of a record before it is made.

    Notes
    -----
    E = int p(x) [P(too high | x) G x - P(too low | x) L max(-x, 0)] dx - C, with G and L the stakes
    per unit of shortfall. What counts is the true shortfall x, not the measured one: money got for
    an error of the instrument is no gain here. With a flawless measurement a claim is raised
    exactly where x > 0, hence the bound E_perfect = int p(x) G max(x, 0) dx.

    References
    ----------
    H. Raiffa and R. Schlaifer, Applied Statistical Decision Theory, 1961 (expected value of sample
    and of perfect information; from memory).
    """
    shortfall, weight = belief.points()
    chance = chances_of_total(shortfall, standard, rule)
    recovery = float(np.sum(weight * chance.too_high * shortfall)) * stake.gain
    risk = float(np.sum(weight * chance.too_low * np.maximum(-shortfall, 0.0))) * stake.loss
    perfect = float(np.sum(weight * np.maximum(shortfall, 0.0))) * stake.gain
    return Worth(
        recovery,
        risk,
        cost,
        perfect,
        _break_even(standard, rule, stake, cost.middle),
        float(np.sum(weight * chance.too_high)),
        float(np.sum(weight * chance.too_low)),
    )


def _value(shortfall: np.ndarray, standard: float, rule: DecisionRule, stake: Stake) -> np.ndarray:
    """Expected gross value if the shortfall were known to be x [money]."""
    chance = chances_of_total(shortfall, standard, rule)
    lost = chance.too_low * np.maximum(-shortfall, 0.0) * stake.loss
    return chance.too_high * shortfall * stake.gain - lost


def _break_even(standard: float, rule: DecisionRule, stake: Stake, cost: float) -> float | None:
    shortfall = np.linspace(0.0, 0.95, 3801)
    above = _value(shortfall, standard, rule, stake) >= cost
    return float(shortfall[int(np.argmax(above))]) if above.any() else None


def net_value_curve(
    standard: float,
    rule: DecisionRule,
    stake: Stake,
    cost: Range,
    reach: tuple[float, float] = (-0.2, 0.4),
) -> pd.DataFrame:
    """Net value against the true shortfall, for the picture of the break-even.

    Parameters
    ----------
    standard : float
        Relative standard uncertainty of the sum [-].
    stake : Stake
        What hangs on the finding [money].
    cost : Range
        Cost of the measurement [money].
    reach : tuple of float
        Shortfalls shown, lowest and highest [-].

    Returns
    -------
    DataFrame
        shortfall, net (at the middle of the cost), net_low and net_high [money].
    """
    shortfall = np.linspace(*reach, 241)
    gross = _value(shortfall, standard, rule, stake)
    return pd.DataFrame(
        {
            "shortfall": shortfall,
            "net": gross - cost.middle,
            "net_low": gross - cost.high,
            "net_high": gross - cost.low,
        }
    )
