"""Figures of the brief, rounded as an uncertainty asks, and its verdict on the formula."""

from __future__ import annotations

from typing import Any

import numpy as np

from sewer_audit.case.models import CAUSES
from sewer_audit.report.assumptions import figure_of_spread
from sewer_audit.report.words import Words, joined
from sewer_audit.spoken import speaking

__all__ = [
    "CONFLICT",
    "causes_sentence",
    "formula_sentence",
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


def formula_sentence(result: Any, words: Words) -> str:
    """The verdict of the clause 8 comparison on the volume that counts.

    Units: result [m3].
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
                f"{allowed} are allowed for one significant digit (JCGM 101, clause 8)."
            )
    return "There is no volume to compare the simple root-sum-of-squares formula with."


def causes_sentence(result: Any) -> str:
    """Every cause the interval is given, with its figure, and those counted as exact and why.

    Units: result [SI].
    """
    table = result.causes.drop_duplicates(["estimate", "cause"])
    exact = (table["standard"] == 0) & table["cause"].isin(CAUSES)
    with speaking(Words.of(result).spoken):
        said = [_cause_of(row) for row in table.itertuples()]
    table, parts = table.assign(said=said), []
    names = {"effluent": "measured effluent", "balance": "intake less uses"}
    for estimate, name in names.items():
        rows = table[(table["estimate"] == estimate) & ~exact]
        if len(rows):
            parts.append(f"{name}: {', '.join(rows['said'])}")
    if not parts:
        return "No cause is counted."
    text = (
        f"The causes listed, as standard uncertainties, in the {'; in '.join(parts)}. "
        "A star marks a default of the toolkit; all sources stand in the table of causes."
    )
    still = table[exact & table["default"]]
    why = [f"{row.cause} ({row.source})" for row in still.itertuples()]
    return f"{text} Without a spread unless the case states one: {joined(why)}." if why else text


def _cause_of(row: Any) -> str:
    """One cause with its figure, and a star where it is a default."""
    own = row.cause == "exponent"
    figure = f"{row.standard:.3g}" if own else figure_of_spread(row.standard, row.unit)
    return f"{row.cause} {figure}{'*' if row.default else ''}"


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
