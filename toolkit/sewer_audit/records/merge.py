"""Several exports to one record: rows that agree are read once, rows that conflict are rejected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sewer_audit.records.model import Findings


@dataclass
class Rows:
    """Rows of one or more exports in SI and UTC.

    Units: time [UTC]; values [SI].
    """

    time: np.ndarray
    values: dict[str, np.ndarray]
    reason: np.ndarray
    file: np.ndarray
    line: np.ndarray

    def take(self, rows: np.ndarray) -> Rows:
        """Some of the rows."""
        values = {role: column[rows] for role, column in self.values.items()}
        return Rows(self.time[rows], values, self.reason[rows], self.file[rows], self.line[rows])


def spread_repeated(rows: Rows, findings: Findings) -> Rows:
    """Rows recorded faster than their stamps resolve are spread evenly between the stamps.

    Units: returns [UTC].
    """
    time = rows.time
    if len(time) < 8:
        return rows
    same = time[1:] == time[:-1]
    if same.mean() < 0.25:
        return rows
    differ = np.zeros(len(time) - 1, dtype=bool)
    for column in rows.values.values():
        differ |= ~((column[1:] == column[:-1]) | (np.isnan(column[1:]) & np.isnan(column[:-1])))
    if (same & differ).sum() < 0.1 * same.sum():
        return rows
    first = np.concatenate([[True], ~same])
    group = np.cumsum(first) - 1
    size = np.bincount(group)
    within = np.arange(len(time)) - np.flatnonzero(first)[group]
    distinct = time[first]
    width = np.median(np.diff(distinct)) / np.timedelta64(1, "us") if len(distinct) > 1 else 0.0
    # a shorter first group started late within its stamp
    late = np.where(group == 0, np.median(size) - size[0], 0).clip(min=0)
    share = (within + late) / np.maximum(size, np.median(size))[group]
    moved = time + (share * width).astype("timedelta64[us]")
    findings.flag(
        "stamps repeat",
        f"{int(same.sum())} of {len(time)} stamps repeat the one before although the readings "
        "differ: the rows are closer than the stamps resolve and were spread evenly",
        rows=int(same.sum()),
    )
    return Rows(moved, rows.values, rows.reason, rows.file, rows.line)


def join_rows(parts: list[Rows]) -> Rows:
    """Rows of all exports in order of time."""
    if len(parts) == 1:
        rows = parts[0]
    else:
        rows = Rows(
            np.concatenate([part.time for part in parts]),
            {
                role: np.concatenate([part.values[role] for part in parts])
                for role in parts[0].values
            },
            np.concatenate([part.reason for part in parts]),
            np.concatenate([part.file for part in parts]),
            np.concatenate([part.line for part in parts]),
        )
    if (np.diff(rows.time) < np.timedelta64(0, "us")).any():
        rows = rows.take(np.argsort(rows.time, kind="stable"))
    return rows


def same_stamps(rows: Rows, conflicts: str, findings: Findings) -> tuple[Rows, int]:
    """Merge rows that agree at one instant; settle those that conflict by the stated rule."""
    rows, twice = _reported_twice(rows, findings)
    same = rows.time[1:] == rows.time[:-1]
    if not same.any():
        return rows, twice
    edge = np.concatenate([[0], np.flatnonzero(~same) + 1, [len(rows.time)]])
    big = np.flatnonzero(np.diff(edge) > 1)
    drop = np.zeros(len(rows.time), dtype=bool)
    reason = rows.reason.copy()
    pairs = {"identical": 0, "identical in other file": 0, "conflict": 0}
    table = np.column_stack(list(rows.values.values()))
    for start, end in zip(edge[big], edge[big + 1], strict=True):
        _one_instant(rows, table, start, end, drop, reason, conflicts, pairs)
    rows = Rows(rows.time, rows.values, reason, rows.file, rows.line)
    if pairs["identical"]:
        findings.flag(
            "identical rows merged",
            f"{pairs['identical']} rows repeat another row at the same time and were read once, "
            f"{pairs['identical in other file']} of them in overlapping files",
            rows=pairs["identical"],
            in_other_file=pairs["identical in other file"],
        )
    if pairs["conflict"]:
        findings.flag(
            "rows conflict",
            f"{pairs['conflict']} rows have the time of another row but other values; "
            + {"reject": "all are rejected"}.get(conflicts, f"the {conflicts} one is kept"),
            rows=pairs["conflict"],
            rule=conflicts,
        )
    return rows.take(np.flatnonzero(~drop)), int(drop.sum()) + twice


def _reported_twice(rows: Rows, findings: Findings) -> tuple[Rows, int]:
    """Leave out rows that repeat the one within two seconds before, where most rows do."""
    if len(rows.time) < 8:
        return rows, 0
    apart = np.diff(rows.time) / np.timedelta64(1, "s")
    again = (apart > 0) & (apart <= 2) & (rows.reason[1:] == rows.reason[:-1])
    if again.all() or again.mean() < 0.3 or np.median(apart[~again]) < 30:
        return rows, 0
    for column in rows.values.values():
        again &= (column[1:] == column[:-1]) | (np.isnan(column[1:]) & np.isnan(column[:-1]))
    count = int(again.sum())
    if again.mean() < 0.3:
        return rows, 0
    findings.flag(
        "identical rows merged",
        f"{count:,} rows repeat the row within two seconds before and were read once",
        rows=count,
        in_other_file=0,
    )
    return rows.take(np.flatnonzero(np.concatenate([[True], ~again]))), count


def _one_instant(rows, table, start, end, drop, reason, conflicts, pairs) -> None:
    kept: list[int] = []
    for row in range(start, end):
        twin = next((k for k in kept if _agree(table[row], table[k], reason[row], reason[k])), None)
        if twin is None:
            kept.append(row)
            continue
        drop[row] = True
        pairs["identical"] += 1
        pairs["identical in other file"] += int(rows.file[row] != rows.file[twin])
    rivals = [row for row in kept if reason[row] == ""]
    if len(rivals) > 1:
        pairs["conflict"] += len(rivals)
        spared = {"first": rivals[0], "last": rivals[-1]}.get(conflicts)
        for row in rivals:
            if row != spared:
                reason[row] = "conflicting rows"


def _agree(one: np.ndarray, other: np.ndarray, why: str, other_why: str) -> bool:
    return why == other_why and bool(((one == other) | (np.isnan(one) & np.isnan(other))).all())
