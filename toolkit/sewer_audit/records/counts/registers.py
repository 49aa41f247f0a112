"""Reads of a meter's register: from counts on a dial to volume since the first read."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.records.bills.invoices import READ_TYPES
from sewer_audit.records.clock.moments import read_moments
from sewer_audit.records.clock.stamps import joined_stamps, parse_stamps
from sewer_audit.records.clock.zones import zone_of
from sewer_audit.records.counts.checks import check_register
from sewer_audit.records.counts.steps import meter_changes, resolve_steps
from sewer_audit.records.files.cells import tell_odd_minus
from sewer_audit.records.files.dialect import match_name
from sewer_audit.records.files.headings import check_heading
from sewer_audit.records.files.numbers import is_missing, parse_float
from sewer_audit.records.files.tables import clock_columns, column_place, table_of
from sewer_audit.records.model import Findings, RegisterRecord, Table
from sewer_audit.units import to_si

__all__ = ["read_register"]

OPTIONAL = ("read_type", "meter", "event", "multiplier")


@dataclass(frozen=True)
class Dial:
    """What one register counts in."""

    count_m3: float
    digits: int | None


def read_register(
    path: str | Path | Sequence[str | Path],
    *,
    zone: str,
    unit: str,
    multiplier: float = 1.0,
    digits: int | None = None,
    columns: Mapping[str, str] | None = None,
    day_first: bool | None = None,
    decimal: str | None = None,
    read_hour: str = "00:00",
    sheet: str | None = None,
    shown_as: str | Sequence[str] | None = None,
    until: pd.Timestamp | None = None,
    because: str = "",
) -> RegisterRecord:
    """Read the register of a supply, well or deduct meter.

    Parameters
    ----------
    path : str, Path or sequence of them
        CSV or XLSX file, or several of one meter [-].
    zone : str
        Time zone of the stamps, IANA name or fixed offset [text].
    unit : str
        Unit of the register, such as "gal" [text].
    multiplier : float
        Units one count stands for; a column `multiplier` in the file overrides it row by row,
        for counts from that read on [-].
    digits : int, optional
        Digits of the register, so that a roll-over is recognised [-].
    columns : mapping of str to str, optional
        Our column name (time, date, register, read_type, meter, event, multiplier) to the
        file's [text].
    day_first : bool, optional
        Order of dates such as 03/04/2026 [-].
    decimal : str, optional
        Decimal mark, "." or "," [text].
    read_hour : str
        Local time of reads where only a date is written [text].
    sheet : str, optional
        Sheet of a workbook [text].
    shown_as : str or sequence of str, optional
        Names of the files in messages [text].
    until : Timestamp, optional
        Reads after it are left out before any read is judged by those beside it [UTC].
    because : str
        How it is known that another unit, which the file itself names, is wrong [text].

    Returns
    -------
    RegisterRecord
        Reads in order of time and cumulative volume since the first [m3].

    Raises
    ------
    InputRefused
        With every problem: unreadable stamps or counts, times that go backwards, a register that
        falls without digits that would explain it.
    """
    paths = [path] if isinstance(path, (str, Path)) else list(path)
    shown = [shown_as] if isinstance(shown_as, str) else list(shown_as or [])
    names = [*shown, *(Path(p).name for p in paths[len(shown) :])]
    findings = Findings(", ".join(dict.fromkeys(names)))
    dial = Dial(float(to_si(multiplier, unit, "volume")), digits)
    parts = []
    for one, name in zip(paths, names, strict=True):
        findings.file = name
        table = table_of(
            one,
            findings,
            sheet=sheet,
            expected=[(columns or {}).get(n, n) for n in ("time", "register")],
            decimal=decimal,
        )
        findings.raise_if_refused()
        at = match_name((columns or {}).get("register", "register"), table.header)
        check_heading(table, at, unit, "volume", because, findings, multiplier)
        facts: dict[str, Any] = {"zone": zone_of(zone), "day_first": day_first}
        parts.append(
            _part(table, columns or {}, multiplier, facts | {"read_hour": read_hour}, findings)
        )
    findings.raise_if_refused()
    frame = _join(parts, findings)
    if until is not None:
        frame = frame[frame["time"] <= until].reset_index(drop=True)
    unit_m3 = float(to_si(1.0, unit, "volume"))
    frame = resolve_steps(frame, unit_m3, dial.digits, findings)
    findings.raise_if_refused()
    check_register(frame, findings)
    shown_columns = ["time", "register", "read_type", "volume_m3", "status", "reason", "line"]
    return RegisterRecord(
        frame[shown_columns],
        findings.summary(),
        tuple(findings.flags),
        dial.count_m3,
        meter_changes(frame, unit_m3),
        dated=frozenset(frame.loc[frame["dated"], "time"]),
    )


def _part(
    table: Table,
    columns: Mapping[str, str],
    multiplier: float,
    facts: dict[str, Any],
    findings: Findings,
) -> pd.DataFrame:
    name = {key: columns.get(key, key) for key in ("time", "register", *OPTIONAL)}
    if "date" in columns:
        name["date"] = columns["date"]
        column_place(table, name["date"], findings)
    silent = Findings(findings.file)
    at = {key: column_place(table, name[key], silent) for key in name}

    def cells(key: str) -> list[str]:
        place = at[key]
        return ["" if place is None else row[place].strip() for row in table.rows]

    stamps = cells("time")
    if "date" in name:
        stamps = joined_stamps(cells("date"), stamps)
    elif days := _forgotten_date(table, at["time"], set(at.values())):
        findings.add(
            f"the column holds times of day, and column {days!r} holds the dates",
            f"Write columns = {{ date = {days!r}, time = {name['time']!r} }}",
            line=table.header_line,
            column=name["time"],
            code="column",
        )
        findings.raise_if_refused()
    table, stamps = _without_remarks(table, stamps, [at["register"], at["event"]], findings)
    moments = read_moments(stamps, table.lines, column=name["time"], findings=findings, **facts)
    if len(moments.dated_only) and moments.dated_only.all():
        _forgotten_clock(
            table, {place for place in at.values() if place is not None}, name, findings
        )
    frame = pd.DataFrame(
        {
            "time": moments.time,
            "register": _numbers(cells("register"), table, name["register"], findings),
            "read_type": [
                _kind(word, line, name, findings)
                for word, line in zip(cells("read_type"), table.lines, strict=True)
            ],
            "meter": pd.Series(cells("meter"), dtype="str"),
            "event": pd.Series([word.lower() for word in cells("event")], dtype="str"),
            "multiplier": _numbers(cells("multiplier"), table, name["multiplier"], findings),
            "line": table.lines,
            "dated": moments.dated_only,
        }
    )
    frame["multiplier"] = frame["multiplier"].ffill().fillna(multiplier)
    return _increasing(frame, name["time"], findings)


def _without_remarks(
    table: Table, stamps: list[str], values: Sequence[int | None], findings: Findings
) -> tuple[Table, list[str]]:
    """Leave out rows that hold words where the date is due, and nothing in the register: told."""

    def remark(row: list[str], stamp: str) -> bool:
        blank = not any(place is not None and row[place].strip() for place in values)
        return blank and bool(stamp) and not re.search(r"\d", stamp)

    words = [remark(row, stamp) for row, stamp in zip(table.rows, stamps, strict=True)]
    if not any(words):
        return table, stamps
    found = [line for line, word in zip(table.lines, words, strict=True) if word]
    findings.flag(
        "remarks between reads",
        f"{len(found)} rows of {findings.file} hold words in place of a date and no count; they "
        f"are no reads (line{'s' * (len(found) > 1)} {', '.join(map(str, found[:10]))})",
        rows=len(found),
    )
    keep = [place for place, word in enumerate(words) if not word]
    rows, lines = [table.rows[place] for place in keep], [table.lines[place] for place in keep]
    return replace(table, rows=rows, lines=lines), [stamps[place] for place in keep]


def _forgotten_date(table: Table, time: int | None, named: set[int | None]) -> str:
    """A column of dates beside one that holds times of day alone, or ""."""
    if time is None or table.header[time] not in clock_columns(table, set()):
        return ""
    for place, column in enumerate(table.header):
        cells = [row[place].strip() for row in table.rows if row[place].strip()]
        dated = column and place not in named and cells
        if dated and any(not parse_stamps(cells, way).faults for way in (True, False)):
            return column
    return ""


def _forgotten_clock(
    table: Table, named: set[int], name: Mapping[str, str], findings: Findings
) -> None:
    """Refuse reads of which only the date is read while a column of the file holds the time."""
    for column in clock_columns(table, named):
        findings.add(
            f"only the date of the reads is named, and column {column!r} holds times of day",
            f"Write columns = {{ date = {name['time']!r}, time = {column!r} }}",
            line=table.header_line,
            column=name["time"],
            code="column",
        )


def _kind(word: str, line: int, name: Mapping[str, str], findings: Findings) -> str:
    kind = READ_TYPES.get(word.lower())
    if kind is None:
        findings.add(
            f"{word!r} is no kind of read",
            "Write actual or estimated",
            line=line,
            column=name["read_type"],
            code="read type",
        )
    return kind or "actual"


def _numbers(cells: Sequence[str], table: Table, column: str, findings: Findings) -> list[float]:
    values = []
    for text, line in zip(cells, table.lines, strict=True):
        value = float("nan")
        if not is_missing(text):
            try:
                value = parse_float(text, table.decimal)
            except ValueError as error:
                findings.add(
                    str(error), "Write a plain number", line=line, column=column, code="number"
                )
        values.append(value)
    known = zip(cells, table.lines, values, strict=True)
    tell_odd_minus([(text, line) for text, line, value in known if value < 0], column, findings)
    return values


def _increasing(frame: pd.DataFrame, column: str, findings: Findings) -> pd.DataFrame:
    time = frame["time"]
    seconds = (time.diff() / pd.Timedelta(seconds=1)).to_numpy()
    known = seconds[np.isfinite(seconds)]
    if len(known) and (known <= 0).all() and (known < 0).any():
        findings.flag("newest first", "the reads stand newest first and were turned round")
        return frame.iloc[::-1].reset_index(drop=True)
    for place in np.flatnonzero(seconds < 0):
        findings.add(
            f"the time goes back from {spoken.moment(time.iloc[place - 1])} to "
            f"{spoken.moment(time.iloc[place])}",
            "Correct the date, or sort the reads by time",
            line=int(frame["line"].iloc[place]),
            column=column,
            code="time order",
        )
    return frame


def _join(parts: list[pd.DataFrame], findings: Findings) -> pd.DataFrame:
    frame = pd.concat(parts, ignore_index=True) if len(parts) > 1 else parts[0]
    if len(parts) > 1:
        frame = frame.sort_values("time", kind="stable", ignore_index=True)
    facts = ["time", "register", "meter", "event"]
    same = (frame.duplicated(subset=facts) & frame["register"].notna()).to_numpy()
    if same.any():
        findings.flag(
            "identical rows merged",
            f"{int(same.sum())} identical reads were read once",
            rows=int(same.sum()),
        )
        frame = frame[~same].reset_index(drop=True)
    return frame
