"""Uncertain quantities, draws, intervals, budgets and decision rules (JCGM 100, 101 and 106)."""

from toolkit.uncertainty.causes import (
    PERSISTENCES,
    SHAPES,
    Cause,
    shaped,
    standard_from_expanded,
    standard_from_half_width,
    standard_from_resolution,
    standard_from_trapezoid,
)
from toolkit.uncertainty.decision import (
    FINDINGS,
    SUPPORTED,
    TOO_HIGH,
    TOO_LOW,
    UNDECIDED,
    DecisionRule,
    Judgement,
    Verdicts,
    judge,
)
from toolkit.uncertainty.draws import Draws
from toolkit.uncertainty.intervals import Interval, Summary, coverage_interval, summarise

__all__ = [
    "FINDINGS",
    "PERSISTENCES",
    "SHAPES",
    "SUPPORTED",
    "TOO_HIGH",
    "TOO_LOW",
    "UNDECIDED",
    "Cause",
    "DecisionRule",
    "Draws",
    "Interval",
    "Judgement",
    "Summary",
    "Verdicts",
    "coverage_interval",
    "judge",
    "shaped",
    "standard_from_expanded",
    "standard_from_half_width",
    "standard_from_resolution",
    "standard_from_trapezoid",
    "summarise",
]
