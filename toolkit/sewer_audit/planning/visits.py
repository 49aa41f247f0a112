"""How often to check the zero so that drift stays a small part of the uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from sewer_audit.planning.expected import ExpectedFlow
from sewer_audit.planning.precision import Precision, Schedule, expected_precision
from sewer_audit.planning.site import PipeSite
from sewer_audit.uncertainty import Cause

DAY = 86_400.0
CHOICES = (7, 14, 30, 45, 60, 90, 120, 180)
"""Days between visits that are tried [-]."""


def visit_table(
    device: Any,
    flow: ExpectedFlow,
    site: PipeSite,
    schedule: Schedule,
    months: int = 12,
    stated: Sequence[Cause] = (),
    days: Sequence[int] = CHOICES,
) -> pd.DataFrame:
    """What drift takes of the uncertainty, by the time between visits.

    Notes
    -----
    The share of drift is what the variance loses when the same record is computed without drift.
    At every visit the instrument is set to the hand reading.

    References
    ----------
    JCGM 100:2008, 5.1.2 (a cause's part of the combined variance).
    """
    if device.level_column is None:
        return pd.DataFrame()
    still = [each for each in stated if each.name != "zero drift"]
    still.append(Cause("zero drift", 0.0, unit="m", persistence="between visits"))
    coarse = replace(schedule, interval=max(schedule.interval, 900.0), rezero=True)
    rows = []
    for each in days:
        plan = replace(coarse, visit_every=each * DAY)
        drifting = expected_precision(device, flow, site, plan, months, stated)
        steady = expected_precision(device, flow, site, plan, months, still)
        rows.append(
            {
                "days": each,
                "visits": len(plan.visits(months)),
                "month": drifting.month,
                "total": drifting.total(),
                "drift_share_month": _lost(drifting, steady, monthly=True),
                "drift_share_total": _lost(drifting, steady, monthly=False),
            }
        )
    return pd.DataFrame(rows)


def _lost(drifting: Precision, steady: Precision, monthly: bool) -> float:
    full, rest = ((each.month if monthly else each.total()) ** 2 for each in (drifting, steady))
    return max(1.0 - rest / full, 0.0)


def longest_between_visits(table: pd.DataFrame, share: float) -> int | None:
    """Longest time [d] between visits that keeps drift below a share of a month's variance."""
    if table.empty:
        return None
    good = table.loc[table["drift_share_month"] <= share, "days"]
    return int(good.max()) if len(good) else None
