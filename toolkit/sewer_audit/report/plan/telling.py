"""What the monitoring plan says and shows, in the units people read."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.planning import ranking_table
from sewer_audit.planning.catalogue import NOT_RATED
from sewer_audit.planning.findings import AGAINST
from sewer_audit.planning.options import CRITERIA
from sewer_audit.report.evidence.story import bullets, table_or
from sewer_audit.report.plan.tables import (
    checklists,
    drift,
    lengths,
    looked_at,
    settings,
    worth,
)
from sewer_audit.report.show import Shown, say
from sewer_audit.report.words import counted
from sewer_audit.units import from_si

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
    best = plan.best
    if best is None or best.option.trend:
        return bullets(
            [
                "Nothing that carries a claim fits the flows and limits stated and stays clear of "
                "settling solids; the table below says for each size what speaks against it."
            ],
            "",
        )
    year = 100 * best.precision.total(12)
    said = [
        f"What to install: {best.label}{_so_far(best)}. The standard uncertainty to be expected is "
        f"{year:.2g} % for a year's volume and {100 * best.precision.month:.2g} % for a month's.",
        _how_long(plan, best),
        _how_often(plan),
        _is_it_worth(plan, best),
        *(f"To mind: {each}" for each in best.option.warnings),
        *(f"Open: {each}." for each in best.option.open),
    ]
    return bullets([each for each in said if each], "")


def _so_far(best: Any) -> str:
    """What limits the advice while points are open."""
    return ", as far as it could be examined; first settle what is open below" * bool(
        best.option.open
    )


def _how_long(plan: Any, best: Any) -> str:
    mine = plan.lengths[plan.lengths["option"] == best.label]
    found = mine[mine["months_needed"].notna()]
    least = 100 * float(mine["smallest_shortfall"].iloc[0])
    text = (
        f"How long: the chance to find a shortfall below {least:.3g} % stays under 90 % even "
        f"within {counted(int(plan.power['months'].max()), 'month')}, because what decides does "
        "not average out."
    )
    if len(found):
        first = found.iloc[0]
        text += (
            f" One of {100 * first['shortfall']:.3g} % is found with that chance after "
            f"{counted(int(first['months_needed']), 'month')}."
        )
    return text + " These chances hold if nothing of the list of explanations acts on the record."


def _how_often(plan: Any) -> str:
    if plan.visits.empty:
        return "How often to visit: the method has no level, so there is no zero to check."
    days, share = plan.days_between_visits, 100 * plan.table.drift_share
    if days is None:
        return (
            f"How often to visit: even weekly re-zeroing leaves drift more than {share:.3g} % of a "
            "month's variance; a steadier bracket is worth more than visits."
        )
    return (
        f"How often to visit: re-zeroing every {days} days or more often keeps drift below "
        f"{share:.3g} % of a month's variance ({plan.visits_of}). Costs and uncertainties "
        f"here count a visit every {plan.schedule.visit_every / 86_400:.3g} days{_price(plan)}."
    )


def _price(plan: Any) -> str:
    """What the visits counted cost with the best option."""
    best, money = plan.best, plan.case.data.display.money
    if best is None or best.of_visits is None:
        return ""
    of = best.of_visits
    return (
        f": {best.visits} of {best.label} in {counted(best.months, 'month')} cost "
        f"{_amount(of.low, money)} to {_amount(of.high, money)}, part of the cost below"
    )


def _amount(value: float, money: str) -> str:
    minus = "\N{MINUS SIGN}" if round(value) < 0 else ""
    return f"{money} {minus}{abs(value):,.0f}"


def _is_it_worth(plan: Any, best: Any) -> str:
    money = plan.case.data.display.money
    if best.worth is None:
        return "Is it worth it: not computed; the case lacks a cost, a price or an expectation."
    low, high = best.worth.net_range
    even = best.worth.break_even
    text = (
        f"Is it worth it: expected net value {_amount(best.worth.net, money)} "
        f"({_amount(low, money)} to {_amount(high, money)} over the range of costs). No evidence "
        f"could be worth more than {_amount(best.worth.perfect, money)}, which is what it would be "
        "worth to know the true discharge exactly. "
    )
    if even is None:
        return text + "It does not pay at any shortfall."
    return text + (
        "By the costs and chances stated it pays if the true discharge lies "
        f"{100 * even:.3g} % or more below the billed."
    )


def ranking(plan: Any) -> Shown:
    """Options that fit, best first."""
    head, money = plan.case.data.display.head, plan.case.data.display.money
    table = ranking_table(plan)
    if table.empty:
        return say("Nothing fits.")
    shown = pd.DataFrame({"option": table["option"]})
    heads = [
        from_si(table[f"head_{name}"].astype(float).to_numpy(), head, "length")
        for name in ("minimum", "mean", "peak")
    ]
    shown[f"head, low / mean / peak [{head}]"] = [
        "–" if np.isnan(three[0]) else " / ".join(f"{each:.3g}" for each in three)
        for three in zip(*heads, strict=True)
    ]
    shown["outside [%]"] = 100 * table["outside_limits"]
    shown["u, month [%]"] = 100 * table["month"]
    shown["u, year [%]"] = 100 * table["year"]
    shown[f"cost [{money}]"] = [
        "–" if low is None or pd.isna(low) else f"{low:,.0f} to {high:,.0f}"
        for low, high in zip(table["cost_low"], table["cost_high"], strict=True)
    ]
    shown[f"net value [{money}]"] = table["net"].astype(float)
    shown["worth per cost"] = table["worth_per_cost"].astype(float)
    shown["fitness: to mind"] = [_minded(row) for row in table.to_dict("records")]
    digits = {f"net value [{money}]": 0, "outside [%]": 1}
    return table_or(
        shown,
        "Options that fit, fittest first (solids, approach, highest flow, fall), then by worth per "
        "cost; u is the standard uncertainty to be expected, outside the share of the volume "
        "beyond published limits",
        "",
        digits={**dict.fromkeys(shown.columns, 2), **digits},
    )


def _minded(row: dict[str, Any]) -> str:
    """By which criteria an option is less than fit."""
    if row["settles"]:
        return "solids settle: not advised"
    marked = [n for n, column in zip(CRITERIA, AGAINST, strict=True) if row[column]]
    return ", ".join(marked) or "–"


def case_keys(plan: Any) -> Shown:
    """How the best option is written in a case file."""
    best = plan.best
    if best is None:
        return say("Nothing fits.")
    candidate, unit = best.option.candidate, plan.case.data.display.head
    sizes = dict(candidate.sizes)
    for name in ("channel_width", "diameter", "crest_height"):
        size = getattr(best.option.device, name, None)
        if size is not None and (name in sizes or name == "crest_height"):
            sizes[name] = f"{from_si(float(size), unit, 'length'):.4g} {unit}"
    pairs = [f"method = {candidate.method!r}", *(f"{k} = {v!r}" for k, v in sizes.items())]
    return say("In the case file, under [effluent]: {keys}", keys=", ".join(pairs))


def flow_source(plan: Any) -> Shown:
    """Where the expected flow comes from, and its three figures."""
    unit, flow = plan.case.data.display.discharge, plan.flow
    low, mean, high = (
        f"{from_si(float(each), unit, 'discharge'):.3g} {unit}"
        for each in (flow.minimum, flow.mean, flow.peak)
    )
    return say(
        "Source: {source}. Minimum {low}, mean {mean}, peak {high}.",
        source=flow.source,
        low=low,
        mean=mean,
        high=high,
    )


def not_rated(plan: Any) -> Shown:
    """Kinds a plan cannot size."""
    return bullets(list(NOT_RATED), "")


def flags(plan: Any) -> Shown:
    """What the reader must know."""
    return bullets([flag.message for flag in plan.flags], "Nothing further.")
