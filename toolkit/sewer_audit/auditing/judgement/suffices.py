"""Does the first-order formula suffice? It and the draws side by side, figure by figure."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.invoices.pricing import Pricing
from sewer_audit.auditing.judgement.verdict import estimates
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.case import Case
from sewer_audit.errors import Flag
from sewer_audit.uncertainty import (
    Draws,
    Linear,
    Stability,
    Summary,
    compare_intervals,
    coverage_interval,
    draws_until_stable,
    linearise,
    summarise,
)

__all__ = ["draws_needed", "first_order_of", "unstable_flags"]

DIGITS = 1
"""Significant digits of a standard uncertainty that are regarded as meaningful [-]."""
UNITS = {"amount_in_question": "money", "amount_by_discharge": "money"}
STABLE = ("effluent", "balance", "reconciled", "amount_by_discharge")
"""Figures whose stability decides the number of draws; what the reads alone move is too small."""
MOST_DRAWS, MOST_FIGURES = 1_000_000, 20_000_000
"""Where adding draws ends: draws, and draws times invoices, for the memory they take [-]."""
COLUMNS = [
    "figure",
    "invoice",
    "unit",
    "first_order",
    "first_order_standard_uncertainty",
    "first_order_low",
    "first_order_high",
    "draws_mean",
    "draws_standard_uncertainty",
    "draws_low",
    "draws_high",
    "shortest_low",
    "shortest_high",
    "largest_difference",
    "tolerance",
    "first_order_suffices",
    "close_call",
]


def _figures(
    case: Case, evidence: Evidence, pricing: Pricing | None, draws: Draws | None = None
) -> dict[str, np.ndarray]:
    """Volumes, and the amounts that go with them, of the draws of an audit or of others.

    A formula knows nothing of explanations, so none is averaged over.
    """
    now = replace(evidence, averaged=None) if draws is None else evidence.again(case, draws)
    found = {name: each for name, each in estimates(now).items() if each is not None}
    if pricing is not None:
        lines = pricing.lines
        invoiced = lines.loc[lines["line"] == "total", "invoiced"].to_numpy(dtype=float)
        for name, of in (("amount_in_question", "basis"), ("amount_by_discharge", "audited")):
            if of in found and np.isfinite(found[of]).all():
                found[name] = invoiced - pricing.amounts(found[of])
    found.pop("audited", None)  # one of the others under its second name
    return found


def first_order_of(case: Case, evidence: Evidence, pricing: Pricing | None) -> pd.DataFrame:
    """Every volume, balance and charge of an audit by the first-order formula and by draws.

    Units: evidence [m3]; returns [m3, money].

    References
    ----------
    JCGM 101:2008, clause 8.
    """
    drawn, coverage = _figures(case, evidence, pricing), case.data.rule.coverage
    rows: list[dict[str, Any]] = []
    names = [*evidence.periods.names, "total"]
    for figure, found in linearise(partial(_figures, case, evidence, pricing)).items():
        columns = drawn[figure]
        joint = np.column_stack([columns, columns.sum(axis=1)])
        linear = found.with_total()
        for place in np.flatnonzero(
            joint.std(axis=0) > 1e-12 * np.nanmax(np.abs(joint), initial=0.0)
        ):
            summary = summarise(joint[:, place], coverage)
            unit = UNITS.get(figure, "m3")
            start = {"figure": figure, "invoice": names[place], "unit": unit}
            shortest = coverage_interval(joint[:, place], coverage, "shortest")
            ends = {"shortest_low": _steady(shortest.low), "shortest_high": _steady(shortest.high)}
            rows.append({**start, **_compared(linear, int(place), summary), **ends})
    return pd.DataFrame(rows, columns=COLUMNS)


def _steady(figure: float) -> float:
    """A volume or an amount without the rounding of the machine below a billionth."""
    return round(float(figure), 9) + 0.0


def _compared(linear: Linear, place: int, summary: Summary) -> dict[str, Any]:
    interval = linear.interval(place, summary.coverage)
    found = compare_intervals(interval, summary, DIGITS)
    return {
        "first_order": _steady(linear.value[place]),
        "first_order_standard_uncertainty": _steady(linear.standard_uncertainty[place]),
        "first_order_low": _steady(interval.low),
        "first_order_high": _steady(interval.high),
        "draws_mean": _steady(summary.mean),
        "draws_standard_uncertainty": _steady(summary.standard_uncertainty),
        "draws_low": _steady(summary.low),
        "draws_high": _steady(summary.high),
        "largest_difference": _steady(max(found.low_difference, found.high_difference)),
        "tolerance": found.tolerance,
        "first_order_suffices": found.validated,
        "close_call": not found.numerically_firm,
    }


def draws_needed(
    case: Case, evidence: Evidence, pricing: Pricing | None, seed: int, digits: int
) -> Stability:
    """Number of draws after which no printed volume or charge changes any more.

    Units: evidence [m3].

    digits: Significant digits of every standard uncertainty to be stable, 1 or 2.

    References
    ----------
    JCGM 101:2008, 7.9.4.
    """

    def sample(draws: Draws) -> np.ndarray:
        figures = _figures(case, evidence, pricing, draws)
        found = [figures[name] for name in STABLE if name in figures]
        found = [each[:, np.isfinite(each).all(axis=0)] for each in found]
        nothing = np.zeros((draws.count, 0))  # a case without an estimate draws none
        return np.column_stack([nothing, *(np.c_[each, each.sum(axis=1)] for each in found)])

    most = max(20_000, min(MOST_DRAWS, MOST_FIGURES // max(len(evidence.periods.names), 1)))
    return draws_until_stable(sample, seed, case.data.rule.coverage, digits, most)


def unstable_flags(stability: Stability | None) -> list[Flag]:
    """What must be said where adding draws ended before the figures stood still."""
    if stability is None or stability.stable:
        return []
    message = (
        f"After {stability.draws:,} draws the figures are not yet stable to {stability.digits} "
        f"significant digits of their uncertainty: {stability.worst:.1f} times the tolerance."
    )
    return [Flag("draws-not-stable", message, vars(stability))]
