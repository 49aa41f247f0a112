"""Checks of a resolved register: standing still, running too fast, estimates and true-ups."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.records.model import Findings

STUCK_STEPS = 3
"""Intervals without a count, in a row, that are reported where the meter usually counts [-]."""
FAST = 5.0
"""Rate, as a multiple of the median of the others, that is reported [-]."""


def check_register(frame: pd.DataFrame, findings: Findings) -> None:
    """Check a register whose volume is resolved.

    Units: frame [m3].

    frame: time, register, volume_m3, status.
    """
    good = frame[frame["status"] != "rejected"]
    if len(good) < 2:
        findings.flag(
            "too few reads",
            f"{len(good)} usable reads: a volume needs two",
            reads=len(good),
        )
        return
    days = (good["time"].diff() / pd.Timedelta(days=1)).to_numpy()[1:]
    steps = np.diff(good["volume_m3"].to_numpy())
    with np.errstate(divide="ignore", invalid="ignore"):
        rates = np.where(days > 0, steps / days, np.nan)
    _stuck(good, rates, findings)
    _fast(good, rates, findings)
    _true_ups(good, findings)


def _stuck(good: pd.DataFrame, rates: np.ndarray, findings: Findings) -> None:
    still = rates == 0
    if not still.any() or np.nanmedian(rates) <= 0:
        return
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(int), [0]])))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        first, last = good["time"].iloc[start], good["time"].iloc[end]
        days = (last - first) / pd.Timedelta(days=1)
        usual_steps = _median_days(good)
        if end - start >= STUCK_STEPS or days >= STUCK_STEPS * max(usual_steps, 7.0):
            findings.flag(
                "register stands still",
                f"the register does not move from {spoken.day(first)} to {spoken.day(last)}, "
                f"{days:.1f} days, where it usually counts {spoken.volume(np.nanmedian(rates))} a "
                "day: it has stopped, or no water was drawn",
                start=str(first),
                end=str(last),
                days=round(float(days), 3),
            )


def _median_days(good: pd.DataFrame) -> float:
    return float((good["time"].diff() / pd.Timedelta(days=1)).median())


def _fast(good: pd.DataFrame, rates: np.ndarray, findings: Findings) -> None:
    usual = np.nanmedian(rates[rates > 0]) if (rates > 0).any() else 0.0
    if len(rates) < 5 or not usual:
        return
    places = np.flatnonzero(rates > FAST * usual)
    if len(places) and len(places) <= 0.05 * len(rates) + 1:
        for place in places[:10]:
            findings.flag(
                "read far above usual",
                f"the read of {spoken.moment(good['time'].iloc[place + 1])} stands for "
                f"{spoken.volume(rates[place])} a day, {rates[place] / usual:.1f} times the usual",
                time=str(good["time"].iloc[place + 1]),
                m3_per_day=float(rates[place]),
                usual_m3_per_day=float(usual),
            )


def _true_ups(good: pd.DataFrame, findings: Findings) -> None:
    estimated = (good["status"] == "estimated").to_numpy()
    if not estimated.any():
        return
    followed = int((estimated[:-1] & ~estimated[1:]).sum())
    findings.flag(
        "estimated reads",
        f"{int(estimated.sum())} of {len(good)} reads are estimates; an actual read follows "
        f"{followed} of them: only volumes between actual reads are measured",
        estimated=int(estimated.sum()),
        reads=len(good),
        true_ups=followed,
    )
