"""Candidate explanations of a discrepancy, ranked by how likely they make the figures."""

from sewer_audit.explanations.bayes import STRONG, VERY_STRONG
from sewer_audit.explanations.catalogue import CATALOGUE, is_other
from sewer_audit.explanations.model import Explanation
from sewer_audit.explanations.observations import Observations
from sewer_audit.explanations.ranking import explain
from sewer_audit.explanations.rows import RankedExplanation, Ranking

__all__ = [
    "CATALOGUE",
    "STRONG",
    "VERY_STRONG",
    "Explanation",
    "Observations",
    "RankedExplanation",
    "Ranking",
    "explain",
    "is_other",
]
