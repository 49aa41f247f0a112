"""Intervals between readings: usual step, changes of it, gaps, and clocks set by hand."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.records.clock.zones import zone_of
from sewer_audit.records.model import Findings

__all__ = ["Intervals", "find_intervals", "usual_steps"]

GAP_FACTOR = 1.5
"""An interval longer than this many usual steps is a gap [-]: one reading is missing at 2."""
REGIME = 8
"""Intervals of one length in a row that make it the usual step of a stretch [-]."""
CLOCK_DAYS = 14.0
"""Days after summer time begins within which a step of an hour may be a clock set by hand [d]."""


@dataclass(frozen=True)
class Intervals:
    """Intervals of a record.

    Units: step [s]; gaps [s].
    """

    step: float
    gaps: pd.DataFrame


def find_intervals(
    time: np.ndarray, zone: str, site_zone: str | None, flow: np.ndarray | None, findings: Findings
) -> Intervals:
    """Usual step, its changes, and every longer interval.

    Units: time [UTC]; flow [m3/s]; returns [s].
    """
    seconds = np.diff(time) / np.timedelta64(1, "s")
    if not len(seconds):
        empty = pd.DataFrame({"start": pd.DatetimeIndex([], tz="UTC"), "end": [], "seconds": []})
        return Intervals(float("nan"), empty.assign(kind=pd.Series(dtype="str")))
    step = float(np.median(seconds))
    usual, changes, steps = usual_steps(seconds)
    _report_changes(time, changes, steps, findings)
    places = np.flatnonzero(seconds > GAP_FACTOR * usual)
    starts = pd.DatetimeIndex(time[places]).tz_localize("UTC").as_unit("us")
    ends = pd.DatetimeIndex(time[places + 1]).tz_localize("UTC").as_unit("us")
    kinds = ["gap"] * len(places)
    for number, place in enumerate(places):
        excess = seconds[place] - usual[place]
        if -0.5 * usual[place] <= excess - 3600 <= 3 * usual[place]:
            change = _change_before(starts[number], zone, site_zone)
            if change is not None:
                kinds[number] = "clock change or gap"
                _doubtful(time, seconds, usual, place, change, flow, zone, findings)
    gaps = pd.DataFrame(
        {
            "start": starts,
            "end": ends,
            "seconds": seconds[places],
            "kind": pd.Series(kinds, dtype="str"),
        }
    )
    if len(gaps):
        longest = gaps.loc[gaps["seconds"].idxmax()]
        findings.flag(
            "gaps",
            f"{len(gaps)} interval{' is' if len(gaps) == 1 else 's are'} longer than "
            f"{GAP_FACTOR:g} usual steps, together "
            f"{gaps['seconds'].sum() / 3600:.1f} h; the longest, {longest['seconds'] / 3600:.1f} "
            f"h, begins {spoken.moment(longest['start'])}",
            gaps=len(gaps),
            hours=round(float(gaps["seconds"].sum() / 3600), 3),
            longest_hours=round(float(longest["seconds"] / 3600), 3),
        )
    return Intervals(step, gaps)


def usual_steps(seconds: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Usual step at each interval: that of the stretch of even intervals it lies in.

    Parameters
    ----------
    seconds : array (intervals,)
        From each reading to the next [s].

    Returns
    -------
    tuple of array
        Usual step at each interval [s]; first interval of each long stretch of even ones [-];
        the step of that stretch [s].
    """
    step = float(np.median(seconds)) if len(seconds) else float("nan")
    alone = np.full(len(seconds), step), np.zeros(0, dtype=int), np.zeros(0)
    kind = np.rint(np.log(np.maximum(seconds, 1e-6) / step) / np.log(1.5)).astype(int)
    if (kind == 0).all():
        return alone
    starts = np.concatenate([[0], np.flatnonzero(np.diff(kind)) + 1])
    lengths = np.diff(np.concatenate([starts, [len(kind)]]))
    long = lengths >= REGIME
    if not long.any():
        return alone
    low, high = (way.reduceat(seconds, starts) for way in (np.minimum, np.maximum))
    steps = np.where(long, low, np.nan)
    for place in np.flatnonzero(long & (low < high)):
        steps[place] = np.median(seconds[starts[place] : starts[place] + lengths[place]])
    own = pd.Series(steps)
    # a short stretch takes the shorter of the steps around it, so that no gap is explained away
    around = np.fmin(own.ffill(), own.bfill())
    return np.repeat(np.where(long, steps, around), lengths), starts[long], steps[long]


def _report_changes(time, starts, steps, findings: Findings) -> None:
    changes = [
        (starts[i + 1], steps[i], steps[i + 1])
        for i in range(len(steps) - 1)
        if not 0.75 < steps[i + 1] / steps[i] < 1.33
    ]
    for start, before, after in changes[:5]:
        findings.flag(
            "sampling interval changes",
            f"the interval between readings changes from {before:g} s to {after:g} s at "
            f"{spoken.moment(time[start])}",
            time=str(pd.Timestamp(time[start])),
            before_s=before,
            after_s=after,
            changes=len(changes),
        )


def _change_before(moment: pd.Timestamp, zone: str, site_zone: str | None) -> dt.datetime | None:
    """Instant within the days before `moment` at which summer time begins, if there is one."""
    names = [site_zone] if site_zone else [zone, "America/New_York", "Europe/Brussels"]
    for name in names:
        place = zone_of(str(name))
        if not isinstance(place, ZoneInfo):
            continue
        end = moment.to_pydatetime()
        hours = int(CLOCK_DAYS * 24)
        for back in range(hours):
            later = end - dt.timedelta(hours=back)
            earlier = later - dt.timedelta(hours=1)
            shift = later.astimezone(place).utcoffset() - earlier.astimezone(place).utcoffset()
            if shift == dt.timedelta(hours=1):
                return later
    return None


def _doubtful(time, seconds, usual, place, change, flow, zone, findings: Findings) -> None:
    start, end = pd.Timestamp(time[place]), pd.Timestamp(time[place + 1])
    as_gap = seconds[place] - usual[place]
    as_clock = as_gap - 3600
    data = {
        "start": f"{start} UTC",
        "end": f"{end} UTC",
        "step_s": float(seconds[place]),
        "missing_if_gap_s": float(as_gap),
        "missing_if_clock_s": float(as_clock),
    }
    message = (
        f"the step of {seconds[place] / 60:.0f} min at {spoken.moment(start)} is a gap of "
        f"{as_gap / 60:.0f} min, or the clock was put forward by hand after summer time began "
        f"{change:%Y-%m-%d} and {max(as_clock, 0) / 60:.0f} min are missing; stamps between the "
        "two would then be an hour slow"
    )
    if flow is not None and np.isfinite(flow[place : place + 2]).all():
        mean = float(flow[place : place + 2].mean())
        data["volume_if_gap_m3"] = mean * float(seconds[place])
        data["volume_if_clock_m3"] = mean * float(seconds[place] - 3600)
        message += (
            f"; over the step {spoken.volume(data['volume_if_gap_m3'])} or "
            f"{spoken.volume(data['volume_if_clock_m3'])}"
        )
    findings.flag("clock change or gap", message, **data)
