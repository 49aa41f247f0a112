"""What the quarterly review says in words and tables, in the units people read."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
from IPython.display import display

from sewer_audit.charts import Picture, show
from sewer_audit.charts.review import control_chart, quarter_costs, quarter_volumes
from sewer_audit.report.quarter.lists import actions, changes, news, savings
from sewer_audit.report.show import Shown, bullets, say, show_table, show_verdict
from sewer_audit.report.words import Words, counted, joined
from sewer_audit.units import from_si, to_si

__all__ = [
    "actions",
    "changes",
    "costs",
    "forecast",
    "in_short",
    "news",
    "notes",
    "picture",
    "savings",
    "strengths",
    "unusual",
    "volumes",
]

NO_AUDITED = "There is no audited volume: no estimate, or measurements that contradict each other."


def in_short(found: Any) -> Shown:
    """The box that opens the review.

    Units: found [m3, money].
    """
    words, row = Words.of(found.audit), found.row
    facts = {"Billed": words.volume(row["billed_m3"])}
    for name, label in (("effluent", "Measured"), ("balance", "Expected from the balance")):
        if _known(row[f"{name}_mean"]):
            span = words.volume_interval(row[f"{name}_low"], row[f"{name}_high"])
            facts[label] = f"{words.volume(row[f'{name}_mean'])}; {span}"
    if _known(row["ratio_mean"]):
        span = f"{row['ratio_low']:.2f} to {row['ratio_high']:.2f} ({words.interval_name})"
        facts["Billed over audited volume"] = f"{row['ratio_mean']:.2f}; {span}"
    facts["Cost of a billed unit"] = _unit_cost(words, row["cost_per_billed_m3"])
    facts["Invoiced"] = words.money(row["invoiced_total"])
    head = f"{found.quarter}: {counted(row['invoices'], 'invoice')}, {_unusual_words(found)}"
    return show_verdict(head, _best(found, words), facts)


def _known(value: Any) -> bool:
    return value is not None and math.isfinite(value)


def _unit_cost(words: Words, per_m3: float) -> str:
    if not _known(per_m3):
        return "–"
    size = float(to_si(1.0, words.volume_unit, "volume"))
    return f"{words.money(per_m3 * size)} / {words.volume_unit}"


def _unusual_words(found: Any) -> str:
    if found.limits is None:
        return "too few earlier ones to say what is usual"
    names = _outside(found)
    return f"outside the usual: {joined(names)}" if names else "none outside the usual"


def _outside(found: Any) -> list[str]:
    this = found.ratios[found.ratios["quarter"] == found.quarter]
    return [str(name) for name in this.loc[this["outside"], "invoice"]]


def _best(found: Any, words: Words) -> str:
    good = found.savings[found.savings["amount_low"] > 0]
    if good.empty:
        return "Nothing is shown to be worth pursuing."
    once = float(good.loc[good["kind"] == "once", "amount_mean"].sum())
    parts = [f"once {words.money(once)}"] if once else []
    yearly = good[good["kind"] == "a year"]
    if len(yearly):
        top = yearly.iloc[0]
        span = words.money_interval(top["amount_low"], top["amount_high"])
        parts.append(f"a year {words.money(top['amount_mean'], cents=False)}, {span}")
    lost = found.savings.loc[found.savings["kind"] == "once", "amount_mean"]
    lost = -float(lost[lost < 0].sum())
    against = f"; against it, {words.money(lost)} were invoiced too low" if lost else ""
    return f"Worth pursuing: {'; '.join(parts)}{against}"


def notes(found: Any) -> Shown:
    """What the reader must know of the review itself."""
    return bullets([f"{note}." for note in found.notes], "The eight quarters before are complete.")


def picture(name: str, found: Any, caption: str = "", form: str = "png") -> None:
    """Show one figure of the review, or say why there is none.

    Parameters
    ----------
    name : str
        "volumes", "ratios" or "costs" [text].
    found : Review
        The review [-].
    caption : str
        Printed below the figure [text].
    form : str
        "png" or "svg" [text].
    """
    drawn = _drawn(name, found)
    if drawn is None:
        display(say("{reason}", reason=NO_AUDITED))
    else:
        show(drawn, caption=caption, form=form)


def _drawn(name: str, found: Any) -> Picture | None:
    words, coverage = Words.of(found.audit), found.audit.rule.coverage
    if name == "volumes":
        return quarter_volumes(found.table, words.volume_unit, coverage, dict(found.forecast))
    if name == "costs":
        return quarter_costs(found.table, words.volume_unit, words.currency, coverage)
    if found.ratios["ratio_mean"].isna().all():
        return None
    return control_chart(found.ratios, found.limits, found.audit.rule.tolerance, coverage)


def volumes(found: Any) -> Shown:
    """Billed, measured and expected volume of each quarter.

    Units: found [m3].
    """
    words, rows = Words.of(found.audit), []
    unit = words.volume_unit
    for row in found.table.to_dict("records"):
        rows.append(
            {
                "quarter": row["quarter"],
                "invoices": row["invoices"],
                f"billed [{unit}]": from_si(row["billed_m3"], unit, "volume"),
                f"measured [{unit}]": _span(words, row, "effluent"),
                f"expected from the balance [{unit}]": _span(words, row, "balance"),
                "billed / audited": _ratio(row),
                "estimated reads": row["estimated_reads"],
            }
        )
    caption = f"Volume by quarter, intervals with {100 * words.coverage:.4g} % coverage"
    return show_table(pd.DataFrame(rows), caption, digits={f"billed [{unit}]": 0})


def _span(words: Words, row: dict[str, Any], name: str) -> str:
    parts = [from_si(row[f"{name}_{p}"], words.volume_unit, "volume") for p in _PARTS]
    return f"{parts[0]:,.0f} ({parts[1]:,.0f} to {parts[2]:,.0f})" if _known(parts[0]) else "–"


_PARTS = ("mean", "low", "high")


def _ratio(row: dict[str, Any]) -> str:
    middle, low, high = (row[f"ratio_{part}"] for part in _PARTS)
    return f"{middle:.3f} ({low:.3f} to {high:.3f})" if _known(middle) else "–"


def unusual(found: Any) -> Shown:
    """Whether this quarter lies outside what was usual before."""
    limits = found.limits
    if limits is None:
        return say("There are too few earlier invoices with an audited volume for control limits.")
    names = _outside(found)
    head = f"Outside in {found.quarter}: {joined(names)}." if names else f"None in {found.quarter}."
    return say(
        "{head} From {count} earlier invoices the usual ratio is {centre}, the control limits are "
        "{low} to {high}. The limits tell what varies from invoice to invoice. The bars hold what "
        "is uncertain about each ratio; most of it moves all invoices together and hides no step.",
        head=head,
        count=limits.count,
        centre=f"{limits.centre:.3f}",
        low=f"{limits.low:.3f}",
        high=f"{limits.high:.3f}",
    )


def costs(found: Any) -> Shown:
    """Invoiced, recomputed and per volume, quarter by quarter."""
    words = Words.of(found.audit)
    size, unit, money = (
        float(to_si(1.0, words.volume_unit, "volume")),
        words.volume_unit,
        words.currency,
    )
    frame = found.table
    table = pd.DataFrame(
        {
            "quarter": frame["quarter"],
            f"invoiced [{money}]": frame["invoiced_total"],
            f"by the rules [{money}]": frame["recomputed_total"],
            f"a billed unit [{money}/{unit}]": frame["cost_per_billed_m3"] * size,
            f"an audited unit [{money}/{unit}]": frame["cost_per_m3_mean"] * size,
        }
    )
    return show_table(table, "Cost by quarter", digits=2)


def strengths(found: Any) -> Shown:
    """Strength surcharges by quarter."""
    if found.pricing is None:
        return say("Without a rate schedule no strength surcharge can be told from other charges.")
    if found.strengths.empty:
        return say("The rate schedule of this case holds no strength surcharge.")
    money = Words.of(found.audit).currency
    frame = found.strengths.assign(share_of_cost=100 * found.strengths["share_of_cost"])
    heads = {
        "column": "charge",
        "invoiced": f"invoiced [{money}]",
        "by_the_rules": f"by the rules [{money}]",
        "share_of_cost": "share of the quarter's cost [%]",
    }
    return show_table(frame.rename(columns=heads), "Strength surcharges by quarter", digits=2)


def forecast(found: Any) -> Shown:
    """The next quarter with its interval.

    Units: found [m3, money].
    """
    made, words = found.forecast, Words.of(found.audit)
    if not made["made"]:
        return say("No forecast: {why}.", why=made["why"])
    unit, money = words.volume_unit, words.currency
    labels = {
        "discharge": "what leaves the site",
        "charged": "what the schedule charges",
        "billed": "what is billed, if nothing changes",
    }
    rows = []
    for name, label in labels.items():
        volume, cost = made.get(f"{name}_m3"), made.get(f"cost_{name}")
        if volume is None:
            continue
        parts = {p: from_si(volume[p], unit, "volume") for p in volume}
        span = f"{parts['low']:,.0f} to {parts['high']:,.0f}"
        price = f"{cost['low']:,.0f} to {cost['high']:,.0f}" if cost else "–"
        rows.append(
            {
                made["quarter"]: label,
                f"volume [{unit}]": parts["middle"],
                f"interval [{unit}]": span,
                f"cost [{money}]": cost["middle"] if cost else float("nan"),
                f"interval [{money}]": price,
            }
        )
    caption = (
        f"Forecast of {made['quarter']} ({words.interval_name}), from {made['method']}, "
        f"{counted(made['count'], 'figure')}; rates as now known"
    )
    return show_table(pd.DataFrame(rows), caption, digits=0)
