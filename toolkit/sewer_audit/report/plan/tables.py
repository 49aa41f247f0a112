"""Tables of a monitoring plan, in the units people read."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.planning import chances_of_total, checklist_table, closer, option_table
from sewer_audit.report.evidence.story import table_or
from sewer_audit.report.show import Shown, say
from sewer_audit.units import from_si

__all__ = ["checklists", "drift", "lengths", "looked_at", "settings", "worth"]


def _length(values: pd.Series, unit: str) -> np.ndarray:
    return np.asarray(from_si(values.astype(float).to_numpy(), unit, "length"))


def settings(plan: Any) -> Shown:
    """How the best option of each kind has to be set."""
    head = plan.case.data.display.head
    table = option_table(plan).set_index("option")
    best = [each.label for each in closer(plan.ranked) if each.option.setting is not None]
    shown = pd.DataFrame({"option": best})
    for name, label in (
        ("raised", "over incoming invert"),
        ("fall_needed", "fall needed"),
        ("depth_at_peak", "water at peak"),
        ("backwater", "of it backwater"),
    ):
        shown[f"{label} [{head}]"] = _length(table.loc[best, name], head)
    return table_or(
        shown,
        "Setting: crest or floor over the incoming invert, fall to the outgoing invert, water over "
        "the incoming invert at peak flow",
        "No option that fits is set into the flow.",
        digits=1,
    )


def looked_at(plan: Any) -> Shown:
    """Every size looked at, with what speaks against it."""
    rows = []
    for row in option_table(plan).to_dict("records"):
        said = [row["against"], row["mind"], f"Open: {row['open']}." if row["open"] else ""]
        said = [each for each in said if each]
        rows.append(
            {
                "option": row["option"],
                "fits": row["fits"],
                "outside [%]": 100 * row["outside_limits"],
                "against it, to mind, open": " ".join(said),
            }
        )
    return table_or(pd.DataFrame(rows), "Every size looked at", "", digits=1)


def checklists(plan: Any) -> Shown:
    """Installation rules of the best option of each kind."""
    rows = []
    for each in closer(plan.ranked):
        table = checklist_table(each.option)
        table.insert(0, "option", each.label)
        rows.append(table.rename(columns={"asked_for": "asked for"}))
    frame = pd.concat(rows, ignore_index=True) if rows else pd.DataFrame()
    if not frame.empty:
        frame.insert(3, "answer", "open")
    return table_or(frame, "To be answered on site before anything is ordered", "Nothing fits.")


def lengths(plan: Any) -> Shown:
    """Months of record that give a chance of 90 %, by option and true shortfall."""
    if plan.lengths.empty:
        return say("Nothing that carries a claim fits.")
    longest = int(plan.power["months"].max())
    wide = plan.lengths.pivot_table(
        index="option", columns="shortfall", values="months_needed", sort=False, dropna=False
    )
    shown = pd.DataFrame({"option": wide.index})
    for shortfall in wide.columns:
        shown[f"{100 * shortfall:.0f} %"] = [
            f"not in {longest}" if pd.isna(each) else f"{int(each)}" for each in wide[shortfall]
        ]
    first = plan.lengths.groupby("option", sort=False)["smallest_shortfall"].first()
    shown["least found [%]"] = 100 * first.loc[wide.index].to_numpy()
    return table_or(
        shown,
        "Months of record for a chance of 90 % of the finding “too high”, by the true shortfall; "
        f"last, the least shortfall that {longest} months find; if nothing of the list of "
        "explanations acts on the record",
        "",
        digits=1,
    )


def drift(plan: Any) -> Shown:
    """What drift takes of the uncertainty by the time between visits."""
    if plan.visits.empty:
        return say("The method has no level: there is no zero that could drift.")
    table = plan.visits
    shown = pd.DataFrame(
        {
            "every [d]": table["days"],
            "visits a year": table["visits"],
            "u, month [%]": 100 * table["month"],
            "u, year [%]": 100 * table["total"],
            "drift, month [%]": 100 * table["drift_share_month"],
            "drift, year [%]": 100 * table["drift_share_total"],
        }
    )
    digits = {"every [d]": 0, "visits a year": 0}
    if plan.belief is not None:
        chances = [
            float(chances_of_total(plan.belief.mean, total, plan.rule).too_high[0])
            for total in table["total"]
        ]
        shown["chance [%]"] = 100 * np.array(chances)
    return table_or(
        shown,
        f"Re-zeroing of {plan.visits_of}; drift is its share of the variance, chance that of the "
        "finding “too high” after a year at the "
        "expected shortfall",
        "",
        digits={**dict.fromkeys(shown.columns, 2), **digits},
    )


def worth(plan: Any) -> Shown:
    """Expected recovery, risk, cost and bound by option."""
    money = plan.case.data.display.money
    valued = [each for each in closer(plan.ranked) if each.worth is not None]
    missing = (
        "The value is not computed: a cost under [[plan.cost]], an expected shortfall under [plan] "
        "and a price of the volume are needed."
    )
    if not valued:
        return say("{missing}", missing=missing)
    rows = {
        f"expected recovery [{money}]": [f"{each.worth.recovery:,.0f}" for each in valued],
        f"less risk of a higher bill [{money}]": [f"{each.worth.risk:,.0f}" for each in valued],
        f"less cost [{money}]": [
            f"{each.worth.cost.low:,.0f} to {each.worth.cost.high:,.0f}" for each in valued
        ],
        f"net value at the middle of the cost [{money}]": [
            f"{each.worth.net:,.0f}" for each in valued
        ],
        f"bound: perfect information, free [{money}]": [
            f"{each.worth.perfect:,.0f}" for each in valued
        ],
        "chance of “too high” [%]": [f"{100 * each.worth.chance_too_high:.1f}" for each in valued],
        "chance of “too low” [%]": [f"{100 * each.worth.chance_too_low:.1f}" for each in valued],
        "pays from a shortfall of [%]": [_even(each) for each in valued],
    }
    shown = pd.DataFrame({"": list(rows)})
    for place, each in enumerate(valued):
        shown[each.label] = [row[place] for row in rows.values()]
    return table_or(shown, "What the evidence is expected to be worth", "")


def _even(each: Any) -> str:
    even = each.worth.break_even
    return "never" if even is None else f"{100 * even:.1f}"
