"""Uncertain quantities, draws, intervals, budgets and decision rules (JCGM 100, 101 and 106)."""

from sewer_audit.uncertainty.budget import (
    Budget,
    BudgetLine,
    BudgetTable,
    budget_from_effects,
    variance_budget,
)
from sewer_audit.uncertainty.causes import (
    PERSISTENCES,
    SHAPES,
    Cause,
    shaped,
    standard_from_expanded,
    standard_from_half_width,
    standard_from_resolution,
    standard_from_trapezoid,
)
from sewer_audit.uncertainty.conditioning import Conditioned, condition
from sewer_audit.uncertainty.conformity import (
    GlobalRisks,
    Limits,
    conformance_probability,
    global_risks,
    guarded_limits,
    limit_of_proof,
    normalised_error,
    one_sided_factor,
    zeta_score,
)
from sewer_audit.uncertainty.decision import Judgement, Verdicts, judge
from sewer_audit.uncertainty.draws import Draws
from sewer_audit.uncertainty.freedom import coverage_factor, effective_dof, linear_interval
from sewer_audit.uncertainty.higher_order import second_order_variance
from sewer_audit.uncertainty.intervals import (
    Interval,
    Summary,
    coverage_interval,
    p_value_words,
    summarise,
)
from sewer_audit.uncertainty.linear import Linear, linearise
from sewer_audit.uncertainty.montecarlo import (
    Validation,
    compare_intervals,
    draw_causes,
    monte_carlo,
    numerical_tolerance,
    smallest_block,
)
from sewer_audit.uncertainty.noise import (
    NoiseOfMean,
    noise_bias,
    noise_of_mean,
    noise_variance,
    relative_noise_bias,
    time_constant_of,
)
from sewer_audit.uncertainty.noise_sums import WeightedStretch, noise_covariance
from sewer_audit.uncertainty.propagation import (
    Contribution,
    FirstOrder,
    Model,
    Sensitivities,
    first_order,
    input_covariance,
    sensitivities,
)
from sewer_audit.uncertainty.rounding import Rounded, rounded
from sewer_audit.uncertainty.rule import (
    FINDINGS,
    SUPPORTED,
    TOO_HIGH,
    TOO_LOW,
    UNDECIDED,
    DecisionRule,
)
from sewer_audit.uncertainty.sampling import gap_fill_standard, snapshot_standard
from sewer_audit.uncertainty.stability import (
    Adaptive,
    Stability,
    adaptive_draws,
    draws_until_stable,
)
from sewer_audit.uncertainty.type_a import (
    LineFit,
    MeanOfReadings,
    covariance_of_means,
    fit_line,
    mean_of_readings,
)
from sewer_audit.uncertainty.zero import Visit, ZeroModel, ZeroPosterior, condition_zero

__all__ = [
    "FINDINGS",
    "PERSISTENCES",
    "SHAPES",
    "SUPPORTED",
    "TOO_HIGH",
    "TOO_LOW",
    "UNDECIDED",
    "Adaptive",
    "Budget",
    "BudgetLine",
    "BudgetTable",
    "Cause",
    "Conditioned",
    "Contribution",
    "DecisionRule",
    "Draws",
    "FirstOrder",
    "GlobalRisks",
    "Interval",
    "Judgement",
    "Limits",
    "LineFit",
    "Linear",
    "MeanOfReadings",
    "Model",
    "NoiseOfMean",
    "Rounded",
    "Sensitivities",
    "Stability",
    "Summary",
    "Validation",
    "Verdicts",
    "Visit",
    "WeightedStretch",
    "ZeroModel",
    "ZeroPosterior",
    "adaptive_draws",
    "budget_from_effects",
    "compare_intervals",
    "condition",
    "condition_zero",
    "conformance_probability",
    "covariance_of_means",
    "coverage_factor",
    "coverage_interval",
    "draw_causes",
    "draws_until_stable",
    "effective_dof",
    "first_order",
    "fit_line",
    "gap_fill_standard",
    "global_risks",
    "guarded_limits",
    "input_covariance",
    "judge",
    "limit_of_proof",
    "linear_interval",
    "linearise",
    "mean_of_readings",
    "monte_carlo",
    "noise_bias",
    "noise_covariance",
    "noise_of_mean",
    "noise_variance",
    "normalised_error",
    "numerical_tolerance",
    "one_sided_factor",
    "p_value_words",
    "relative_noise_bias",
    "rounded",
    "second_order_variance",
    "sensitivities",
    "shaped",
    "smallest_block",
    "snapshot_standard",
    "standard_from_expanded",
    "standard_from_half_width",
    "standard_from_resolution",
    "standard_from_trapezoid",
    "summarise",
    "time_constant_of",
    "variance_budget",
    "zeta_score",
]
