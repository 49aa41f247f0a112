"""Figures of the brief, rounded as an uncertainty asks, and its verdict on the formula."""

from __future__ import annotations

from typing import Any

import numpy as np

from toolkit.report.words import Words

__all__ = ["formula_sentence", "per_cent", "place_of", "two_digits"]


def place_of(uncertainty: float) -> int:
    """Digits after the point at which a standard uncertainty has two significant ones.

    Parameters
    ----------
    uncertainty : float
        The standard uncertainty [any].

    Returns
    -------
    int
        Negative for tens and more [-].
    """
    return 1 - int(np.floor(np.log10(uncertainty))) if uncertainty > 0 else 0


def two_digits(value: float) -> float:
    """A figure rounded to two significant digits.

    Parameters
    ----------
    value : float
        The figure [any].

    Returns
    -------
    float
        Rounded [any].
    """
    return round(value, place_of(value)) if value else 0.0


def per_cent(share: float) -> str:
    """A share in per cent, two significant digits.

    Parameters
    ----------
    share : float
        The share [-].

    Returns
    -------
    str
        Such as "2.4 %" [text].
    """
    return f"{100 * share:.2g} %"


def formula_sentence(result: Any, words: Words) -> str:
    """The verdict of the clause 8 comparison on the volume that counts.

    Parameters
    ----------
    result : Audit
        The audit [m3].
    words : Words
        Its units [-].

    Returns
    -------
    str
        One sentence [text].
    """
    table = result.first_order
    rows = table[(table["invoice"] == "total") & (table["unit"] == "m3")]
    for figure in ("reconciled", "effluent", "balance"):
        row = rows[rows["figure"] == figure]
        if len(row):
            figures = (row[name].iloc[0] for name in ("largest_difference", "tolerance"))
            worst, allowed = (words.volume(two_digits(figure)) for figure in figures)
            verdict = "suffices" if row["first_order_suffices"].iloc[0] else "does not suffice"
            return (
                f"The simple root-sum-of-squares formula {verdict} for all invoices together: its "
                f"interval ends and those of the draws differ by up to {worst}, "
                f"{allowed} are allowed (JCGM 101, clause 8)."
            )
    return "There is no volume to compare the simple root-sum-of-squares formula with."
