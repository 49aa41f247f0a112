"""Rain of a case, and what it adds to the monitored line."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.balance import WetWeather, as_seconds, wet_weather
from sewer_audit.effluent import DischargeSeries, Periods

DAY = pd.Timedelta(days=1)
HOURS_NEEDED = 20
"""Hours with readings below which a day's effluent is not taken as known [h] (judgement)."""


def record_rain(inputs: Inputs) -> pd.Series | None:
    """Rain of the logger record.

    Units: inputs [SI]; returns [m].
    """
    if inputs.logger is None or "rain" not in inputs.logger.frame:
        return None
    frame = inputs.logger.frame
    rain = pd.Series(frame["rain"].to_numpy(dtype=float), index=pd.DatetimeIndex(frame["time"]))
    rain = rain.dropna()
    return rain if len(rain) else None


def rain_amounts(case: Any, inputs: Inputs) -> pd.Series | None:
    """Rain of the record, or of a log of dated rain.

    Units: inputs [SI]; returns [m].
    """
    rain = record_rain(inputs)
    if rain is not None:
        return rain
    logs = [inputs.logs[i.name] for i in case.data.inflow if i.name in inputs.logs]
    if not logs:
        return None
    frame = logs[0].frame
    return pd.Series(frame["amount"].to_numpy(), index=pd.DatetimeIndex(frame["time"]))


def wet_excess(
    series: DischargeSeries, registers: Sequence[pd.DataFrame], rain: pd.Series, periods: Periods
) -> tuple[WetWeather, np.ndarray]:
    """Inflow from rain by comparing wet days with dry days.

    Units: series [SI]; rain [m]; periods [UTC]; returns [m3].

    registers: time (UTC) and volume_m3 of every supply meter.

    Notes
    -----
    A day counts where at least 20 of its hours hold readings. Registers are drawn straight between
    reads, which leaves the intake of a single day uncertain but does not follow the rain.
    """
    first = max(series.epoch, rain.index[0]).tz_convert(periods.zone).normalize()
    last = rain.index[-1].tz_convert(periods.zone).normalize() + DAY
    edges = pd.date_range(first, last, freq="D")
    days = edges[:-1]
    effluent = _daily_effluent(series, edges)
    at = as_seconds(edges)
    intake = np.zeros(len(days))
    for frame in registers:
        known = frame["volume_m3"].notna().to_numpy()
        reads = as_seconds(frame["time"])[known]
        volume = frame["volume_m3"].to_numpy(dtype=float)[known]
        inside = np.where(
            (at >= reads[0]) & (at <= reads[-1]), np.interp(at, reads, volume), np.nan
        )
        intake += np.diff(inside)
    fallen = rain.groupby(rain.index.tz_convert(periods.zone).normalize()).sum()
    depth = fallen.reindex(days, fill_value=0.0).to_numpy()
    found = wet_weather(effluent, intake, depth)
    return found, _in_periods(found.excess_m3, edges, periods)


def _daily_effluent(series: DischargeSeries, edges: pd.DatetimeIndex) -> np.ndarray:
    """Mean discharge of the hours of each day times its length; NaN with few hours [m3]."""
    bounds = np.asarray((edges - series.epoch) / pd.Timedelta(seconds=1), dtype=float)
    found = np.full(len(bounds) - 1, np.nan)
    place = np.searchsorted(series.time, bounds)
    for day, (low, high) in enumerate(pairwise(place)):
        if high <= low:
            continue
        hour = ((series.time[low:high] - bounds[day]) // 3600).astype(int)
        number = np.bincount(hour)
        mean = np.bincount(hour, weights=series.discharge[low:high])[number > 0]
        mean = mean / number[number > 0]
        if len(mean) >= HOURS_NEEDED:
            found[day] = mean.mean() * (bounds[day + 1] - bounds[day])
    return found


def _in_periods(daily: np.ndarray, edges: pd.DatetimeIndex, periods: Periods) -> np.ndarray:
    """Daily volumes summed over periods, days cut at their ends in proportion."""
    total = np.concatenate([[0.0], np.cumsum(daily)])
    at = as_seconds(edges)
    ends = [np.interp(as_seconds(each), at, total) for each in (periods.start, periods.end)]
    return ends[1] - ends[0]
