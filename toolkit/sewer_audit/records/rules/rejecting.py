"""What each rejecting rule looks at, reading by reading."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import maximum_filter1d, median_filter, minimum_filter1d

from sewer_audit.records.rules.named import Rule

RECURS = 20
"""Zeros that are told apart from losses by how they come [-]."""
SOUND = 343.0
"""Speed of sound in air at 20 degC [m/s]; only used to put a separation into echo time."""


@dataclass(frozen=True)
class View:
    """The readings a rule looks at: those accepted so far.

    Units: seconds [s]; columns [SI]; step [s].
    """

    seconds: np.ndarray
    level: np.ndarray
    columns: dict[str, np.ndarray]
    step: float
    found: dict = field(default_factory=dict, compare=False, repr=False)

    def dry(self, level: float) -> np.ndarray:
        """Readings of nothing: no level worth the name, or no flow.

        Units: level [m].
        """
        if "flow" in self.columns and not self.level.any():
            return self.columns["flow"] <= 0
        return self.level <= level

    @property
    def raw(self) -> np.ndarray:
        """The column the level comes from, as recorded [SI]."""
        for role in ("head", "depth", "distance", "echo_time", "flow"):
            if role in self.columns:
                return self.columns[role]
        return self.level

    def at_one_hour(self, places: np.ndarray) -> float:
        """Length of the mean vector of the hours of readings: one at a fixed hour, none at any."""
        angle = np.exp(2j * np.pi * (self.seconds[places] % 86400) / 86400)
        return float(abs(angle.mean())) if len(angle) else 0.0

    def none(self) -> np.ndarray:
        """No reading at all."""
        return np.zeros(len(self.seconds), dtype=bool)


@dataclass(frozen=True)
class Held:
    """Readings a rule finds but does not reject, and why; `real` where they are flow after all."""

    found: np.ndarray
    why: str
    real: bool


def runs(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First and one-past-last place of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return edges[::2], edges[1::2]


def out_of_range(view: View, rule: Rule) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        bad = (view.level < rule["lowest level"]) | (view.level > rule["highest level"])
        if "downstream_head" in view.columns:
            tail = view.columns["downstream_head"]
            bad = bad | (tail < rule["lowest level"]) | (tail > rule["highest level"])
        if "velocity" in view.columns:
            bad = bad | (np.abs(view.columns["velocity"]) > rule["fastest velocity"])
    return bad


def backflow(view: View, rule: Rule) -> np.ndarray | Held | str:
    """A few are rejected; a flow that runs backwards time and again may be real."""
    if "flow" not in view.columns:
        return "no flow recorded"
    flow = view.columns["flow"]
    known = flow[np.isfinite(flow)]
    high = np.quantile(known, 0.95) if len(known) else 0.0
    with np.errstate(invalid="ignore"):
        found = flow < -rule["share"] * max(high, 0.0)
    if found.sum() >= RECURS and found.mean() > rule["often"]:
        return Held(found, "the flow may run backwards there", False)
    return found


def blanking(view: View, rule: Rule) -> np.ndarray | str:
    if rule.parameters["distance"].value is None:
        return "no blanking distance stated"
    if "distance" in view.columns:
        return view.columns["distance"] <= rule["distance"]
    if "echo_time" in view.columns:
        return view.columns["echo_time"] <= 2 * rule["distance"] / SOUND
    return "no distance or echo time recorded"


def echo_loss(view: View, rule: Rule) -> np.ndarray | str:
    role = next((name for name in ("distance", "echo_time") if name in view.columns), None)
    if role is None:
        return "no distance or echo time recorded"
    values = view.columns[role]
    separation = rule["separation"] * (2 / SOUND if role == "echo_time" else 1.0)
    if not len(values) or not np.isfinite(values).any():
        return view.none()
    farthest = np.nanmax(values)
    lost = values == farthest
    near = (values > farthest - separation) & ~lost
    if lost.sum() < rule["times"] or near.sum() > 0.1 * lost.sum() or lost.all():
        return view.none()
    return lost


def flat_line(view: View, rule: Rule) -> np.ndarray:
    """A value that does not move, in any column a discharge is made of."""
    flat = view.none()
    if len(flat) < 3:
        return flat
    dry = view.dry(rule["dry level"])
    for role in ("head", "depth", "distance", "echo_time", "flow", "velocity"):
        if role in view.columns:
            flat |= _held(view, view.columns[role], rule) & ~(dry & (role != "velocity"))
    tail = view.columns.get("downstream_head")
    if tail is not None:  # a held tailwater matters where it may drown the device
        with np.errstate(invalid="ignore"):
            flat |= _held(view, tail, rule) & (tail > rule["drowning"] * view.level)
    return flat | _dead_partner(view, rule)


def _held(view: View, raw: np.ndarray, rule: Rule) -> np.ndarray:
    """Runs of one value too long for how the column moves, and days of next to no movement.

    With p the share of pairs that agree at that hour of the day, outside runs, a run of n readings
    is expected N p^n times in N readings; longer ones than once in a thousand records are held.
    """
    same = np.diff(raw) == 0
    starts, ends = runs(same)
    length = ends - starts
    hour = ((view.seconds[:-1] // 3600) % 24).astype(int)
    free = np.ones(len(same), dtype=bool)
    for start, end in zip(starts[length > 12], ends[length > 12], strict=True):
        free[start:end] = False
    pairs = np.bincount(hour[free], minlength=24)
    agree = np.bincount(hour[free], same[free], 24)
    p = np.clip((agree + 1) / (pairs + 2), 0.05, 0.999)
    few = pairs < 50
    p[few] = max(np.median(p[~few]), 0.3) if (~few).any() else 0.999
    most = np.log(1e-3 / max(len(raw), 1)) / np.log(p)
    found = view.none()
    lasts = view.seconds[ends] - view.seconds[starts] if len(ends) else length
    middle = hour[np.minimum(starts + length // 2, len(hour) - 1)] if len(hour) else starts
    held = (length >= np.maximum(most[middle], 6)) & (lasts >= rule["shortest"])
    held |= (lasts >= rule["longest"]) & (length >= 3)
    for start, end in zip(starts[held], ends[held], strict=True):
        found[start : end + 1] = True
    twitching = _hardly_moves(view, raw, rule)
    more = (twitching & ~found).sum() * view.step >= rule["longest"] / 2
    return found | twitching if more else found


def _hardly_moves(view: View, raw: np.ndarray, rule: Rule) -> np.ndarray:
    """Readings of which every day around them moves by less than a fiftieth of a usual day."""
    reach = int(rule["longest"] / max(view.step, 1.0))
    if not 4 <= reach < len(raw) // 4 or not np.isfinite(raw).all():
        return view.none()
    span = maximum_filter1d(raw, reach) - minimum_filter1d(raw, reach)
    still = span < rule["movement"] * np.median(span)
    return maximum_filter1d(still.astype(np.int8), reach).astype(bool) if still.any() else still


def _dead_partner(view: View, rule: Rule) -> np.ndarray:
    """No velocity for an hour over water, or water that runs where there is no depth."""
    if "velocity" not in view.columns or not len(view.level):
        return view.none()
    speed, found = view.columns["velocity"], view.none()
    wet = view.level > max(rule["dry level"], 0.25 * float(np.nanmedian(view.level)))
    runs_still = (speed == 0) & wet, (view.level <= rule["dry level"]) & (speed > 0.1)
    for mask in runs_still:
        for start, end in zip(*runs(mask), strict=True):
            if view.seconds[end - 1] - view.seconds[start] >= rule["shortest"]:
                found[start:end] = True
    return found


def isolated_zero(view: View, rule: Rule) -> np.ndarray | Held:
    raw = view.raw
    zero = raw == 0
    if "distance" in view.columns or "echo_time" in view.columns:
        zero = zero | (np.abs(view.level) < 1e-9)
    found = view.none()
    if not zero.any():
        return found
    starts, ends = runs(zero)
    inner = (starts > 0) & (ends < len(zero)) & (ends - starts <= rule["readings"])
    limit = rule["neighbours above"]
    measure = view.level
    if raw is view.columns.get("flow"):
        high = float(np.nanmedian(raw[~zero])) if (~zero).any() else 0.0
        measure = np.where(raw > 0.25 * high, np.inf, -np.inf)
    for start, end in zip(starts[inner], ends[inner], strict=True):
        if measure[start - 1] > limit and measure[end] > limit:
            found[start:end] = True
    if found.mean() > 0.001 and _zeros_recur(raw, zero, starts, ends, rule):
        if _goes_on(raw, *runs(found), np.median(raw[~zero])):
            return Held(found, LOSS_OR_STOP, False)
        return Held(found, "zeros recur as flow of nothing does, so they count as that", True)
    return found


LOSS_OR_STOP = "they may be losses of the signal or stops of the works"
ALIKE, STEADY = 0.25, 0.1
"""Readings before and after an interruption that differ by less than this share of the scatter of
all carry one course on; below the second, relative scatter is a pump's own rate (judgement) [-]."""


