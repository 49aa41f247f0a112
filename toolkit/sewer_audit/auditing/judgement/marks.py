"""Marks inside a record that causes leave or do not: each a figure with its own uncertainty."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.judgement.patterns import OFFSETS, Patterns
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.auditing.volumes.doubts import counted_volumes
from sewer_audit.auditing.volumes.weather import rain_amounts
from sewer_audit.effluent import Periods

HOUR, WEEK = 3600.0, 168
BLOCKS = 12
"""Stretches of the record whose scatter tells the uncertainty of a mark [-]."""
LEAST_RAIN = 30
"""Hours of rain from which its prompt share is told [-]."""
LOW_DEPTHS, HIGH_DEPTHS = 0.3, 0.55
"""Share of the time at depths that count as low, and above which the rating is fitted [-]."""
FEW = 20
"""Readings at low and at high depth an interval must hold [-]."""
TOTALISED = 0.02
"""Relative standard uncertainty of an instrument's own totaliser beside its record (judgement)."""
DROWNED, TAILED = 0.7, 0.05
"""Tailwater over head from which a device may be drowned, and the standard uncertainty of the
share of the volume that passed so (judgement) [-]."""
OFTEN = 2.5
"""Longest usual time between reads of a register that show its quiet hours [h]."""
STILL = 24
"""Hours of the week that count as quiet [-]."""


def marks_of(patterns: Patterns, inputs: Inputs) -> dict[str, Any]:
    """Figures of the whole record, each with its standard uncertainty, as observations hold them.

    Units: inputs [SI].
    """
    found = {
        "prompt rain": _prompt_rain(patterns, inputs),
        "totaliser": _totaliser(patterns, inputs),
        "tailwater": _tailwater(patterns),
    }
    return {"marks": {name: each for name, each in found.items() if each is not None}}


def courses_of(patterns: Patterns, periods: Periods) -> dict[str, Any]:
    """The marks that are told interval by interval.

    Units: periods [UTC].
    """
    return _low_velocity(patterns, periods) | _lags(patterns, periods)


def _hourly(patterns: Patterns) -> tuple[np.ndarray, np.ndarray]:
    """Whole hours since the epoch of the record and the mean flow in each [h, m3/s]."""
    hour = np.floor(patterns.series.time / HOUR).astype(int)
    count = np.bincount(hour - hour[0])
    flow = np.bincount(hour - hour[0], patterns.series.discharge)
    there = count > 0
    return np.flatnonzero(there) + hour[0], flow[there] / count[there]


def _of_week(patterns: Patterns, hours: np.ndarray) -> np.ndarray:
    """Hour of the week at the site [h]."""
    stamps = patterns.series.epoch + pd.to_timedelta(hours, unit="h")
    local = stamps.tz_convert(patterns.evidence.periods.zone)
    return np.asarray(24 * local.day_of_week + local.hour)


def _blockwise(top: np.ndarray, bottom: np.ndarray) -> tuple[float, float] | None:
    """Ratio of two sums and its standard uncertainty from stretches of the record."""
    place = np.arange(len(top)) * BLOCKS // max(len(top), 1)
    tops, bottoms = (np.bincount(place, each, BLOCKS) for each in (top, bottom))
    if not bottoms.sum() > 0:
        return None
    ratio = tops.sum() / bottoms.sum()
    rest = tops - ratio * bottoms
    spread = np.sqrt((rest**2).sum() * BLOCKS / (BLOCKS - 1)) / bottoms.sum()
    return float(ratio), float(spread)


def _prompt_rain(patterns: Patterns, inputs: Inputs) -> tuple[float, float] | None:
    """Share of the volume that follows the rain within hours."""
    rain = rain_amounts(patterns.case, inputs)
    if rain is None or patterns.case.data.effluent.form == "hand readings":
        return None
    hours, flow = _hourly(patterns)
    at = np.floor((rain.index - patterns.series.epoch) / pd.Timedelta(hours=1)).astype(int)
    steps = np.diff(np.unique(at))
    if not len(steps) or np.median(steps) > 1:
        return None  # rain by the day tells nothing about hours
    fallen = pd.Series(rain.to_numpy()).groupby(np.asarray(at)).sum()
    prompt = fallen + fallen.shift(1).fillna(0.0)
    wet = prompt.reindex(hours, fill_value=0.0).to_numpy()
    if (wet > 0).sum() < LEAST_RAIN:
        return None
    usual = pd.Series(flow).groupby(_of_week(patterns, hours)).transform("median").to_numpy()
    level = pd.Series(flow / np.maximum(usual, 1e-9)).rolling(49, center=True, min_periods=9)
    rest = flow - usual * level.median().to_numpy()
    centred = wet - wet.mean()
    found = _blockwise(centred * (rest - rest.mean()), centred**2)
    if found is None:
        return None
    share = wet.sum() / max(flow.sum(), 1e-12)
    return found[0] * share, max(found[1] * share, 1e-3)


def _totaliser(patterns: Patterns, inputs: Inputs) -> tuple[float, float] | None:
    """Log of the record over the instrument's own count."""
    frame = inputs.logger.frame  # type: ignore[union-attr]
    periods, series = patterns.evidence.periods, patterns.series
    if "totaliser" not in frame or series.flat is False:
        return None
    counted = counted_volumes(patterns.case, frame, series, periods.seconds(series.epoch))
    volume, covered = patterns.volumes(periods)
    both = np.isfinite(counted) & (counted > 0) & (covered > 0.9)
    if not both.any():
        return None
    return float(np.log(volume[both].sum() / counted[both].sum())), TOTALISED


