"""What a case leaves open, and what each answer is worth in the width of the figures."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.invoices.facts import printed_face
from sewer_audit.charges import price

STEP = Decimal("0.1")
"""Share of a volume by which it is moved to see what its charge follows [-]."""
HALF_A_DAY = 0.5
"""Farthest that a read whose hour nobody told lies from the hour assumed [d]."""


def open_points(result: Any) -> pd.DataFrame:
    """Every question the case leaves open, with what its answer is worth.

    Units: result [SI]; returns [-, %, currency].

    Notes
    -----
    The charge follows the volume as the schedule prices it: every invoice is priced once more at
    1.1 times its volume.
    """
    case, evidence, rows = result.case, result.evidence, []
    one_percent = _one_percent(result)
    whole = one_percent.sum() if len(one_percent) else np.nan

    def add(point: str, key: str, percent: float, money: float, of: str) -> None:
        rows.append((point, key, percent, money, of))

    if result.pricing is None:
        add("schedule", "rates.file", np.nan, np.nan, "all invoices")
    half = _half_width(result)
    for point, key, known in (
        ("supply reads", "intake", evidence.balance),
        ("effluent record", "effluent", evidence.effluent),
    ):
        if known is None:
            bounded = np.isfinite(half)
            money = whole * half if bounded else whole
            add(point, key, half, money, "all invoices" if bounded else "each percent")
    frame = result.inputs.invoices.frame
    if frame["current_read"].notna().any() and printed_face(case, result.inputs) is None:
        add("unit of printed reads", "account.reads", np.nan, whole, "each percent")
    if not result.basis.get("answered") and case.data.case.basis == "intake":
        add("share that reaches the sewer", "effluent", np.nan, whole, "each percent")
    if "read_hour" not in case.tree.get("invoices", {}) and _days_only(case, frame):
        days = float(np.median((frame["end"] - frame["start"]) / pd.Timedelta(days=1)))
        usual = float(np.median(one_percent)) if len(one_percent) else np.nan
        percent = 100 * HALF_A_DAY / days
        add("hour of the reads", "invoices.read_hour", percent, usual * percent, "a usual invoice")
    stated = case.data.rule
    claimed = float(result.claim["by_the_rules"].sum()) if len(result.claim) else 0.0
    if stated.look_back is None and stated.dispute_days is None and claimed:
        add("windows of a claim", "rule.look_back", np.nan, abs(claimed), "all invoices")
    return pd.DataFrame(rows, columns=["point", "key", "percent", "money", "of"])


def _one_percent(result: Any) -> np.ndarray:
    """What a percent of the volume of each invoice is charged."""
    if result.pricing is None:
        return np.zeros(0)
    found = []
    for bill, stated in zip(result.pricing.bills, result.pricing.stated, strict=True):
        volume = bill.facts.billed_volume
        if volume is None or not volume > 0:
            continue
        more = price(result.pricing.schedule, bill.facts.but(billed_volume=volume * (1 + STEP)))
        found.append(float((more.total - stated.total) / (100 * STEP)))
    return np.array(found)


def _half_width(result: Any) -> float:
    """Half of the interval of the audited volume of all invoices together [%]."""
    total = result.total
    mean, low, high = (total.get(f"audited_{part}") for part in ("mean", "low", "high"))
    if mean is None or not np.isfinite(mean) or mean <= 0:
        return float("nan")
    return 100 * (high - low) / 2 / mean


def _days_only(case: Any, frame: pd.DataFrame) -> bool:
    """Whether the invoices tell no hour of any read."""
    local = frame[["start", "end"]].apply(lambda each: each.dt.tz_convert(case.zone))
    return bool((local.apply(lambda each: each.dt.hour * 60 + each.dt.minute) == 0).all(axis=None))
