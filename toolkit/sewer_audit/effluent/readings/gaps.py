"""Gaps filled from the site's own weekly pattern, and how wrong such filling is.

The filling is scaled by the readings around the gap. Its uncertainty comes from hold-out gaps: the
same procedure is applied to stretches of the same record where the answer is known.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from sewer_audit.effluent.integrate import cells
from sewer_audit.effluent.readings.gap_intake import followed

HOUR = 3600.0
DAY = 24 * HOUR
SEEN = 0.25
"""Share of a kind of hour that must be covered for it to count as seen (judgement) [-]."""
NEIGHBOURHOOD = 24 * HOUR
"""Readings so far to either side of a gap, or as far as it is long, scale the pattern [s]."""
HOLD_OUTS = 40
"""Number of gaps cut from good stretches for the error of filling [-]."""


@dataclass(frozen=True)
class HourlyRecord:
    """Measured volume and coverage per hour, with the weekly pattern.

    Units: start [s]; volume [m3]; covered [s].
    """

    start: float
    volume: np.ndarray
    covered: np.ndarray
    pattern: np.ndarray
    intake: np.ndarray | None = None
    hour_of_week: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=int))
    errors: dict[int, float] = field(default_factory=dict, init=False, repr=False, compare=False)
    """Root mean square errors of hold-out gaps found so far, by their hours [m3]."""


@dataclass(frozen=True)
class GapFill:
    """One filled gap.

    Units: start, end [s]; volume [m3]; standard_uncertainty [m3]; unseen [m3].

    unseen: Half of what may have passed in kinds of hour that the period never shows; part of the
        volume, and as much to either side of it.
    """

    start: float
    end: float
    volume: float
    standard_uncertainty: float
    followed_intake: bool = False
    unseen: float = 0.0


def hourly_record(
    time: np.ndarray,
    discharge: np.ndarray,
    longest_bridge: float,
    bin_of_hour: np.ndarray,
    width: np.ndarray | None = None,
) -> HourlyRecord:
    """Condense the accepted readings to hours and learn the weekly pattern.

    Units: time [s]; discharge [m3/s]; longest_bridge [s]; width [s].

    time: Strictly increasing instants, counted so that whole hours are multiples of 3600.
    bin_of_hour: Hour of the week, 0 to 167, of each hour from the first reading's on.
    width: How long an interval each reading is the mean of; instants if left out.
    """
    start = np.floor(time[0] / HOUR) * HOUR
    hours = len(bin_of_hour)
    edges = start + HOUR * np.arange(hours + 1)
    if width is None:
        knots, step = time, np.diff(time)
        step[step > longest_bridge] = 0.0
        amount = step * (discharge[:-1] + discharge[1:]) / 2
    else:
        left, right = cells(time, width, longest_bridge)
        knots = np.column_stack([left, right]).ravel()
        step, amount = np.zeros(len(knots) - 1), np.zeros(len(knots) - 1)
        step[::2] = right - left
        amount[::2] = step[::2] * discharge
    sums = (np.concatenate([[0.0], np.cumsum(each)]) for each in (amount, step))
    volume, covered = (np.diff(np.interp(edges, knots, total)) for total in sums)
    pattern = _pattern(volume, covered, bin_of_hour)
    return HourlyRecord(start, volume, covered, pattern, None, bin_of_hour)


def _pattern(volume: np.ndarray, covered: np.ndarray, bin_of_hour: np.ndarray) -> np.ndarray:
    """Usual discharge per hour of the week; the hour of the day where a week is not known."""
    total = volume.sum() / covered.sum()
    usual = np.full(168, total)
    by_day = np.arange(168) % 24
    for bins, of_hour in ((by_day, bin_of_hour % 24), (np.arange(168), bin_of_hour)):
        seconds = np.bincount(of_hour, covered, 168)
        amount = np.bincount(of_hour, volume, 168)
        known = seconds[bins] >= 2 * HOUR
        usual = np.where(known, amount[bins] / np.maximum(seconds[bins], 1.0), usual)
    return usual[bin_of_hour]


def _share_of_hours(record: HourlyRecord, start: float, end: float) -> tuple[slice, np.ndarray]:
    """Hours touched by a span, and the seconds of it that fall in each."""
    last = len(record.pattern)
    low = int(np.clip((start - record.start) // HOUR, 0, last))
    high = int(np.clip(-((record.start - end) // HOUR), low, last))
    edges = record.start + HOUR * np.arange(low, high + 1)
    seconds = np.minimum(edges[1:], end) - np.maximum(edges[:-1], start)
    return slice(low, high), np.maximum(seconds, 0.0)


def fill_gap(
    record: HourlyRecord, start: float, end: float, whole: tuple[float, float] | None = None
) -> float:
    """Volume of a gap, or of a part of it, from the weekly pattern scaled by its neighbourhood.

    Units: start, end [s]; whole [s]; returns [m3].

    Notes
    -----
    V = s f sum_k p_k dt_k, where p is the weekly pattern and the scale s is measured volume over
    pattern volume in the day (or the gap's own length, if longer) on either side; f is 1, or the
    intake during the gap over its own usual week, relative to the same around the gap.

    References
    ----------
    Common practice, no source.
    """
    first, last = whole or (start, end)
    reach = max(NEIGHBOURHOOD, last - first)
    measured, expected, beside = 0.0, 0.0, []
    for left, right in ((first - reach, first), (last, last + reach)):
        hours, seconds = _share_of_hours(record, left, right)
        whole = (seconds >= HOUR - 1) & (record.covered[hours] > 0)
        measured += float(record.volume[hours][whole].sum())
        expected += float((record.pattern[hours] * record.covered[hours])[whole].sum())
        beside.append((hours, whole))
    scale = measured / expected if expected > 0 else 1.0
    hours, seconds = _share_of_hours(record, start, end)
    beyond = (end - start) - float(seconds.sum())  # part before or after the record
    usual = float(record.pattern.mean())
    gap_hours, gap_seconds = _share_of_hours(record, first, last)
    scale *= followed(record.intake, record.pattern, gap_seconds, gap_hours, beside)
    return scale * (float((record.pattern[hours] * seconds).sum()) + beyond * usual)


def highest_hour(record: HourlyRecord) -> float:
    """Highest discharge of any hour that is at least half covered.

    Units: returns [m3/s].
    """
    seen = record.covered >= HOUR / 2
    return float((record.volume[seen] / record.covered[seen]).max()) if seen.any() else 0.0


def unseen_seconds(
    record: HourlyRecord, start: float, end: float, period: tuple[float, float]
) -> float:
    """Seconds of a gap in kinds of hour that a period hardly shows.

    Units: start, end [s]; period [s]; returns [s].

    Notes
    -----
    Of the 48 kinds of hour (hour of the day; working day or weekend) one counts as seen where at
    least a quarter of it is covered in the period, with the three days on either side of it
    (judgement). A loss that comes at the same hours is seldom an accident, so the other days say
    nothing about it.
    """
    hours, seconds = _share_of_hours(record, period[0] - 3 * DAY, period[1] + 3 * DAY)
    kind = record.hour_of_week % 24 + 24 * (record.hour_of_week >= 120)
    covered = np.bincount(kind[hours], record.covered[hours], 48)
    all_of_it = np.bincount(kind[hours], np.minimum(seconds, HOUR), 48)
    unseen = covered < SEEN * np.maximum(all_of_it, 1.0)
    gap_hours, gap_seconds = _share_of_hours(record, start, end)
    beyond = (end - start) - float(gap_seconds.sum())
    return float(gap_seconds[unseen[kind[gap_hours]]].sum()) + beyond * float(unseen.any())


def hold_out_error(record: HourlyRecord, length: float) -> float:
    """Root mean square error of filling gaps of a given length.

    Units: length [s]; returns [m3].
    """
    hours = max(int(np.ceil(length / HOUR)), 1)
    if hours not in record.errors:
        record.errors[hours] = _hold_out(record, hours)
    return record.errors[hours] * length / (HOUR * hours)


def _hold_out(record: HourlyRecord, hours: int) -> float:
    """Error of filling gaps of whole hours [m3]."""
    whole = np.concatenate([[0], np.cumsum(record.covered >= HOUR - 1)])
    first = np.arange(len(record.covered) - hours + 1)
    good = first[whole[first + hours] - whole[first] == hours] if len(first) else first
    if len(good) == 0:
        return 0.5 * HOUR * hours * float(record.pattern.mean())
    chosen = good[np.unique(np.linspace(0, len(good) - 1, HOLD_OUTS).astype(int))]
    errors = []
    for hour in chosen:
        start = record.start + HOUR * hour
        actual = float(record.volume[hour : hour + hours].sum())
        errors.append(fill_gap(record, start, start + HOUR * hours) - actual)
    return float(np.sqrt(np.mean(np.square(errors))))
