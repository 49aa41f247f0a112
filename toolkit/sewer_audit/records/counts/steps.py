"""From counts to volume: roll-over, change of meter, change of multiplier, reads that fall back."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.records.clock.zones import utc_values
from sewer_audit.records.model import Findings, MeterChange

CHANGES = ("change-out", "changeout", "change", "new meter", "replaced", "reset")
FASTEST = 5.0
"""A roll-over is believed where its rate is at most this many times the largest other [-]."""


def resolve_steps(
    frame: pd.DataFrame, unit_m3: float, digits: int | None, findings: Findings
) -> pd.DataFrame:
    """Cumulative volume of a register since its first accepted read.

    Units: unit_m3 [m3]; returns [m3].

    DataFrame: The frame with volume_m3, status, reason and changed: whether a row is the first
    read of another meter.

    Notes
    -----
    A register that falls is, in this order: a change of meter (another serial number, or the
    event says so); a read that the neighbours show to be wrong (the read before is an estimate
    above it, or the read itself lies below both neighbours that rise); a roll-over, where the
    digits are stated and the volume is of the size of the others; else it is refused. Across a
    change of meter no volume is counted: it is known only if the final read of the old and the
    first read of the new meter stand at the same time.
    """
    frame = frame.copy()
    count = len(frame)
    status = np.where(frame["read_type"] == "estimated", "estimated", "measured").astype(object)
    reason = np.full(count, "", dtype=object)
    register = frame["register"].to_numpy(dtype=float)
    missing = np.isnan(register)
    status[missing], reason[missing] = "rejected", "blank"
    if missing.any():
        lines = [int(line) for line in frame["line"][missing]]
        told = ", ".join(map(str, lines[:5])) + (", ..." if len(lines) > 5 else "")
        findings.flag(
            "blank-reads",
            f"{len(lines)} of {count} reads of the register are blank and left out (line {told})",
            lines=lines,
        )
    changed = _changes(frame, findings)
    _outliers(frame, register, changed, status, reason, digits, findings)
    good = np.flatnonzero(status != "rejected")
    volume = np.full(count, np.nan)
    if len(good):
        _same_time(frame, register, good, changed, status, reason, findings)
        good = np.flatnonzero(status != "rejected")
        steps = _steps(frame, register, good, changed, unit_m3, digits, findings)
        volume[good] = np.concatenate([[0.0], np.cumsum(steps)])
    frame["volume_m3"], frame["status"], frame["reason"] = volume, status, reason
    frame["changed"] = changed
    for name in ("status", "reason"):
        frame[name] = frame[name].astype("str")
    return frame


def meter_changes(frame: pd.DataFrame, unit_m3: float) -> tuple[MeterChange, ...]:
    """Every change of meter between accepted reads.

    Units: frame [m3]; unit_m3 [m3].
    """
    good = frame[frame["status"] != "rejected"]
    rows = list(good.itertuples())
    return tuple(
        MeterChange(
            after.time,
            before.time,
            before.register,
            after.register,
            before.multiplier * unit_m3,
            after.multiplier * unit_m3,
        )
        for before, after in itertools.pairwise(rows)
        if frame["changed"].loc[before.Index + 1 : after.Index].any()
    )


def _changes(frame: pd.DataFrame, findings: Findings) -> np.ndarray:
    """Rows that are the first read of another meter."""
    meter = frame["meter"].replace("", np.nan).ffill().bfill().fillna("")
    changed = (meter != meter.shift(fill_value=meter.iloc[0] if len(meter) else "")).to_numpy()
    changed = changed | _marked(frame)
    for place in np.flatnonzero(changed[1:]) + 1:
        apart = (frame["time"].iloc[place] - frame["time"].iloc[place - 1]) / pd.Timedelta(days=1)
        known = apart * 24 <= 1.0
        findings.flag(
            "meter changed",
            f"the meter was changed {spoken.day(frame['time'].iloc[place])}; "
            + (
                "final and first read stand together"
                if known
                else f"no volume is counted for the {apart:.1f} days between the last read of the "
                "old and the first of the new meter"
            ),
            time=str(frame["time"].iloc[place]),
            days_without_volume=0.0 if known else round(float(apart), 3),
        )
    return changed


def _marked(frame: pd.DataFrame) -> np.ndarray:
    """Rows that an event marks as the first read of another meter.

    Where final and first read stand at one time the change lies between them, whichever is marked.
    """
    marked = frame["event"].isin(CHANGES).to_numpy(copy=True)
    time, known = frame["time"], frame["register"].notna().to_numpy()
    for place in np.flatnonzero(marked):
        after = place + 1
        pair = after < len(frame) and time.iloc[after] == time.iloc[place]
        if pair and known[place] and known[after]:
            marked[place], marked[after] = False, True
    return marked


def _outliers(frame, register, changed, status, reason, digits, findings: Findings) -> None:
    """Reads that fall although those around them rise: the one that does not fit is rejected."""
    good = [p for p in np.flatnonzero(status != "rejected")]
    for before, place, after in zip([None, *good], good, [*good[1:], None], strict=False):
        if before is None or changed[place] or status[before] == "rejected":
            continue
        if not register[place] < register[before]:
            continue
        estimated = status[before] == "estimated" and status[place] == "measured"
        if estimated:
            wrong, why = before, "estimate above the next actual read"
        elif after is not None and not changed[after] and register[after] >= register[before]:
            if digits is not None and _rolls_over(frame["time"], register, good, place, digits):
                continue
            wrong, why = place, "below both neighbours"
        else:
            continue
        status[wrong], reason[wrong] = "rejected", why
        findings.flag(
            "read rejected",
            f"the read {register[wrong]:.10g} of {spoken.day(frame['time'].iloc[wrong])} is not "
            f"used: {why}",
            time=str(frame["time"].iloc[wrong]),
            register=float(register[wrong]),
            reason=why,
        )


def _rolls_over(time: pd.Series, register: np.ndarray, good: list, place: int, digits: int) -> bool:
    """Whether a read below both neighbours is a roll-over rather than a misread.

    It is where the uses before and after it, counted over the roll-over, both lie nearer to what
    the register counts elsewhere than the use without that read does.
    """
    at = good.index(place)
    before, after = good[at - 1], good[at + 1]
    second = utc_values(time).astype("datetime64[s]").astype(float)

    def rate(one: int, other: int, more: float = 0.0) -> float:
        return (register[other] + more - register[one]) / max(second[other] - second[one], 1.0)

    around = itertools.pairwise(good)
    usual = [rate(a, b) for a, b in around if place not in (a, b) and register[b] > register[a]]
    middle = float(np.median(usual)) if usual else rate(place, after)
    rolled = [rate(before, place, 10.0**digits), rate(place, after)]
    without = rate(before, after)
    if middle <= 0 or min(rolled) <= 0:
        return False
    far = abs(np.log(without / middle)) if without > 0 else np.inf
    return bool(np.abs(np.log(np.divide(rolled, middle))).max() < far)


def _same_time(frame, register, good, changed, status, reason, findings: Findings) -> None:
    """Two reads at one time that differ are refused, unless the meter was changed there."""
    time = frame["time"]
    for before, place in itertools.pairwise(good):
        if time.iloc[place] == time.iloc[before] and not changed[place]:
            if register[place] == register[before]:
                status[place], reason[place] = "rejected", "same read twice"
                continue
            if _rises(time, register, good, place):
                status[before], reason[before] = "rejected", "a later read of the same second"
                continue
            findings.add(
                f"two reads at {spoken.moment(time.iloc[place])} differ: "
                f"{register[before]:.10g} and {register[place]:.10g}",
                "Keep the right one; at a change of meter write change-out in a column event",
                line=int(frame["line"].iloc[place]),
                column="register",
                code="same time",
            )


def _rises(time: pd.Series, register: np.ndarray, good: Sequence[int], place: int) -> bool:
    """Whether a read and the one of its second lie in a run that only rises, by little.

    A counter read twice within a second has moved by one count, or by a hundredth of what it moves
    between reads elsewhere (judgement); the later read stands for that second.
    """
    at = list(good).index(place)
    around = register[list(good[max(at - 2, 0) : at + 2])]
    every = np.diff(register[list(good)])
    step = register[place] - register[good[at - 1]]
    return bool(
        (np.diff(around) >= 0).all() and 0 < step <= max(1.0, np.median(every[every > 0]) / 100)
    )


def _steps(frame, register, good, changed, unit_m3, digits, findings: Findings) -> np.ndarray:
    """Volume between each accepted read and the next."""
    multiplier = frame["multiplier"].to_numpy(dtype=float)[good]
    counts = np.diff(register[good])
    seconds = np.diff(utc_values(frame["time"])[good]) / np.timedelta64(1, "s")
    # a change between two accepted reads counts, even if the changed row itself was rejected
    marks = np.array([changed[a + 1 : b + 1].any() for a, b in itertools.pairwise(good)])
    counts = np.where(marks, 0.0, counts) if len(marks) else counts
    fall = counts < 0
    with np.errstate(divide="ignore", invalid="ignore"):
        rates = counts / seconds
    usual = np.nanmax(rates[~fall & (counts > 0)], initial=0.0)
    for step in np.flatnonzero(fall):
        rolled = counts[step] + 10.0**digits if digits is not None else np.nan
        row = good[step + 1]
        ends = f"from {register[good[step]]:.10g} to {register[row]:.10g}"
        if rolled >= 0 and (usual == 0 or rolled <= FASTEST * usual * seconds[step]):
            counts[step] = rolled
            findings.flag(
                "roll-over",
                f"the register rolled over before {spoken.day(frame['time'].iloc[row])}: {ends}, "
                f"counted as {rolled:.10g}",
                time=str(frame["time"].iloc[row]),
                counts=float(rolled),
            )
            continue
        findings.add(
            f"the register falls {ends}",
            _fall_remedy(digits, rolled, usual, seconds[step]),
            line=int(frame["line"].iloc[row]),
            column="register",
            code="register falls",
        )
    _multiplier_changes(frame, good, multiplier, findings)
    return counts * multiplier[:-1] * unit_m3


def _multiplier_changes(frame, good, multiplier, findings: Findings) -> None:
    for step in np.flatnonzero(np.diff(multiplier) != 0):
        findings.flag(
            "multiplier changed",
            f"the multiplier changes from {multiplier[step]:g} to {multiplier[step + 1]:g} at the "
            f"read of {spoken.day(frame['time'].iloc[good[step + 1]])}",
            time=str(frame["time"].iloc[good[step + 1]]),
        )


def _fall_remedy(digits: int | None, rolled: float, usual: float, seconds: float) -> str:
    if digits is None:
        return (
            "State digits if it rolled over; write change-out in a column event if it restarted or "
            "the meter was changed; else correct the read"
        )
    times = rolled / seconds / usual if usual and seconds else float("inf")
    return (
        f"A roll-over of {digits} digits would mean {times:.0f} times the largest use on record; "
        "write change-out in a column event if it restarted or the meter was changed, else correct "
        "the read"
    )
