"""Tables of a monitoring plan, in the units people read."""

from __future__ import annotations

from typing import Any

import pandas as pd

from sewer_audit.planning import chances_of_total, checklist_table, closer, option_table
from sewer_audit.report.evidence.story import table_or
from sewer_audit.report.show import Shown, show_table, table, tell
from sewer_audit.units import from_si
from sewer_audit.wording import Words

__all__ = ["checklists", "drift", "lengths", "looked_at", "settings", "worth"]


def settings(plan: Any) -> Shown:
    """How the best option of each kind has to be set."""
    words, options = Words.of(plan), option_table(plan).set_index("option")
    best = [each.label for each in closer(plan.ranked) if each.option.setting is not None]
    names = ["raised", "fall_needed", "depth_at_peak", "backwater"]
    lengths = options.loc[best, names].astype(float)
    shown = lengths.apply(lambda each: from_si(each.to_numpy(), words.head_unit, "length"))
    return table(words, "plans.settings", shown.reset_index(), 1)


def looked_at(plan: Any) -> Shown:
    """Every size looked at, with what speaks against it."""
    words, rows = Words.of(plan), []
    for row in option_table(plan).to_dict("records"):
        still = words("plans.looked_at.open", open=row["open"]) if row["open"] else ""
        rows.append(
            {
                "option": row["option"],
                "fits": row["fits"],
                "outside": 100 * row["outside_limits"],
                "against": " ".join(filter(None, (row["against"], row["mind"], still))),
            }
        )
    return table(words, "plans.looked_at", rows, 1)


def checklists(plan: Any) -> Shown:
    """Installation rules of the best option of each kind."""
    words, rows = Words.of(plan), []
    for each in closer(plan.ranked):
        rules = checklist_table(each.option)
        rules.insert(0, "option", each.label)
        rows.append(rules)
    frame = pd.concat(rows, ignore_index=True) if rows else pd.DataFrame()
    if not frame.empty:
        frame.insert(3, "answer", words("plans.checklists.open"))
    return table(words, "plans.checklists", frame)


def lengths(plan: Any) -> Shown:
    """Months of record that give a chance of 90 %, by option and true shortfall."""
    words = Words.of(plan)
    if plan.lengths.empty:
        return tell(words, "plans.lengths.empty")
    longest = int(plan.power["months"].max())
    wide = plan.lengths.pivot_table(
        index="option", columns="shortfall", values="months_needed", sort=False, dropna=False
    )
    shown = pd.DataFrame({words("plans.lengths.option"): wide.index})
    never = words("plans.lengths.not_in", longest=longest)
    for shortfall, months in wide.items():
        shown[f"{100 * shortfall:.0f} %"] = [never if pd.isna(m) else f"{int(m)}" for m in months]
    least = plan.lengths.groupby("option", sort=False)["smallest_shortfall"].first()
    shown[words("plans.lengths.least")] = 100 * least.loc[wide.index].to_numpy()
    return show_table(shown, words("plans.lengths.caption", longest=longest), digits=1)


def drift(plan: Any) -> Shown:
    """What drift takes of the uncertainty by the time between visits."""
    words, visits = Words.of(plan), plan.visits
    if visits.empty:
        return tell(words, "plans.drift.empty")
    shares = ["month", "total", "drift_share_month", "drift_share_total"]
    shown = pd.concat([visits[["days", "visits"]], 100 * visits[shares]], axis=1)
    if plan.belief is not None:
        shown["chance"] = [
            100 * float(chances_of_total(plan.belief.mean, total, plan.rule).too_high[0])
            for total in visits["total"]
        ]
    digits = {**dict.fromkeys(shown, 2), "days": 0, "visits": 0}
    return table(words, "plans.drift", shown, digits, visits_of=plan.visits_of)


def worth(plan: Any) -> Shown:
    """Expected recovery, risk, cost and bound by option."""
    words = Words.of(plan)
    valued = [each for each in closer(plan.ranked) if each.worth is not None]
    if not valued:
        return tell(words, "plans.worth.missing")
    columns = {each.label: _worth(each.worth, words) for each in valued}
    rows = words.labels("plans.worth", next(iter(columns.values())))
    shown = pd.DataFrame({"": list(rows), **{n: list(c.values()) for n, c in columns.items()}})
    return table_or(shown, words("plans.worth.caption"), "")


def _worth(each: Any, words: Words) -> dict[str, str]:
    even = each.break_even
    return {
        "recovery": f"{each.recovery:,.0f}",
        "risk": f"{each.risk:,.0f}",
        "cost": words("grammar.range", low=each.cost.low, high=each.cost.high),
        "net": f"{each.net:,.0f}",
        "perfect": f"{each.perfect:,.0f}",
        "chance_too_high": f"{100 * each.chance_too_high:.1f}",
        "chance_too_low": f"{100 * each.chance_too_low:.1f}",
        "even": words("plans.worth.never") if even is None else f"{100 * even:.1f}",
    }
