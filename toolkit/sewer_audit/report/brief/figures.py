"""Figures of the brief, rounded as an uncertainty asks, and its verdict on the formula."""

from __future__ import annotations

from typing import Any

import numpy as np

__all__ = [
    "CONFLICT",
    "in_conflict",
    "judged_at_once",
    "per_cent",
    "place_of",
    "two_digits",
]

CONFLICT = (
    "Here the two estimates contradict each other: at least one of those spreads, or a stated "
    "value, is wrong, and neither sentence holds for the interval above."
)
"""What must be added where no interval can be believed as stated [text]."""


def place_of(uncertainty: float) -> int:
    """Digits after the point at which a standard uncertainty has two significant ones.

    Units: uncertainty [any].
    """
    return 1 - int(np.floor(np.log10(uncertainty))) if uncertainty > 0 else 0


def two_digits(value: float) -> float:
    """A figure rounded to two significant digits.

    Units: value [any]; returns [any].
    """
    return round(value, place_of(value)) if value else 0.0


def per_cent(share: float) -> str:
    """A share in per cent, two significant digits.

    str: Such as "2.4 %".
    """
    return f"{100 * share:.2g} %"


def in_conflict(result: Any) -> bool:
    """Whether there are two estimates and they contradict each other.

    Units: result [m3].
    """
    joint = result.evidence.reconciliation
    return joint is not None and not joint.agree


def judged_at_once(invoices: int) -> str:
    """What judging several invoices at once asks for."""
    fair = "rule is fair only if it was stated beforehand."
    if invoices < 2:
        return f"A {fair}"
    return (
        f"The {invoices} invoices are judged at once, so each finding asks for more than its own "
        f"interval; a {fair}"
    )
