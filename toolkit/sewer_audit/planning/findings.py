"""A plan as JSON and as tables."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.findings import plain
from sewer_audit.planning.catalogue import NOT_RATED
from sewer_audit.planning.options import CRITERIA, Option
from sewer_audit.planning.plan import Plan, Rated
from sewer_audit.planning.worth import Worth

AGAINST = tuple(f"against_{name.replace(' ', '_')}" for name in CRITERIA)
"""Columns of what takes from the fitness, weightiest first [text]."""
WORTH = ("worth_per_cost", "cost_low", "cost_high", "recovery", "risk", "net", "net_low")
WORTH += ("net_high", "bound", "break_even")


def ranking_table(plan: Plan) -> pd.DataFrame:
    """Options that fit, best first.

    Returns
    -------
    DataFrame
        One row an option: heads, share outside the limits, uncertainties, cost, value [SI, money].
    """
    return pd.DataFrame([_ranked(plan, each) for each in plan.ranked])


def _ranked(plan: Plan, each: Rated) -> dict[str, Any]:
    option, worth = each.option, each.worth
    row: dict[str, Any] = {
        "option": each.label,
        "family": option.candidate.family,
        **_heads(option),
        "outside_limits": option.outside,
        "month": each.precision.month,
        "year": each.precision.total(12),
        "planned": each.planned,
        "largest_cause": each.precision.shares["cause"].iloc[0],
        "trend_only": option.trend,
        "settles": option.settles,
        **dict(zip(AGAINST, option.fitness, strict=True)),
        "visits": each.visits,
        "visits_cost_low": None if each.of_visits is None else each.of_visits.low,
        "visits_cost_high": None if each.of_visits is None else each.of_visits.high,
    }
    return row | (dict.fromkeys(WORTH) if worth is None else _of_worth(worth))


def _of_worth(worth: Worth) -> dict[str, Any]:
    return {
        "worth_per_cost": worth.per_cost if math.isfinite(worth.per_cost) else None,
        "cost_low": worth.cost.low,
        "cost_high": worth.cost.high,
        "recovery": worth.recovery,
        "risk": worth.risk,
        "net": worth.net,
        "net_low": worth.net_range[0],
        "net_high": worth.net_range[1],
        "bound": worth.perfect,
        "break_even": worth.break_even,
    }


def _heads(option: Option) -> dict[str, Any]:
    """Heads where the method has a level, velocities where it has none."""
    kind = "velocity" if option.device.level_column is None else "head"
    row: dict[str, Any] = {}
    for name, value in zip(("minimum", "mean", "peak"), option.heads, strict=True):
        row[f"head_{name}"] = value if kind == "head" else None
        row[f"velocity_{name}"] = value if kind == "velocity" else None
    return row


def option_table(plan: Plan, everything: bool = True) -> pd.DataFrame:
    """Every option looked at, with what speaks against it and what to mind.

    Parameters
    ----------
    everything : bool
        Whether sizes that do not fit are listed too [-].

    Returns
    -------
    DataFrame
        option, fits, heads, setting, against, mind, open [m, text].
    """
    rows = []
    for option in plan.options:
        if not everything and not option.fits:
            continue
        setting = option.setting
        rows.append(
            {
                "option": option.candidate.label,
                "fits": option.fits,
                **_heads(option),
                "outside_limits": option.outside,
                "raised": None if setting is None else setting.raised,
                "fall_needed": None if setting is None else setting.fall,
                "depth_at_peak": None if setting is None else setting.depth,
                "backwater": None if setting is None else setting.backwater,
                "against": " ".join(option.refused),
                "mind": " ".join(option.warnings),
                "open": "; ".join(option.open),
            }
        )
    return pd.DataFrame(rows)


def checklist_table(option: Option) -> pd.DataFrame:
    """Installation rules of an option as a checklist.

    Returns
    -------
    DataFrame
        subject, asked_for, source [text].
    """
    return pd.DataFrame(
        [
            {"subject": rule.subject, "asked_for": rule.text, "source": rule.source}
            for rule in option.device.notes.rules
        ]
    )


def as_tables(plan: Plan) -> dict[str, pd.DataFrame]:
    """Every table of a plan."""
    tables = {
        "ranking": ranking_table(plan),
        "options": option_table(plan),
        "chances": plan.power,
        "lengths": plan.lengths,
        "visits": plan.visits,
    }
    if plan.best is not None:
        tables["checklist"] = checklist_table(plan.best.option)
        tables["causes"] = plan.best.precision.shares
    return {name: table for name, table in tables.items() if not table.empty}


def as_findings(plan: Plan) -> dict[str, Any]:
    """The plan as JSON can hold it."""
    flow, stake, belief = plan.flow, plan.stake, plan.belief
    known = _frame(ranking_table(plan))
    return plain(
        {
            "title": plan.case.title,
            "draws": plan.draws,
            "seed": plan.seed,
            "rule": plan.rule.statement(),
            "flow": {
                "minimum_m3_s": flow.minimum,
                "mean_m3_s": flow.mean,
                "peak_m3_s": flow.peak,
                "source": flow.source,
                "assumed": flow.assumed,
            },
            "months_planned": plan.table.months,
            "days_between_visits": plan.schedule.visit_every / 86_400.0,
            "ranking": known,
            "options": _frame(option_table(plan)),
            "not_rated": list(NOT_RATED),
            "chances": _frame(plan.power),
            "lengths": _frame(plan.lengths),
            "visits": {
                "option": plan.visits_of,
                "drift_share_allowed": plan.table.drift_share,
                "longest_days": plan.days_between_visits,
                "table": _frame(plan.visits),
            },
            "stake": None if stake is None else vars(stake),
            "expected_shortfall": None if belief is None else vars(belief),
            "flags": [flag.message for flag in plan.flags],
        }
    )


def _frame(table: pd.DataFrame) -> pd.DataFrame:
    """Numpy's not-a-number becomes nothing, also in columns of objects."""
    return table.astype(object).where(table.notna(), None).replace({np.nan: None})
