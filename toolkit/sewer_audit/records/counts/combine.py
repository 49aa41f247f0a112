"""Two registers as one meter: the two of a compound meter added, a deduct meter taken off."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.errors import InputRefused, Problem
from sewer_audit.records.clock.zones import utc_values
from sewer_audit.records.model import Findings, RegisterRecord


def combine_registers(
    records: Sequence[RegisterRecord], signs: Sequence[int] | None = None, *, name: str = "meters"
) -> RegisterRecord:
    """Add registers, or take some off, at the times of the first that all of them cover.

    Parameters
    ----------
    records : sequence of RegisterRecord
        The first one gives the times [m3].
    signs : sequence of int, optional
        +1 to add, -1 to take off, one per record; all are added if not given [-].
    name : str
        What the combination is called in messages [text].

    Raises
    ------
    InputRefused
        If the records have no time in common.

    Notes
    -----
    Where a register was not read at a time of the first, its volume is taken on the straight line
    between its neighbouring reads, the read counts as estimated, and their number is flagged.
    """
    weights = list(signs) if signs is not None else [1] * len(records)
    findings = Findings(name)
    good = [record.frame[record.frame["status"] != "rejected"] for record in records]
    times = [utc_values(frame["time"]) for frame in good]
    base = times[0]
    inside = np.ones(len(base), dtype=bool)
    for time in times:
        inside &= (base >= time[0]) & (base <= time[-1]) if len(time) else False
    if inside.sum() < 2:
        raise InputRefused(
            Problem(
                name,
                "the registers have fewer than two times in common",
                "Read all registers of one meter on the same days",
                code="combine",
            )
        )
    base = base[inside]
    total, between, estimated = _at_times(good, times, weights, base)
    _flags(base, total, between, findings)
    status = np.where(between | estimated, "estimated", "measured")
    frame = pd.DataFrame(
        {
            "time": pd.DatetimeIndex(base).tz_localize("UTC").as_unit("us"),
            "register": total,
            "read_type": pd.Series(np.where(status == "measured", "actual", status), dtype="str"),
            "volume_m3": total,
            "status": pd.Series(status, dtype="str"),
            "reason": pd.Series(np.where(between, "on a line between reads", ""), dtype="str"),
            "line": good[0]["line"].to_numpy()[inside],
        }
    )
    flags = [flag for record in records for flag in record.flags] + findings.flags
    problems = tuple(problem for record in records for problem in record.problems)
    parts = tuple(zip(records, weights, strict=True))
    return RegisterRecord(frame, problems, tuple(flags), 1.0, records[0].changes, parts)


def _at_times(
    good: list[pd.DataFrame], times: list[np.ndarray], weights: Sequence[int], base: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Combined volume, where a register was not read, and where a read is an estimate."""
    total = np.zeros(len(base))
    between, estimated = np.zeros(len(base), dtype=bool), np.zeros(len(base), dtype=bool)
    at = (base - base[0]) / np.timedelta64(1, "s")
    for frame, time, weight in zip(good, times, weights, strict=True):
        seconds = (time - base[0]) / np.timedelta64(1, "s")
        volume = np.interp(at, seconds, frame["volume_m3"].to_numpy())
        total += weight * (volume - volume[0])
        between |= ~np.isin(base, time)
        estimated |= np.isin(base, time[(frame["status"] == "estimated").to_numpy()])
    return total, between, estimated


def _flags(base: np.ndarray, total: np.ndarray, between: np.ndarray, findings: Findings) -> None:
    if between.any():
        findings.flag(
            "registers read at different times",
            f"{int(between.sum())} of {len(base)} combined reads of {findings.file} lie on a "
            "straight line between reads of one register",
            reads=int(between.sum()),
        )
    fall = np.flatnonzero(np.diff(total) < 0)
    if len(fall):
        findings.flag(
            "more taken off than supplied",
            f"{findings.file}: in {len(fall)} intervals, first before "
            f"{spoken.day(base[fall[0] + 1])}, more is taken off than was supplied",
            intervals=len(fall),
            first=str(pd.Timestamp(base[fall[0] + 1])),
        )