def _tailwater(patterns: Patterns) -> tuple[float, float] | None:
    """Share of the volume that passed while the recorded tailwater may have drowned the device."""
    series = patterns.series
    if series.tail is None or np.ndim(series.level) == 0:
        return None
    known = np.isfinite(series.tail) & (series.level > 0)
    if known.sum() < 100:
        return None
    drowned = known & (series.tail > DROWNED * series.level)
    flow = series.discharge * patterns.lasted
    return float(flow[drowned].sum() / max(flow[known].sum(), 1e-12)), TAILED


def _low_velocity(patterns: Patterns, periods: Periods) -> dict[str, Any]:
    """Log of the velocity at low depth over what Manning's law makes of that at higher depth.

    Notes
    -----
    v ~ R^(2/3) at one slope and roughness. Beside it, what each of `OFFSETS`, shown too much, would
    make of it.

    References
    ----------
    Manning's equation: any text on open channels.
    """
    series, device = patterns.series, patterns.case.device
    if patterns.method != "area velocity" or getattr(device, "diameter", None) is None:
        return {}
    velocity = np.broadcast_to(series.carrier, series.level.shape)
    moving = (velocity > 0) & (series.level > 0)
    if moving.sum() < 500:
        return {}
    depth = series.level[moving]
    low, high = depth < np.quantile(depth, LOW_DEPTHS), depth > np.quantile(depth, HIGH_DEPTHS)

    def expected(at: Any) -> np.ndarray:
        filling = np.clip(np.asarray(at) / float(device.diameter), 1e-3, 0.98)
        angle = 2 * np.arccos(1 - 2 * filling)
        return 2 / 3 * np.log((angle - np.sin(angle)) / angle)

    rest = np.log(velocity[moving]) - expected(depth)
    time, course = series.time[moving], np.full(len(periods.names), np.nan)
    for place, (first, last) in enumerate(periods.seconds(series.epoch)):
        inside = (time >= first) & (time < last)
        if min((inside & low).sum(), (inside & high).sum()) >= FEW:
            course[place] = np.median(rest[inside & low]) - np.median(rest[inside & high])
    if np.isfinite(course).sum() < 4:
        return {}
    bottom, top = float(np.median(depth[low])), float(np.median(depth[high]))
    shift = np.minimum(OFFSETS, 0.8 * bottom)
    made = [expected(each - shift) - expected(each) for each in (bottom, top)]
    name = "velocity at low depth"
    return {"courses": {name: course}, "zero_marks": {name: made[0] - made[1]}}


def _lags(patterns: Patterns, periods: Periods) -> dict[str, Any]:
    """By how many hours the course of the week in each interval lags behind the usual one [h]."""
    hours, flow = _hourly(patterns)
    week = _of_week(patterns, hours)
    edges = periods.seconds(patterns.series.epoch) / HOUR
    inside = [(hours >= a) & (hours < b) for a, b in edges]
    if not flow.mean() > 0:
        return {}
    log = np.log(np.maximum(flow, 0.02 * flow.mean()))

    def course(chosen: np.ndarray) -> np.ndarray | None:
        count = np.bincount(week[chosen], minlength=WEEK)
        if (count == 0).sum() > 12:
            return None
        mean = np.bincount(week[chosen], log[chosen], WEEK) / np.maximum(count, 1)
        mean = np.where(count > 0, mean, np.median(mean[count > 0]))
        return mean - mean.mean()

    usual = course(np.ones(len(hours), dtype=bool))
    lags = np.full(len(inside), np.nan)
    if usual is None:
        return {}
    for place, chosen in enumerate(inside):
        own = course(chosen)
        if own is None:
            continue
        alike = np.fft.irfft(np.fft.rfft(own) * np.conj(np.fft.rfft(usual)), WEEK)
        best = int(np.argmax(alike))
        lags[place] = best if best <= WEEK / 2 else best - WEEK
    return {"lag_h": lags} if np.isfinite(lags).sum() >= 8 else {}


def quiet_intake(patterns: Patterns, inputs: Inputs, periods: Periods) -> dict[str, Any]:
    """Flow of the record and of the supply in the same quiet hours of the week.

    Units: returns [m3/d].

    Notes
    -----
    Only where the register is read every hour or two.
    """
    case = patterns.case
    meters = [inputs.meters[e.meter] for e in case.data.intake if e.role == "supply"]
    hours, flow = _hourly(patterns)
    drawn = np.zeros(len(hours))
    for meter in meters:
        stamps = (meter.frame["time"] - patterns.series.epoch) / pd.Timedelta(hours=1)
        time, count = np.asarray(stamps, dtype=float), meter.frame["volume_m3"].to_numpy(float)
        known = np.isfinite(count)
        if known.sum() < 100 or np.median(np.diff(time[known])) > OFTEN:
            return {}
        sums = [np.interp(hours + k, time[known], count[known]) for k in (0, 1)]
        drawn = drawn + 24 * (sums[1] - sums[0])
    if not meters or case.data.intake == []:
        return {}
    week, record = _of_week(patterns, hours), 86400 * flow
    usual = pd.Series(drawn + record).groupby(week).median().reindex(range(WEEK)).fillna(np.inf)
    quiet = np.isin(week, np.argsort(usual.to_numpy())[:STILL])
    edges = periods.seconds(patterns.series.epoch) / HOUR
    chosen = [quiet & (hours >= a) & (hours < b) for a, b in edges]
    if min(each.sum() for each in chosen) < 6:
        return {}
    return {
        "night_m3": np.array([record[each].mean() for each in chosen]),
        "night_intake_m3": np.array([drawn[each].mean() for each in chosen]),
    }
