"""Rows of all exports to one record: stamps settled, gaps found, every row counted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.records.clock.steps import find_intervals
from sewer_audit.records.merge import Rows, join_rows, same_stamps
from sewer_audit.records.model import INTERVAL, Findings, LoggerRecord
from sewer_audit.records.rules.plausible import compare_files


@dataclass(frozen=True)
class Choices:
    """How the rows of a record are put together.

    Units: round_to [s].
    """

    names: Sequence[str]
    zone: str
    site_zone: str | None
    stamp: str
    conflicts: str
    round_to: float | None


def assemble(
    parts: list[Rows],
    kept: list[pd.DataFrame],
    tally: Mapping[str, int],
    choices: Choices,
    findings: Findings,
) -> LoggerRecord:
    """Put the rows of all exports together.

    Units: parts [SI]; returns [SI].
    """
    findings.file = ", ".join(dict.fromkeys(choices.names))
    compare_files(parts, findings)
    rows = join_rows(parts)
    if choices.round_to:
        rows = _rounded(rows, choices.round_to, findings)
    rows, merged = same_stamps(rows, choices.conflicts, findings)
    if choices.stamp != "instant":
        rows = _centred(rows, rows.reason == "", choices.stamp, findings)
    good = rows.reason == ""
    time, flow = rows.time[good], rows.values.get("flow")
    flow = None if flow is None else flow[good]
    intervals = find_intervals(time, choices.zone, choices.site_zone, flow, findings)
    frame = pd.DataFrame({"time": pd.DatetimeIndex(rows.time).tz_localize("UTC").as_unit("us")})
    for role, column in rows.values.items():
        frame[role] = column
    frame["status"] = pd.Categorical.from_codes(
        np.where(good, 0, 1), categories=["measured", "rejected"]
    )
    frame["reason"] = pd.Categorical(rows.reason)
    counts = tally | {
        "identical rows merged": merged,
        "readings": len(frame),
        "measured": int(good.sum()),
        "rejected": int((~good).sum()),
    }
    if not good.any():
        findings.flag("no readings", "the record holds no usable reading")
    _count_reasons(frame, findings)
    return LoggerRecord(
        frame,
        findings.summary(),
        tuple(findings.flags),
        counts,
        intervals.step,
        intervals.gaps,
        pd.concat(kept, ignore_index=True) if len(kept) > 1 else kept[0],
        choices.zone,
    )


def _count_reasons(frame: pd.DataFrame, findings: Findings) -> None:
    for why, count in frame["reason"].value_counts().items():
        if why and count:
            share = count / len(frame)
            findings.flag(
                "readings rejected",
                f"{count:,} of {len(frame):,} rows ({spoken.percent(share, 2)}) are rejected on "
                f"reading: {why}",
                reason=why,
                rows=int(count),
            )


def _rounded(rows: Rows, step: float, findings: Findings) -> Rows:
    """Stamps near the whole steps moved onto them, such as :59 onto the next minute."""
    micro = round(step * 1e6)
    since = (rows.time - np.datetime64("1970-01-01", "us")) / np.timedelta64(1, "us")
    near = np.rint(since / micro) * micro
    moved = (np.abs(near - since) <= 0.2 * micro) & (near != since)
    time = np.where(
        moved,
        np.datetime64("1970-01-01", "us") + near.astype("timedelta64[us]"),
        rows.time,
    )
    if moved.any():
        findings.flag(
            "stamps rounded",
            f"{int(moved.sum())} stamps were moved by at most {0.2 * step:g} s onto whole steps of "
            f"{step:g} s",
            rows=int(moved.sum()),
        )
    return replace(rows, time=time)


def _centred(rows: Rows, good: np.ndarray, stamp: str, findings: Findings) -> Rows:
    """Readings that stand for an interval, moved to the middle of it."""
    if good.sum() < 2:
        return rows
    steps = np.diff(rows.time[good]) / np.timedelta64(1, "us")
    usual = float(np.median(steps))
    shift = np.full(len(rows.time), usual)
    own = np.concatenate([[usual], steps]) if stamp == "interval end" else np.append(steps, usual)
    shift[good] = np.where(own <= 1.5 * usual, own, usual)
    half = (shift / 2).astype("timedelta64[us]")
    rows = replace(rows, values={**rows.values, INTERVAL: shift / 1e6})
    findings.flag(
        "stamps of intervals",
        f"each stamp marks the {stamp.split()[1]} of its interval; readings were moved by half an "
        f"interval, usually {usual / 2e6:g} s",
        stamp=stamp,
        moved_s=usual / 2e6,
    )
    time = rows.time - half if stamp == "interval end" else rows.time + half
    if (np.diff(time) < np.timedelta64(0, "us")).any():
        return replace(rows, time=time).take(np.argsort(time, kind="stable"))
    return replace(rows, time=time)
