"""Candidate explanations of a discrepancy, ranked by how likely they make the figures."""

from sewer_audit.explanations.bayes import (
    STRONG,
    VERY_STRONG,
    Comparison,
    compare_values,
    strength,
)
from sewer_audit.explanations.catalogue import CATALOGUE, LOOK_ALIKES, NOTHING, UNFAIR
from sewer_audit.explanations.evidence import average_likelihood
from sewer_audit.explanations.model import Explanation, Parameter, Variant
from sewer_audit.explanations.observations import Observations
from sewer_audit.explanations.ranking import explain
from sewer_audit.explanations.rows import RankedExplanation, Ranking

__all__ = [
    "CATALOGUE",
    "LOOK_ALIKES",
    "NOTHING",
    "STRONG",
    "UNFAIR",
    "VERY_STRONG",
    "Comparison",
    "Explanation",
    "Observations",
    "Parameter",
    "RankedExplanation",
    "Ranking",
    "Variant",
    "average_likelihood",
    "compare_values",
    "explain",
    "strength",
]
