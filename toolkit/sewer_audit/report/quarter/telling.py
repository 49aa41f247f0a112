"""What the quarterly review says in words and tables, in the units people read."""

from __future__ import annotations

import math
from typing import Any

from IPython.display import display

from sewer_audit.charts import Picture, show
from sewer_audit.charts.review import control_chart, quarter_costs, quarter_volumes
from sewer_audit.report.quarter.lists import actions, changes, news, savings
from sewer_audit.report.show import Shown, bullets, show_verdict, table, tell
from sewer_audit.units import from_si, to_si
from sewer_audit.wording import Words

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

PARTS = ("mean", "low", "high")


def in_short(found: Any) -> Shown:
    """The box that opens the review.

    Units: found [m3, money].
    """
    words, row = Words.of(found.audit), found.row
    told = {"billed": words.volume(row["billed_m3"])}
    for name in ("effluent", "balance"):
        mean, *ends = (row[f"{name}_{part}"] for part in PARTS)
        if _known(mean):
            told[name] = words("quarter.short.interval_of", mean=mean, ends=ends)
    if _known(row["ratio_mean"]):
        ratio = {part: row[f"ratio_{part}"] for part in PARTS}
        told["ratio"] = words("quarter.short.ratio", **ratio)
    told["unit_cost"] = _unit_cost(words, row["cost_per_billed_m3"])
    told["invoiced"] = words.money(row["invoiced_total"])
    head = words(
        "quarter.short.head",
        quarter=found.quarter,
        invoices=row["invoices"],
        limits=found.limits is not None,
        outside=_outside(found),
    )
    return show_verdict(head, _best(found, words), words.labels("quarter.facts", told))


def _known(value: Any) -> bool:
    return value is not None and math.isfinite(value)


def _unit_cost(words: Words, per_m3: float) -> str:
    if not _known(per_m3):
        return "–"
    size = float(to_si(1.0, words.volume_unit, "volume"))
    return words("quarter.short.unit_cost", cost=per_m3 * size)


def _outside(found: Any) -> list[str]:
    this = found.ratios[found.ratios["quarter"] == found.quarter]
    return [str(name) for name in this.loc[this["outside"], "invoice"]]


def _best(found: Any, words: Words) -> str:
    good = found.savings[found.savings["amount_low"] > 0]
    if good.empty:
        return words("quarter.short.nothing")
    once = float(good.loc[good["kind"] == "once", "amount_mean"].sum())
    parts = [words("quarter.short.once", amount=once)] if once else []
    yearly = good[good["kind"] == "a year"]
    if len(yearly):
        top = yearly.iloc[0]
        amount, ends = top["amount_mean"], (top["amount_low"], top["amount_high"])
        parts.append(words("quarter.short.yearly", amount=amount, ends=ends))
    lost = found.savings.loc[found.savings["kind"] == "once", "amount_mean"]
    return words("quarter.short.worth", parts=parts, lost=-float(lost[lost < 0].sum()))


def notes(found: Any) -> Shown:
    """What the reader must know of the review itself."""
    words = Words.of(found.audit)
    told = [words("quarter.note", note=note) for note in found.notes]
    return bullets(told, words("quarter.notes_empty"))


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
        display(tell(Words.of(found.audit), "quarter.no_audited"))
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
    words = Words.of(found.audit)
    rows = [
        {
            "quarter": row["quarter"],
            "invoices": row["invoices"],
            "billed_m3": row["billed_m3"],
            "effluent": _span(words, row, "effluent"),
            "balance": _span(words, row, "balance"),
            "ratio": _ratio(words, row),
            "estimated_reads": row["estimated_reads"],
        }
        for row in found.table.to_dict("records")
    ]
    return table(words, "quarter.volumes", rows, {"billed_m3": 0}, coverage=words.coverage)


def _span(words: Words, row: dict[str, Any], name: str) -> str:
    parts = {p: from_si(row[f"{name}_{p}"], words.volume_unit, "volume") for p in PARTS}
    return words("quarter.volume.span", **parts) if _known(parts["mean"]) else "–"


def _ratio(words: Words, row: dict[str, Any]) -> str:
    parts = {part: row[f"ratio_{part}"] for part in PARTS}
    return words("quarter.volume.ratio", **parts) if _known(parts["mean"]) else "–"


def unusual(found: Any) -> Shown:
    """Whether this quarter lies outside what was usual before."""
    words, limits = Words.of(found.audit), found.limits
    if limits is None:
        return tell(words, "quarter.unusual.few")
    values = {name: getattr(limits, name) for name in ("count", "centre", "low", "high")}
    where = {"quarter": found.quarter, "outside": _outside(found)}
    return tell(words, "quarter.unusual.told", **values, **where)


def costs(found: Any) -> Shown:
    """Invoiced, recomputed and per volume, quarter by quarter."""
    words, frame = Words.of(found.audit), found.table
    size = float(to_si(1.0, words.volume_unit, "volume"))
    columns = {
        "quarter": frame["quarter"],
        "invoiced": frame["invoiced_total"],
        "by_the_rules": frame["recomputed_total"],
        "billed_unit": frame["cost_per_billed_m3"] * size,
        "audited_unit": frame["cost_per_m3_mean"] * size,
    }
    return table(words, "quarter.costs", columns, 2)


def strengths(found: Any) -> Shown:
    """Strength surcharges by quarter."""
    words, frame = Words.of(found.audit), found.strengths
    if found.pricing is None:
        return tell(words, "quarter.strengths.no_schedule")
    if len(frame):
        frame = frame.assign(share_of_cost=100 * frame["share_of_cost"])
    return table(words, "quarter.strengths", frame, 2)


def forecast(found: Any) -> Shown:
    """The next quarter with its interval.

    Units: found [m3, money].
    """
    made, words, rows = found.forecast, Words.of(found.audit), []
    if not made["made"]:
        return tell(words, "quarter.forecast.none", why=made["why"])
    for name in ("discharge", "charged", "billed"):
        volume, cost = made.get(f"{name}_m3"), made.get(f"cost_{name}")
        if volume is None:
            continue
        parts = {p: from_si(volume[p], words.volume_unit, "volume") for p in volume}
        rows.append(
            {
                "what": words(f"quarter.forecast.{name}"),
                "volume": parts["middle"],
                "volume_interval": words("grammar.range", **parts),
                "cost": cost["middle"] if cost else math.nan,
                "cost_interval": words("grammar.range", **cost) if cost else "–",
            }
        )
    return table(words, "quarter.forecast", rows, 0, **made)
