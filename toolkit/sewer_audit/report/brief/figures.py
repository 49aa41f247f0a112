"""Figures of the brief, rounded as an uncertainty asks, and its verdict on the formula."""

from __future__ import annotations

from typing import Any

import numpy as np

__all__ = ["in_conflict", "place_of", "two_digits"]


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


def in_conflict(result: Any) -> bool:
    """Whether there are two estimates and they contradict each other.

    Units: result [m3].
    """
    joint = result.evidence.reconciliation
    return joint is not None and not joint.agree
