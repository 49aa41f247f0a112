"""Readings taken by hand with a ruler or staff: time, reading, remark."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.records.clock.moments import read_moments
from sewer_audit.records.clock.steps import find_intervals
from sewer_audit.records.clock.zones import utc_values, zone_of
from sewer_audit.records.files.headings import check_heading
from sewer_audit.records.files.numbers import parse_float
from sewer_audit.records.files.tables import column_place, table_of
from sewer_audit.records.model import Findings, HandRecord, LoggerRecord, Table
from sewer_audit.units import to_si

FEW = 30
"""Fewer readings than this are called few [-]: the mean of a daily pattern is hardly caught."""


def read_hand_readings(
    path: str | Path | Sequence[str | Path],
    *,
    zone: str,
    unit: str,
    role: str = "head",
    columns: Mapping[str, str] | None = None,
    day_first: bool | None = None,
    decimal: str | None = None,
    sheet: str | None = None,
    shown_as: str | Sequence[str] | None = None,
    because: str = "",
) -> HandRecord:
    """Read a table of hand readings, or several of one record.

    Parameters
    ----------
    path : str, Path or sequence of them
        CSV or XLSX files with the columns time, reading and, if kept, remark [-].
    zone : str
        Time zone of the stamps, IANA name or fixed offset [text].
    columns : mapping of str to str, optional
        Our column name (time, reading, remark) to the file's [text].
    shown_as : str or sequence of str, optional
        Names of the files in messages [text].
    because : str
        How it is known that another unit, which the file itself names, is wrong [text].

    Raises
    ------
    InputRefused
        With every problem of the file.
    """
    paths = [path] if isinstance(path, (str, Path)) else list(path)
    shown = [shown_as] if isinstance(shown_as, str) else list(shown_as or [])
    names = [*shown, *(Path(one).name for one in paths[len(shown) :])]
    findings, parts = Findings(names[0]), []
    name = {key: (columns or {}).get(key, key) for key in ("time", "reading", "remark")}
    expected = [name["time"], name["reading"]]
    for one, file in zip(paths, names, strict=True):
        findings.file = file
        table = table_of(one, findings, sheet=sheet, expected=expected, decimal=decimal)
        at = column_place(table, name["reading"], findings)
        check_heading(table, at, unit, "length", because, findings)
        findings.raise_if_refused()
        facts = {"zone": zone_of(zone), "day_first": day_first}
        parts.append(_frame(table, name, facts, findings))
    findings.file = ", ".join(dict.fromkeys(names))
    findings.raise_if_refused()
    frame = pd.concat(parts, ignore_index=True) if len(parts) > 1 else parts[0]
    frame["reading"] = to_si(frame["reading"].to_numpy(), unit, "length")
    return _checked(frame, role, name["time"], findings)


def _frame(
    table: Table, name: Mapping[str, str], facts: dict[str, Any], findings: Findings
) -> pd.DataFrame:
    at = [column_place(table, name[key], findings) or 0 for key in ("time", "reading")]
    remark = column_place(table, name["remark"], Findings(""))
    texts = [row[at[0]] for row in table.rows]
    moments = read_moments(texts, table.lines, findings=findings, column=name["time"], **facts)
    for line, dated in zip(table.lines, moments.dated_only, strict=True):
        if dated:
            findings.add(
                "a hand reading needs its time of day",
                "Write it as 2026-01-31 08:00",
                line=line,
                column=name["time"],
                code="time",
            )
    readings = [float("nan")] * len(table.rows)
    for place, (row, line) in enumerate(zip(table.rows, table.lines, strict=True)):
        try:
            readings[place] = parse_float(row[at[1]], table.decimal)
        except ValueError as error:
            findings.add(
                str(error),
                "Write a plain number, or remove the row",
                line=line,
                column=name["reading"],
                code="number",
            )
    remarks = [row[remark].strip() if remark is not None else "" for row in table.rows]
    return pd.DataFrame(
        {
            "time": moments.time,
            "reading": readings,
            "remark": pd.Series(remarks, dtype="str"),
            "line": table.lines,
        }
    )


def _checked(frame: pd.DataFrame, role: str, column: str, findings: Findings) -> HandRecord:
    frame = frame.sort_values("time", kind="stable", ignore_index=True)
    for place in np.flatnonzero(frame["time"].duplicated()):
        findings.add(
            f"two readings at {spoken.moment(frame['time'].iloc[place])}",
            "Keep one, or write the times apart",
            line=int(frame["line"].iloc[place]),
            column=column,
            code="same time",
        )
    findings.raise_if_refused()
    if len(frame) < FEW:
        hours = len({spoken.hour(time) for time in frame["time"]})
        findings.flag(
            "few hand readings",
            f"{len(frame)} hand readings in {hours} different hours of the day: they say "
            "little about the mean of a flow that changes over the day",
            readings=len(frame),
            hours=int(hours),
        )
    return HandRecord(frame, findings.summary(), tuple(findings.flags), role)


def as_logger(record: HandRecord) -> LoggerRecord:
    """Hand readings in the shape of a logger record, so that every later step takes them.

    Parameters
    ----------
    record : HandRecord
        Hand readings [m].
    """
    frame = pd.DataFrame({"time": record.frame["time"], record.role: record.frame["reading"]})
    frame["status"] = pd.Categorical(["measured"] * len(frame), categories=["measured", "rejected"])
    frame["reason"] = pd.Categorical([""] * len(frame), categories=[""])
    intervals = find_intervals(utc_values(frame["time"]), "UTC", None, None, Findings(""))
    counts = {
        "rows in files": len(frame),
        "rows set aside": 0,
        "identical rows merged": 0,
        "readings": len(frame),
        "measured": len(frame),
        "rejected": 0,
    }
    kept = pd.DataFrame({name: [] for name in ("file", "line", "time", "text", "reason")})
    return LoggerRecord(
        frame, record.problems, record.flags, counts, intervals.step, intervals.gaps, kept, "UTC"
    )
