"""Series of one place as one record: of different roles, and the rain of another gauge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.records.clock.steps import find_intervals
from sewer_audit.records.clock.zones import utc_values
from sewer_audit.records.model import DOUBTFUL, INTERVAL, Findings, LoggerRecord


def join_series(records: Mapping[str, LoggerRecord], *, name: str = "record") -> LoggerRecord:
    """Put series of different roles together by their times.

    Parameters
    ----------
    records : mapping of str to LoggerRecord
        Role to the record that holds it [SI].
    name : str
        What the record is called in messages [text].
    """
    if len(records) == 1:
        return next(iter(records.values()))
    findings = Findings(name)
    wide = pd.concat([_indexed(record, role) for role, record in records.items()], axis=1)
    wide = wide.sort_index()
    reason = pd.Series("", index=wide.index, dtype="str")
    for role in records:
        own = wide[f"reason {role}"]
        reason = reason.where(reason != "", own.fillna(f"no {role} at this time"))
    frame = pd.DataFrame({"time": wide.index, **{role: wide[role].to_numpy() for role in records}})
    frame["time"] = frame["time"].dt.as_unit("us")
    good = (reason == "").to_numpy()
    for column in (INTERVAL, DOUBTFUL):
        own = [wide[f"{column} {role}"] for role in records if f"{column} {role}" in wide]
        if own:
            frame[column] = pd.concat(own, axis=1).max(axis=1).fillna(0.0).to_numpy()
    frame["status"] = _statuses(good)
    frame["reason"] = pd.Categorical(reason.to_numpy())
    lonely = int(reason.str.startswith("no ").sum())
    if lonely:
        findings.flag(
            "series at different times",
            f"{lonely} of {len(frame)} times stand in one series and not in the other; these rows "
            "are rejected",
            rows=lonely,
        )
    return _joined(list(records.values()), frame, good, findings)


def _joined(
    parts: list[LoggerRecord], frame: pd.DataFrame, good: np.ndarray, findings: Findings
) -> LoggerRecord:
    time = utc_values(frame["time"])[good]
    intervals = find_intervals(time, parts[0].zone, None, None, findings)
    counts = {
        key: sum(part.counts.get(key, 0) for part in parts)
        for key in ("rows in files", "rows set aside", "identical rows merged", "other lines")
    }
    counts["rows joined"] = sum(part.counts["readings"] for part in parts) - len(frame)
    counts |= {"readings": len(frame), "measured": int(good.sum()), "rejected": int((~good).sum())}
    earlier = [flag for part in parts for flag in part.flags if flag.code != "gaps"]
    return LoggerRecord(
        frame,
        tuple(problem for part in parts for problem in part.problems),
        (*{flag.message: flag for flag in earlier}.values(), *findings.flags),
        counts,
        intervals.step,
        intervals.gaps,
        pd.concat([part.kept for part in parts], ignore_index=True),
        parts[0].zone,
    )


def _indexed(record: LoggerRecord, role: str) -> pd.DataFrame:
    """Value and reason by time; of rows at one time the accepted one."""
    extra = [column for column in (INTERVAL, DOUBTFUL) if column in record.frame]
    frame = record.frame[["time", role, "status", "reason", *extra]].copy()
    frame["reason"] = frame["reason"].astype("str")
    frame["poor"] = (frame["status"] != "measured").to_numpy()
    frame = frame.sort_values(["time", "poor"], kind="stable").drop_duplicates("time")
    frame = frame.set_index("time")[[role, "reason", *extra]]
    return frame.rename(columns={each: f"{each} {role}" for each in ("reason", *extra)})


def _statuses(good: np.ndarray) -> pd.Categorical:
    return pd.Categorical.from_codes(np.where(good, 0, 1), categories=["measured", "rejected"])


def with_rain(record: LoggerRecord, gauge: LoggerRecord) -> LoggerRecord:
    """Give a record the rain of a gauge with times of its own.

    Parameters
    ----------
    gauge : LoggerRecord
        Record with a column rain, each amount fallen since the stamp before [m].

    Notes
    -----
    The amounts are summed up and the sum is read off at the times of the record, so the total over
    the gauge's span is kept whatever the two intervals are.
    """
    findings = Findings("rain gauge")
    good = gauge.frame[gauge.frame["status"] == "measured"]
    origin = utc_values(record.frame["time"])[0]
    second = np.timedelta64(1, "s")
    at = (utc_values(good["time"]) - origin) / second
    here = (utc_values(record.frame["time"]) - origin) / second
    total = np.cumsum(good["rain"].to_numpy(dtype=float))
    inside = (here >= at[0] - gauge.step) & (here <= at[-1]) if len(at) else here < here[0]
    if not inside.any():
        findings.flag("rain of another time", "the rain record does not touch the effluent record")
        return replace(record, flags=(*record.flags, *findings.flags))
    summed = np.interp(here, np.append(at[0] - gauge.step, at), np.append(0.0, total))
    rain = np.concatenate([[np.nan], np.where(inside[1:] & inside[:-1], np.diff(summed), np.nan)])
    frame = record.frame.copy()
    frame["rain"] = rain
    findings.flag(
        "rain of a gauge",
        f"rain of {spoken.length(np.nansum(rain))}, of {spoken.length(total[-1])} in the gauge's "
        f"record, falls on {int(np.isfinite(rain).sum())} of {len(frame)} readings",
        rain_m=float(np.nansum(rain)),
        gauge_m=float(total[-1]),
    )
    others = [flag for flag in gauge.flags if flag.code != "date in several columns"]
    return replace(
        record,
        frame=frame,
        problems=(*record.problems, *gauge.problems),
        flags=(*record.flags, *others, *findings.flags),
    )
