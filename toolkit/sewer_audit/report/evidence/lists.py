"""Long tables of an audit for the appendix of a report, in the units people read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.volumes.evidence import installation
from sewer_audit.effluent.steps import FILLED, NOISE
from sewer_audit.report.evidence.balance import explanations
from sewer_audit.report.folder.by_hand import hand_steps
from sewer_audit.report.folder.manifest import ZONES, versions
from sewer_audit.report.folder.printed import line_field, with_links
from sewer_audit.report.frames import budget_of
from sewer_audit.report.tables import with_units
from sewer_audit.units import from_si
from sewer_audit.wording import Words

__all__ = [
    "budget_table",
    "charge_lines",
    "checklist",
    "explanations",
    "first_order",
    "gaps",
    "input_files",
    "made_with",
    "open_points",
    "readable",
    "reading_counts",
    "signatures",
]


def readable(result: Any, frame: pd.DataFrame) -> pd.DataFrame:
    """Any table of an audit with units in its heads.

    Units: frame [SI].
    """
    words = Words.of(result)
    shown = with_units(frame, words.volume_unit, words.currency)
    for name in shown.columns:
        if isinstance(shown[name].dtype, pd.DatetimeTZDtype):
            shown[name] = shown[name].dt.tz_convert(result.case.zone)
    return shown


def checklist(result: Any) -> pd.DataFrame:
    """What the method asks of the installation, what the case answers and what the record shows."""
    series, logger, words = result.evidence.series, result.inputs.logger, Words.of(result)
    if result.case.device is None or series is None:
        return pd.DataFrame()
    rows = [
        {
            "subject": point.subject,
            "asked": point.asked,
            "answer": point.answer or words("record.checked.not_answered"),
            "record": point.record or words("record.checked.cannot_tell"),
            "follows": f"{point.status}: {point.effect}".removeprefix("open: "),
            "source": point.source,
        }
        for point in installation(result.case, logger, series).points
    ]
    return words.frame("record.checklist", rows)


def reading_counts(result: Any) -> pd.DataFrame:
    """Readings of the record by status and reason."""
    logger = result.inputs.logger
    if logger is None:
        return pd.DataFrame()
    frame = logger.frame[["status", "reason"]].astype(str)
    counted = frame.value_counts().rename("readings").reset_index()
    counted = counted.sort_values("readings", ascending=False, kind="stable")
    counted["reason"] = counted["reason"].replace({"nan": "", "None": "", "<NA>": ""})
    counted["share"] = 100 * counted["readings"] / max(len(frame), 1)
    return Words.of(result).frame("record.counts", counted.reset_index(drop=True))


def budget_table(result: Any, estimate: str) -> pd.DataFrame:
    """Variance budget of one estimate, all invoices together.

    Units: result [m3].
    """
    budget = budget_of(result, estimate)
    if budget.empty:
        return budget
    words = Words.of(result)
    way = {1: words("lists.budget.larger"), -1: words("lists.budget.smaller")}
    columns = {
        "cause": budget["cause"],
        "share": 100 * budget["share"],
        "standard_uncertainty_m3": budget["standard_uncertainty_m3"],
        "persistence": budget["persistence"],
        "direction": budget["direction"].map(way).fillna(""),
        "narrower": 100 * (1 - budget["width_if_halved_m3"] / budget["interval_width_m3"]),
    }
    return words.frame("lists.budget.heads", columns)


def first_order(result: Any) -> pd.DataFrame:
    """All invoices together: the first-order formula beside the draws, and whether it suffices.

    Volumes alone; the charges that follow from them stand in the workbook.

    Units: result [m3].
    """
    words, table = Words.of(result), result.first_order
    scale, rows = from_si(1.0, words.volume_unit, "volume"), []
    volumes = table[table["unit"] != "money"]
    if result.case.data.case.basis == "discharge":
        volumes = volumes[volumes["figure"] != "basis"]
    for row in volumes[volumes["invoice"] == "total"].to_dict("records"):
        each = table[table["figure"] == row["figure"]]
        good = each["first_order_suffices"][:-1]
        rows.append(
            {
                "figure": row["figure"],
                "formula": scale * row["first_order"],
                "formula_u": scale * row["first_order_standard_uncertainty"],
                "draws": scale * row["draws_mean"],
                "draws_u": scale * row["draws_standard_uncertainty"],
                "differ": scale * row["largest_difference"],
                "allowed": scale * row["tolerance"],
                "suffices": words("lists.first_order.answer", **row),
                "invoices": words("lists.first_order.of", good=int(good.sum()), all=len(good)),
            }
        )
    return words.frame("lists.first_order.heads", rows)


def open_points(result: Any) -> pd.DataFrame:
    """What the case leaves open, what each answer is worth, and the key that closes it."""
    words = Words.of(result)
    rows = []
    for row in result.open_points.itertuples():
        money = words.money(row.money, cents=False) if np.isfinite(row.money) else ""
        way = "errors"
        if np.isfinite(row.percent) or row.of == "each percent":
            way = "share" if np.isfinite(row.percent) else "unbounded"
        worth = words(f"lists.worth.{way}", percent=row.percent, of=row.of, money=money)
        point = words(f"lists.open.{row.point.replace(' ', '_')}")
        rows.append({"open": point, "worth": worth, "key": row.key})
    return words.frame("lists.points", rows)


def charge_lines(result: Any) -> pd.DataFrame:
    """Charge lines whose billed amount is not what the schedule gives."""
    if result.pricing is None:
        return pd.DataFrame()
    columns = ["invoice", "line", "invoiced", "on_stated_volume", "by_the_rules"]
    lines = result.pricing.lines[columns].copy()
    for name in columns[2:]:
        lines[name] = [float("nan") if value is None else float(value) for value in lines[name]]
    gaps_of = [(lines["invoiced"] - lines[name]).abs() > 0.005 for name in columns[3:]]
    wrong = lines[gaps_of[0] | gaps_of[1]]
    words = Words.of(result)
    shown, printed = words.frame("lists.lines", wrong), words("lists.lines.invoiced")
    pairs = zip(wrong["invoice"].astype(str), wrong["line"], strict=True)
    fields = {
        (row, printed): (number, line_field(line)) for row, (number, line) in enumerate(pairs)
    }
    return with_links(result, shown, fields)


def signatures(result: Any) -> pd.DataFrame:
    """Invoices that differ from the rules, with the pattern their figures fit."""
    found = result.signatures
    if found.empty:
        return pd.DataFrame()
    names = [", ".join(map(str, each)) for each in found["invoices"]]
    pairs = zip(found["sentence"], names, strict=True)
    columns = {
        "invoices": names,
        "fits": [text.removeprefix(f"{name}: ") for text, name in pairs],
        "exactness": found["exactness"],
        "difference": found["difference"].astype(float),
        "settle": found["evidence_needed"],
    }
    return Words.of(result).frame("lists.signatures", columns)


def gaps(result: Any) -> pd.DataFrame:
    """Gaps that were filled: as estimated from the readings, and as part of the volume reported.

    Units: result [m3].
    """
    effluent, steps = result.evidence.effluent, hand_steps(result)
    if effluent is None or steps is None or effluent.gaps.empty:
        return pd.DataFrame()
    table = effluent.gaps
    adds = (steps[FILLED] - steps[NOISE]).reindex(table["invoice"]).to_numpy()
    whole = table.groupby("invoice", sort=False)["volume_m3"].transform("sum").to_numpy()
    table = table.assign(in_volume_m3=table["volume_m3"] / whole * adds)
    place = table.columns.get_loc("volume_m3") + 1
    order = [*table.columns[:place], "in_volume_m3", *table.columns[place:-1]]
    return readable(result, table[order]).rename(
        columns=lambda head: head.replace("in volume [", "with zero and noise [").replace(
            "volume [", "from the readings as recorded ["
        )
    )


def input_files(result: Any) -> pd.DataFrame:
    """Every input with its SHA-256."""
    return Words.of(result).frame("lists.inputs", result.findings()["inputs"])


def made_with(found: Mapping[str, str] | None = None) -> str:
    """Software a report is made with; that of this machine, or what is given."""
    shown = (found or versions()).items()
    return ", ".join(f"{name} {version}" for name, version in shown if name != ZONES)
