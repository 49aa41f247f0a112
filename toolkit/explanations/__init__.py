"""Candidate explanations of a discrepancy, ranked by how likely they make the figures."""

from toolkit.explanations.bayes import (
    STRONG,
    VERY_STRONG,
    Comparison,
    compare_values,
    strength,
)
from toolkit.explanations.catalogue import CATALOGUE, LOOK_ALIKES, NOTHING, UNFAIR
from toolkit.explanations.evidence import average_likelihood
from toolkit.explanations.model import Explanation, Parameter, Variant
from toolkit.explanations.observations import Observations
from toolkit.explanations.ranking import explain
from toolkit.explanations.rows import RankedExplanation, Ranking

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
