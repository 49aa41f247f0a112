"""Bayes factors: posterior odds, and words for how strong a factor is."""

from __future__ import annotations

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty.likelihood import POSITIVE, STRONG, VERY_STRONG

__all__ = ["STRONG", "VERY_STRONG", "strength"]


def strength(factor: float) -> str:
    """Word for a Bayes factor above one.

    References
    ----------
    R. Kass and A. Raftery, J. Amer. Statist. Assoc. 90 (1995) 773: bounds 3, 20 and 150.
    """
    if not factor >= 1:
        raise AuditError(f"Bayes factor {factor!r} is below one; compare the other way round")
    words = ((VERY_STRONG, "very strong"), (STRONG, "strong"), (POSITIVE, "positive"))
    return next((word for bound, word in words if factor >= bound), "weak")