def sudden_zeros(view: View, rule: Rule) -> np.ndarray | Held:
    """Never rejected: they may be stops. The volume is told either way."""
    found = _stopped(view, rule) | _interrupted(view, view.raw, rule)
    if "velocity" in view.columns:
        found |= _interrupted(view, view.columns["velocity"], rule)
    return Held(found, LOSS_OR_STOP, False) if found.any() else found


def _stopped(view: View, rule: Rule) -> np.ndarray:
    """Zeros that last, rare and at no hour of their own."""
    raw = view.raw
    zero = raw == 0
    if not zero.any() or zero.mean() > rule["often"]:
        return view.none()
    usual = float(np.nanmedian(raw[~zero])) if (~zero).any() else 0.0
    starts, ends = runs(zero)
    lasts = view.seconds[ends - 1] - view.seconds[starts] + view.step
    long = (lasts >= rule["shortest"]) & (starts > 0) & (ends < len(zero))
    starts, ends = starts[long], ends[long]
    between = (raw > 0) & (raw < rule["void"] * usual)
    if len(starts) < rule["times"] or between.sum() > len(starts) / 5:
        return view.none()
    if view.at_one_hour(starts) > rule["hours"]:
        return view.none()
    return _filled(view, starts, ends)


def _interrupted(view: View, raw: np.ndarray, rule: Rule) -> np.ndarray:
    """Falls to next to nothing and straight back, after which a changing course goes on."""
    known = raw[np.isfinite(raw) & (raw > 0)]
    if len(known) < 100:
        return view.none()
    usual = float(np.median(known))
    distance = raw is view.columns.get("distance") or raw is view.columns.get("echo_time")
    low = raw == 0 if distance else (raw >= 0) & (raw < rule["void"] / 2 * usual)
    if not distance and low.any():  # a course falls by and by, so its lows leave no empty band
        usual = float(np.median(raw[~low & np.isfinite(raw)]))
        low = (raw >= 0) & (raw < rule["void"] / 2 * usual)
    between = (raw > 0) & (raw < rule["void"] * usual) & ~low
    starts, ends = runs(low)
    inner = (starts > 0) & (ends < len(raw))
    starts, ends = starts[inner], ends[inner]
    if len(starts) < rule["times"] or between.sum() > len(starts) / 5:
        return view.none()
    if view.at_one_hour(starts) > rule["hours"] or not _goes_on(raw, starts, ends, usual):
        return view.none()
    return _filled(view, starts, ends)


