"""Uncertain quantities, draws, intervals, budgets and decision rules (JCGM 100, 101 and 106)."""

from sewer_audit.uncertainty.budget import BudgetTable, variance_budget
from sewer_audit.uncertainty.causes import PERSISTENCES, Cause
from sewer_audit.uncertainty.decision import Verdicts, judge, shared_coverage
from sewer_audit.uncertainty.draws import Draws
from sewer_audit.uncertainty.intervals import Summary, coverage_interval, p_value_words, summarise
from sewer_audit.uncertainty.level.noise import noise_variance
from sewer_audit.uncertainty.level.zero import Step, Visit, ZeroModel, ZeroPosterior, condition_zero
from sewer_audit.uncertainty.linear import Linear, linearise
from sewer_audit.uncertainty.montecarlo import compare_intervals
from sewer_audit.uncertainty.rule import SUPPORTED, TOO_HIGH, TOO_LOW, UNDECIDED, DecisionRule
from sewer_audit.uncertainty.stability import Stability, draws_until_stable

__all__ = [
    "PERSISTENCES",
    "SUPPORTED",
    "TOO_HIGH",
    "TOO_LOW",
    "UNDECIDED",
    "BudgetTable",
    "Cause",
    "DecisionRule",
    "Draws",
    "Linear",
    "Stability",
    "Step",
    "Summary",
    "Verdicts",
    "Visit",
    "ZeroModel",
    "ZeroPosterior",
    "compare_intervals",
    "condition_zero",
    "coverage_interval",
    "draws_until_stable",
    "judge",
    "linearise",
    "noise_variance",
    "p_value_words",
    "shared_coverage",
    "summarise",
    "variance_budget",
]
