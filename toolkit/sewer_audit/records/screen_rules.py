"""What each rejecting rule looks at, reading by reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from sewer_audit.records.rules import Rule

__all__ = ["REJECTING", "View", "runs"]

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

    @property
    def raw(self) -> np.ndarray:
        """The column the level comes from, as recorded [SI]."""
        for role in ("head", "depth", "distance", "echo_time", "flow"):
            if role in self.columns:
                return self.columns[role]
        return self.level

    def none(self) -> np.ndarray:
        """No reading at all."""
        return np.zeros(len(self.seconds), dtype=bool)


def runs(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First and one-past-last place of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return edges[::2], edges[1::2]


def out_of_range(view: View, rule: Rule) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        bad = (view.level < rule["lowest level"]) | (view.level > rule["highest level"])
        if "velocity" in view.columns:
            bad = bad | (np.abs(view.columns["velocity"]) > rule["fastest velocity"])
        if "flow" in view.columns:
            flow = view.columns["flow"]
            known = flow[np.isfinite(flow)]
            high = np.quantile(known, 0.95) if len(known) else 0.0
            bad = bad | (flow < -rule["backflow"] * max(high, 0.0))
    return bad


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
    raw = view.raw
    if len(raw) < 3:
        return view.none()
    starts, ends = runs(np.diff(raw) == 0)
    flat = view.none()
    long = (view.seconds[ends] - view.seconds[starts] >= rule["longest"]) if len(ends) else ends
    for start, end in zip(starts[long.astype(bool)], ends[long.astype(bool)], strict=True):
        if end - start >= 3 and not view.level[start] <= rule["dry level"]:
            flat[start : end + 1] = True
    return flat


def isolated_zero(view: View, rule: Rule) -> np.ndarray:
    zero = view.raw == 0
    if "distance" in view.columns or "echo_time" in view.columns:
        zero = zero | (np.abs(view.level) < 1e-9)
    found = view.none()
    if not zero.any():
        return found
    starts, ends = runs(zero)
    inner = (starts > 0) & (ends < len(zero)) & (ends - starts <= rule["readings"])
    limit = rule["neighbours above"]
    measure = view.level
    if view.raw is view.columns.get("flow"):
        measure = np.where(view.raw > 0.25 * np.nanmedian(view.raw), np.inf, -np.inf)
    for start, end in zip(starts[inner], ends[inner], strict=True):
        if measure[start - 1] > limit and measure[end] > limit:
            found[start:end] = True
    return found


def spike(view: View, rule: Rule) -> np.ndarray | str:
    if not view.step <= rule["longest step"]:
        return f"readings are {view.step:.0f} s apart: one reading may be a real discharge"
    if len(view.level) < 5:
        return view.none()
    reach = int(min(max(rule["duration"] // view.step, 1), 15))
    away = np.abs(view.level - median_filter(view.level, size=2 * reach + 1, mode="nearest"))
    scatter = 1.4826 * float(np.median(away[:: max(len(away) // 100_000, 1)]))
    found = away > max(rule["smallest"], rule["scatter"] * scatter)
    # beside a gap the running median knows only one side
    wide = np.flatnonzero(np.diff(view.seconds) > 3 * view.step)
    for place in wide:
        found[max(place + 1 - reach, 0) : place + 1 + reach] = False
    found[:reach] = found[len(found) - reach :] = False
    return found


REJECTING = {
    "out of range": out_of_range,
    "blanking distance": blanking,
    "echo loss": echo_loss,
    "flat line": flat_line,
    "isolated zero": isolated_zero,
    "spike": spike,
}
"""Rule name to what finds its readings: a mask, or a sentence why the rule does not apply."""
