"""What the monitoring plan says and shows, in the units people read."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.planning import ranking_table
from sewer_audit.planning.catalogue import NOT_RATED
from sewer_audit.planning.findings import AGAINST
from sewer_audit.planning.options import CRITERIA
from sewer_audit.report.plan.tables import (
    checklists,
    drift,
    lengths,
    looked_at,
    settings,
    worth,
)
from sewer_audit.report.show import Shown, bullets, table, tell
from sewer_audit.units import from_si
from sewer_audit.wording import Words

__all__ = [
    "answers",
    "case_keys",
    "checklists",
    "drift",
    "flags",
    "flow_source",
    "lengths",
    "looked_at",
    "not_rated",
    "ranking",
    "settings",
    "worth",
]


def answers(plan: Any) -> Shown:
    """The plan in a few sentences."""
    best, words = plan.best, Words.of(plan)
    if best is None or best.option.trend:
        return bullets([words("plans.answers.none")], "")
    said = [
        words(
            "plans.answers.what",
            option=best.label,
            open=best.option.open,
            year=best.precision.total(12),
            month=best.precision.month,
        ),
        _how_long(plan, best, words),
        _how_often(plan, best, words),
        _is_it_worth(best, words),
        *(words("plans.answers.to_mind", warning=each) for each in best.option.warnings),
        *(words("plans.answers.open", open=each) for each in best.option.open),
    ]
    return bullets(said, "")


def _how_long(plan: Any, best: Any, words: Words) -> str:
    mine = plan.lengths[plan.lengths["option"] == best.label]
    found = mine[mine["months_needed"].notna()]
    return words(
        "plans.answers.how_long",
        least=float(mine["smallest_shortfall"].iloc[0]),
        longest=int(plan.power["months"].max()),
        months=int(found["months_needed"].iloc[0]) if len(found) else None,
        shortfall=found["shortfall"].iloc[0] if len(found) else None,
    )


def _how_often(plan: Any, best: Any, words: Words) -> str:
    if plan.visits.empty:
        return words("plans.answers.no_level")
    days, share, cost = plan.days_between_visits, plan.table.drift_share, best.of_visits
    if days is None:
        return words("plans.answers.weekly_too_few", share=share)
    return words(
        "plans.answers.how_often",
        days=days,
        share=share,
        visits_of=plan.visits_of,
        counted=plan.schedule.visit_every / 86_400,
        visits=cost and best.visits,
        option=best.label,
        months=best.months,
        low=cost and cost.low,
        high=cost and cost.high,
    )


def _is_it_worth(best: Any, words: Words) -> str:
    if best.worth is None:
        return words("plans.answers.not_worked_out")
    low, high = best.worth.net_range
    return words(
        "plans.answers.worth",
        net=best.worth.net,
        low=low,
        high=high,
        perfect=best.worth.perfect,
        even=best.worth.break_even,
    )


def ranking(plan: Any) -> Shown:
    """Options that fit, best first."""
    words, found = Words.of(plan), ranking_table(plan)
    if found.empty:
        return tell(words, "plans.ranking.empty")
    heads = [
        from_si(found[f"head_{name}"].astype(float).to_numpy(), words.head_unit, "length")
        for name in ("minimum", "mean", "peak")
    ]
    columns = {
        "option": found["option"],
        "heads": [
            "–" if np.isnan(three[0]) else " / ".join(f"{each:.3g}" for each in three)
            for three in zip(*heads, strict=True)
        ],
        "outside": 100 * found["outside_limits"],
        "month": 100 * found["month"],
        "year": 100 * found["year"],
        "cost": [
            "–" if low is None or pd.isna(low) else words("grammar.range", low=low, high=high)
            for low, high in zip(found["cost_low"], found["cost_high"], strict=True)
        ],
        "net": found["net"].astype(float),
        "per_cost": found["worth_per_cost"].astype(float),
        "minded": [_minded(row, words) for row in found.to_dict("records")],
    }
    digits = {**dict.fromkeys(columns, 2), "net": 0, "outside": 1}
    return table(words, "plans.ranking", columns, digits)


def _minded(row: dict[str, Any], words: Words) -> str:
    """By which criteria an option is less than fit."""
    if row["settles"]:
        return words("plans.ranking.settles")
    marked = [n for n, column in zip(CRITERIA, AGAINST, strict=True) if row[column]]
    return ", ".join(marked) or "–"


def case_keys(plan: Any) -> Shown:
    """How the best option is written in a case file."""
    best, words = plan.best, Words.of(plan)
    if best is None:
        return tell(words, "plans.nothing_fits")
    candidate, unit = best.option.candidate, words.head_unit
    sizes = dict(candidate.sizes)
    for name in ("channel_width", "diameter", "crest_height"):
        size = getattr(best.option.device, name, None)
        if size is not None and (name in sizes or name == "crest_height"):
            sizes[name] = f"{from_si(float(size), unit, 'length'):.4g} {unit}"
    pairs = [f"method = {candidate.method!r}", *(f"{k} = {v!r}" for k, v in sizes.items())]
    return tell(words, "plans.keys.told", keys=", ".join(pairs))


def flow_source(plan: Any) -> Shown:
    """Where the expected flow comes from, and its three figures."""
    words, flow = Words.of(plan), plan.flow
    unit = words.discharge_unit
    three = {"low": flow.minimum, "mean": flow.mean, "high": flow.peak}
    shown = {n: f"{from_si(float(v), unit, 'discharge'):.3g} {unit}" for n, v in three.items()}
    return tell(words, "plans.flow.source", source=flow.source, **shown)


def not_rated(plan: Any) -> Shown:
    """Kinds a plan cannot size."""
    return bullets(list(NOT_RATED), "")


def flags(plan: Any) -> Shown:
    """What the reader must know."""
    messages = [flag.message for flag in plan.flags]
    return bullets(messages, Words.of(plan)("plans.nothing_further"))
