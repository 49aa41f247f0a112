"""The figures of a monitoring plan, each shown if the plan holds what it needs."""

from __future__ import annotations

from typing import Any

import pandas as pd
from IPython.display import display

from sewer_audit.charts import Picture, show
from sewer_audit.charts import planning as charts
from sewer_audit.charts.uncertainty import uncertainty_budget
from sewer_audit.planning import closer, net_value_curve, ranking_table
from sewer_audit.report.show import tell
from sewer_audit.wording import Words

__all__ = ["PICTURES", "picture"]

SHOWN = 12
"""Options drawn in one figure [-]."""


def picture(name: str, plan: Any, caption: str = "", form: str = "png") -> None:
    """Show one figure of a plan, or say why there is none.

    Parameters
    ----------
    name : str
        "flows", "heads", "uncertainty", "causes", "chances", "worth" or "visits" [text].
    plan : Plan
        The plan [-].
    caption : str
        Printed below the figure [text].
    form : str
        "png", or "svg" for a sharp print [text].
    """
    drawn = PICTURES[name](plan)
    if drawn is None:
        display(tell(Words.of(plan), "plans.nothing_to_draw", name=name))
    else:
        show(drawn, caption=caption, form=form)


def _flows(plan: Any) -> Picture:
    return charts.expected_flows(
        plan.flow.quantiles, plan.case.data.display.discharge, plan.flow.source
    )


def _heads(plan: Any) -> Picture | None:
    rows = []
    for each in plan.ranked:
        limits = each.option.device.notes.head_limits
        if limits is None or not limits[1] > 0:
            continue
        three = dict(zip(("minimum", "mean", "peak"), each.option.heads, strict=True))
        rows.append({"option": each.label, **three, "low": limits[0], "high": limits[1]})
    if not rows:
        return None
    return charts.heads_within_limits(pd.DataFrame(rows[:SHOWN]), plan.case.data.display.head)


def _uncertainty(plan: Any) -> Picture | None:
    table = ranking_table(plan)
    if table.empty:
        return None
    table = table[~table["trend_only"].astype(bool)]
    return charts.uncertainty_by_option(table.head(SHOWN)) if len(table) else None


def _causes(plan: Any) -> Picture | None:
    if plan.best is None:
        return None
    shares = plan.best.precision.shares
    return uncertainty_budget(shares[shares["share"] > 1e-4], what="the planned record")


def _chances(plan: Any) -> Picture | None:
    if plan.power.empty:
        return None
    return charts.chance_of_finding(plan.power, plan.table.months)


def _worth(plan: Any) -> Picture | None:
    curves = {}
    for each in closer(plan.ranked):
        if each.worth is not None and plan.stake is not None and plan.belief is not None:
            reach = (
                min(plan.belief.mean - 3.5 * plan.belief.standard, -0.02),
                min(max(plan.belief.mean + 3.5 * plan.belief.standard, 0.15), 0.9),
            )
            curves[each.label] = net_value_curve(
                each.planned, plan.rule, plan.stake, each.worth.cost, reach
            )
    if not curves:
        return None
    believed = (plan.belief.mean, plan.belief.standard)
    return charts.break_even(curves, believed, plan.case.data.display.money, plan.table.months)


def _visits(plan: Any) -> Picture | None:
    if plan.visits.empty:
        return None
    return charts.visits_and_drift(plan.visits, plan.table.drift_share, plan.visits_of)


PICTURES = {
    "flows": _flows,
    "heads": _heads,
    "uncertainty": _uncertainty,
    "causes": _causes,
    "chances": _chances,
    "worth": _worth,
    "visits": _visits,
}