def cut_off(view: View, rule: Rule) -> np.ndarray | Held:
    """Never rejected: flow below what the meter shows may be anything up to it."""
    found, flow = view.none(), view.columns.get("flow")
    if flow is None or not (flow > 0).any():
        return found
    zero, shown = flow == 0, np.sort(flow[flow > 0])
    usual = float(np.median(shown))
    starts, ends = runs(zero)
    inner = (starts > 0) & (ends < len(flow))
    starts, ends = starts[inner], ends[inner]
    steady = 1.4826 * float(np.median(np.abs(shown - usual))) < STEADY * usual
    if len(starts) < rule["times"] or steady or shown[len(shown) // 100] < rule["void"] * usual:
        return found
    beside = np.concatenate([flow[starts - 1], flow[ends]])
    if np.median(np.searchsorted(shown, beside)) > rule["beside"] * len(shown):
        return found
    why = "the flow falls to them and rises from them at the least that is ever shown"
    return Held(_filled(view, starts, ends), why, False)


def _goes_on(raw: np.ndarray, starts: np.ndarray, ends: np.ndarray, usual: float) -> bool:
    """Whether a course that changes is the same before and after its interruptions.

    A pump has one rate, and every batch its own; a lost signal leaves the flow as it was.
    """
    inner = (starts > 0) & (ends < len(raw))
    if not inner.any():
        return False
    before, after = raw[starts[inner] - 1], raw[ends[inner]]
    sides = np.concatenate([before, after])
    scatter = 1.4826 * float(np.nanmedian(np.abs(sides - np.nanmedian(sides))))
    apart = float(np.nanmedian(np.abs(after - before)))
    return scatter > STEADY * usual and apart < ALIKE * scatter


def _filled(view: View, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    found = view.none()
    for start, end in zip(starts, ends, strict=True):
        found[start:end] = True
    return found


def _zeros_recur(
    raw: np.ndarray, zero: np.ndarray, starts: np.ndarray, ends: np.ndarray, rule: Rule
) -> bool:
    """Whether zeros come as those of a pump do: often, evenly, or with flow that falls to them."""
    if zero.mean() > rule["often"] or (ends - starts > rule["readings"]).sum() >= 20:
        return True
    if len(starts) < RECURS:
        return False
    if _evenly(starts):
        return True
    around = np.clip(starts[:, None] + np.arange(-4, 6), 0, len(raw) - 1)
    if zero[around].mean() > rule["together"]:
        return True
    near = np.where(zero[around], np.nan, raw[around])
    with np.errstate(invalid="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # nothing but zeros around
        lumps = np.nanstd(near, axis=1) / np.nanmean(near, axis=1)
    return bool(np.nanmedian(lumps) > rule["lumps"])


def _evenly(starts: np.ndarray) -> bool:
    """Whether events follow each other as those of a pump do; chance has a median of log 3."""
    between = np.diff(starts).astype(float)
    return len(between) >= 20 and bool(np.median(np.abs(np.diff(np.log(between)))) < 0.5)


def spike(view: View, rule: Rule) -> np.ndarray | Held | str:
    found = _lone(view, rule)
    lone = bool(found.any())
    if view.step > rule["longest step"] and not lone:
        single = _single(view, rule)
        if single.any() and not _daily(view, single) and not _evenly(runs(single)[0]):
            return Held(single, "at this step one reading may be a real discharge", False)
        return f"readings are {view.step:.0f} s apart: one reading may be a real discharge"
    measure = view.columns.get("flow", view.level)
    pauses = view.dry(0.0).mean() > 0.5 if len(measure) else True  # the short runs are the flow
    if view.step <= rule["longest step"] and len(measure) >= 5 and not pauses:
        reach = int(min(max(rule["duration"] // view.step, 1), 15))
        away = np.abs(measure - median_filter(measure, size=2 * reach + 1, mode="nearest"))
        every = away[:: max(len(away) // 100_000, 1)]
        scatter = 1.4826 * float(np.median(every))
        least = rule["smallest"]
        if "flow" in view.columns:
            least = max(rule["share"] * float(np.nanquantile(np.abs(measure), 0.95)), 1e-9)
        over = away > max(least, rule["scatter"] * scatter)
        # beside a gap the running median knows only one side
        for place in np.flatnonzero(np.diff(view.seconds) > 3 * view.step):
            over[max(place + 1 - reach, 0) : place + 1 + reach] = False
        over[:reach] = over[len(over) - reach :] = False
        found |= over
    if not lone and _evenly(runs(found)[0]):  # what lies far above all else is no pump of the site
        return Held(found, "they follow each other evenly, as the runs of a pump do", True)
    if _daily(view, found):
        return Held(found, "they come at the same hour of many days", False)
    return found


def _single(view: View, rule: Rule) -> np.ndarray:
    """Single readings far above both neighbours, by more than the usual range."""
    found = view.none()
    values = view.columns.get("flow", view.level)
    if len(values) < 100 or not np.isfinite(values).all():
        return found
    low, high = np.quantile(values, [0.1, 0.9])
    beside = np.maximum(values[:-2], values[2:])
    found[1:-1] = (values[1:-1] - beside > max(high - low, 1e-9)) & (values[1:-1] > high)
    return found if found.mean() <= rule["single"] else view.none()


def at_the_limit(view: View, rule: Rule) -> np.ndarray | Held:
    """Never rejected: the true value lies beyond, or is none at all."""
    found = view.none()
    for role in ("velocity", "flow", "head", "depth"):
        values = view.columns.get(role)
        if values is None or len(values) < 500 or not np.isfinite(values).all():
            continue
        top = values.max()
        at = values == top
        near = (values > (1 - rule["near"]) * top) & ~at
        often = at.sum() >= max(rule["times"], rule["share"] * len(at))
        if top > 0 and often and near.sum() < 0.1 * at.sum() and at.mean() <= rule["most"]:
            found |= at
    if not found.any():
        return found
    return Held(found, "they stand at the highest value that is ever shown", False)


def second_echo(view: View, rule: Rule) -> np.ndarray:
    """From the shortest distances at once to twice them, and back: the water is too near."""
    role = next((name for name in ("distance", "echo_time") if name in view.columns), None)
    found = view.none()
    if role is None or len(found) < 100:
        return found
    values = view.columns[role]
    near = values <= rule["near"] * np.nanmin(values)
    with np.errstate(invalid="ignore", divide="ignore"):
        jump = values[1:] / values[:-1]
    out = np.flatnonzero(near[:-1] & (jump > rule["least"]))
    back = np.flatnonzero(near[1:] & (1 / jump > rule["least"]))
    if min(len(out), len(back)) < rule["times"]:
        return found
    for start, later in zip(out, np.searchsorted(back, out, side="right"), strict=True):
        if later == len(back):
            break
        if view.seconds[back[later]] - view.seconds[start] < rule["longest"]:
            found[start + 1 : back[later] + 1] = True
    return found


def _lone(view: View, rule: Rule) -> np.ndarray:
    """A few readings far above everything else, with nothing between them and the rest."""
    found = view.none()
    for role in ("level", "flow", "velocity"):
        values = view.level if role == "level" else view.columns.get(role)
        if values is None or len(values) < 100 or not np.isfinite(values).all():
            continue
        low, high = np.quantile(values, [0.05, 0.98])
        limit = high + rule["beyond"] * (high - low)
        if not high > low:
            continue
        over = values > limit
        between = ((values > (high + limit) / 2) & ~over).sum()
        if not over.any() or between > 0.5 * over.sum():
            continue
        # at an end of the record, or beside a gap, there is one side to compare with
        first = np.concatenate([[True], np.diff(view.seconds) > 3 * view.step])
        last = np.append(first[1:], True)
        starts = np.flatnonzero(over & (first | ~np.append(False, over[:-1])))
        ends = np.flatnonzero(over & (last | ~np.append(over[1:], False))) + 1
        stretch = np.cumsum(first) - 1
        half = np.bincount(stretch)[stretch[starts]] / 2
        short = ends - starts <= np.minimum(rule["readings"], half)
        found |= _filled(view, starts[short], ends[short])
    return found


def _daily(view: View, found: np.ndarray) -> bool:
    """Whether what was found comes at one hour of the day, on five days or more."""
    starts, _ = runs(found)
    if len(starts) < 5:
        return False
    day = np.unique(view.seconds[starts] // 86400)
    return len(day) >= 5 and view.at_one_hour(starts) > 0.9


REJECTING = {
    "out of range": out_of_range,
    "backflow": backflow,
    "blanking distance": blanking,
    "echo loss": echo_loss,
    "flat line": flat_line,
    "isolated zero": isolated_zero,
    "sudden zeros": sudden_zeros,
    "low-flow cut-off": cut_off,
    "spike": spike,
    "at the limit": at_the_limit,
    "second echo": second_echo,
}
"""Rule name to what finds its readings: a mask, or a sentence why the rule does not apply."""
