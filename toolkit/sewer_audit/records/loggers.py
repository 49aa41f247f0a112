"""Exports of a logger to one record in SI and UTC, every reading with a status."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from sewer_audit.errors import InputRefused
from sewer_audit.records.assemble import Choices, assemble
from sewer_audit.records.clock.zones import zone_of
from sewer_audit.records.files.cells import Values, read_values
from sewer_audit.records.files.exports import Export, read_export
from sewer_audit.records.files.numbers import Marks
from sewer_audit.records.files.shapes import Shape
from sewer_audit.records.logger_clock import TimeSource, read_times
from sewer_audit.records.merge import Rows, spread_repeated
from sewer_audit.records.model import (
    DOUBTFUL,
    ROLES,
    ClockCorrection,
    ColumnSpec,
    Findings,
    LoggerRecord,
)
from sewer_audit.records.rules.plausible import ask_marks
from sewer_audit.records.rules.status import Status, tell_unnamed
from sewer_audit.units import to_si

MAY_BE_MISSING = frozenset({"air_temperature", "humidity", "rain", "totaliser"})
"""Roles whose missing value does not reject the reading."""
STAMPS = ("instant", "interval start", "interval end")


@dataclass(frozen=True)
class Plan:
    """How the exports of one record are read."""

    source: TimeSource
    event: str | None
    required: frozenset[str]
    marks: Marks
    sheet: str | None
    decimal: str | None
    status: Status | None = None
    shape: Shape | None = None
    labels: Sequence[str] = ()
    stamp: str = "instant"


def read_logger(
    paths: str | Path | Sequence[str | Path],
    *,
    zone: str,
    columns: Mapping[str, ColumnSpec] | Sequence[Mapping[str, ColumnSpec]],
    time: str | Sequence[str] = "time",
    date: str | None = None,
    event: str | None = None,
    day_first: bool | None = None,
    decimal: str | None = None,
    sheet: str | None = None,
    shown_as: Sequence[str] | str | None = None,
    stamp: str = "instant",
    missing_marks: Sequence[str] = (),
    not_missing: Sequence[str] = (),
    required: Sequence[str] | None = None,
    conflicts: str = "reject",
    back_steps: str = "refuse",
    missing_hour: str = "refuse",
    corrections: Sequence[ClockCorrection] = (),
    zone_column: str | None = None,
    offsets: Mapping[str, str] | None = None,
    utc_column: str | None = None,
    site_zone: str | None = None,
    round_to: float | None = None,
    status: Status | None = None,
    time_form: str = "text",
    shape: Shape | None = None,
) -> LoggerRecord:
    """Read one record from one or more exports of a logger.

    Parameters
    ----------
    paths : str, Path or sequence of them
        CSV or XLSX files of one record, in any order, overlapping or not [-].
    zone : str
        Zone the logger's clock followed, IANA name or fixed offset such as "UTC-06:00" [text].
    columns : mapping of str to ColumnSpec, or one mapping per file
        Role to column name and unit; roles are those of ROLES [text].
    time : str or sequence of str
        Column of stamps, or one column per part (year, month, day, hour, minute, second); names
        joined by " + " are taken apart [text].
    date : str, optional
        Column of the date where `time` holds the time of day only [text].
    event : str, optional
        Column of event words; rows that have one and no reading are set aside [text].
    day_first : bool, optional
        Order of dates such as 03/04/2026; refused where they occur and this is not stated [-].
    decimal : str, optional
        Decimal mark, "." or ","; told from the numbers if not given [text].
    shown_as : str or sequence of str, optional
        Names of the files in messages [text].
    stamp : str
        What a stamp marks: "instant", "interval start" or "interval end"; readings of intervals
        are moved to the middle of theirs [text].
    missing_marks : sequence of str
        Words or numbers, besides the usual ones, that mark a missing value [text].
    not_missing : sequence of str
        Numbers that look like such marks and are readings [text].
    required : sequence of str, optional
        Roles without which a row is no reading; all but air temperature, rain and totaliser if not
        given [text].
    conflicts : str
        Rows of one time with different values: "reject" them, or keep the "first" or "last" [text].
    back_steps : str
        Where time goes back: "refuse", "sort" the rows, or "reject" the repeated stretch [text].
    missing_hour : str
        Stamps in the hour that spring leaves out: "refuse" or "reject" [text].
    corrections : sequence of ClockCorrection
        Stretches of stamps known to be wrong [-].
    time_form : str
        "text", or what stamps that are numbers count: "epoch seconds", "epoch milliseconds" (both
        UTC), "day numbers" of a spreadsheet (local clock) [text].
    zone_column : str, optional
        Column that names the zone row by row, such as EST and EDT [text].
    offsets : mapping of str to str, optional
        What its words stand for, such as EST to "UTC-05:00" [text].
    utc_column : str, optional
        Second column of stamps, in UTC, only compared with the first [text].
    site_zone : str, optional
        Zone people at the site live by, where the logger kept another [text].
    round_to : float, optional
        Stamps within a fifth of this of its multiples are moved onto them [s].
    status : Status, optional
        The record's own status column and what its codes mean [-].
    shape : Shape, optional
        How the table lies, where it is not one row for each time; it holds one role [-].

    Raises
    ------
    InputRefused
        With every problem of every file.
    ValueError
        If a role or a choice is not one of those named above.
    """
    files = [paths] if isinstance(paths, (str, Path)) else list(paths)
    names = _names(files, shown_as)
    maps = [columns] * len(files) if isinstance(columns, Mapping) else list(columns)
    _check_choices(maps, stamp, conflicts, back_steps, missing_hour)
    stamps = (date,) if date else ()
    stamps += tuple(time.split(" + ")) if isinstance(time, str) else tuple(time)
    if shape is not None and any(len(mapping) > 1 for mapping in maps):
        raise ValueError("a table of another shape is read for one role at a time")
    source = TimeSource(
        (" + ".join(stamps),) if shape is not None and shape.across else stamps,
        zone,
        day_first,
        zone_column,
        offsets,
        utc_column,
        corrections,
        missing_hour,
        back_steps,
        time_form,
    )
    marks = Marks.of(missing_marks, not_missing)
    wanted = frozenset(required) if required is not None else frozenset(maps[0]) - MAY_BE_MISSING
    wanted = wanted or frozenset(maps[0])
    plan = Plan(
        source,
        event,
        wanted,
        marks,
        sheet,
        decimal,
        status,
        shape,
        stamps,
        stamp,
    )
    findings = Findings(names[0])
    zone_of(zone)
    parts, kept, tally = [], [], {"rows in files": 0, "rows set aside": 0, "other lines": 0}
    for place, (path, name, mapping) in enumerate(zip(files, names, maps, strict=True)):
        findings.file = name
        rows = _one_file(path, place, mapping, plan, findings, kept, tally)
        if rows is not None:
            parts.append(rows)
    findings.raise_if_refused()
    choices = Choices(names, zone, site_zone, stamp, conflicts, round_to)
    return assemble(parts, kept, tally, choices, findings)


def _names(files: Sequence[str | Path], shown_as: Sequence[str] | str | None) -> list[str]:
    shown = [shown_as] if isinstance(shown_as, str) else list(shown_as or [])
    return [*shown, *(Path(path).name for path in files[len(shown) :])]


def _check_choices(
    maps: Sequence[Mapping[str, ColumnSpec]],
    stamp: str,
    conflicts: str,
    back_steps: str,
    missing_hour: str,
) -> None:
    for mapping in maps:
        unknown = sorted(set(mapping) - set(ROLES))
        if unknown or not mapping:
            raise ValueError(f"roles {unknown} are not known; known are {', '.join(ROLES)}")
    for given, known in (
        (stamp, STAMPS),
        (conflicts, ("reject", "first", "last")),
        (back_steps, ("refuse", "sort", "reject")),
        (missing_hour, ("refuse", "reject")),
    ):
        if given not in known:
            raise ValueError(f"{given!r} is none of {', '.join(map(repr, known))}")


def _one_file(
    path: str | Path,
    place: int,
    mapping: Mapping[str, ColumnSpec],
    plan: Plan,
    findings: Findings,
    kept: list[pd.DataFrame],
    tally: dict[str, int],
) -> Rows | None:
    """Rows of one export; what is set aside or has no value goes to `kept` with its text."""
    text_columns = plan.source.text_columns + ([plan.event] if plan.event else [])
    text_columns += [plan.status.column] if plan.status else []
    before = len(findings.problems)
    try:
        export = read_export(
            path,
            findings,
            text_columns=text_columns,
            value_columns=mapping,
            sheet=plan.sheet,
            decimal=plan.decimal,
            missing_words=plan.marks.words,
            shape=plan.shape,
            labels=plan.labels,
            stamp=plan.stamp,
        )
        values = {
            role: read_values(export, spec.name, findings, plan.marks.words, plan.marks.numbers)
            for role, spec in mapping.items()
        }
        times = read_times(export, plan.source, findings)
    except InputRefused:
        if len(findings.problems) == before and not findings.refused:
            raise
        return None  # noted; the other files are looked at before the whole is refused
    order = times.order
    reason, aside = _reasons(values, order, times.rejected, export, plan)
    tally["rows in files"] += len(order)
    tally["rows set aside"] += int(aside.sum())
    tally["other lines"] += export.other_lines
    kept.append(_kept(export, mapping, times.time, order, reason, aside, findings.file))
    if len(order) < 3:
        findings.flag("short file", f"one file holds {len(order)} rows only", rows=len(order))
    for role, spec in mapping.items():
        where = values[role].numbers[order], export.lines[order]
        ask_marks(spec.name, *where, plan.marks.spared, findings)
    si = {
        role: to_si(values[role].numbers[order], spec.unit, ROLES[role])
        for role, spec in mapping.items()
    }
    if plan.status is not None:
        words = export.columns[plan.status.column].fillna("").astype(str).str.strip().to_numpy()
        where = export.lines[order], reason, findings, plan.status.column
        si[DOUBTFUL] = plan.status.apply(words[order], *where)
    else:
        tell_unnamed(export, findings)
    rows = Rows(times.time, si, reason, np.full(len(order), place), export.lines[order])
    return spread_repeated(rows.take(np.flatnonzero(~aside)) if aside.any() else rows, findings)


def _reasons(
    values: Mapping[str, Values],
    order: np.ndarray,
    rejected: Mapping[str, np.ndarray],
    export: Export,
    plan: Plan,
) -> tuple[np.ndarray, np.ndarray]:
    """Why rows are no readings, and which are events between readings."""
    reason = np.full(len(order), "", dtype=object)
    needed = [values[role] for role in values if role in plan.required]
    mark = np.any([column.mark[order] for column in needed], axis=0)
    blank = np.any([column.blank[order] for column in needed], axis=0)
    nothing = np.all([column.blank[order] for column in needed], axis=0)
    reason[mark] = "missing mark"
    reason[blank] = "blank"
    for why, rows in rejected.items():
        reason[rows] = why
    aside = np.zeros(len(order), dtype=bool)
    if plan.event is not None:
        words = export.columns[plan.event].fillna("").str.strip().to_numpy()[order]
        aside = nothing & (words != "")
        reason[aside] = "event"
    return reason, aside


def _kept(
    export: Export,
    mapping: Mapping[str, ColumnSpec],
    time: np.ndarray,
    order: np.ndarray,
    reason: np.ndarray,
    aside: np.ndarray,
    file: str,
) -> pd.DataFrame:
    """Text of every row without a value, so that nothing read is lost."""
    places = np.flatnonzero((reason != "") | aside)
    texts = [
        "; ".join(export.cell(spec.name, int(row)) for spec in mapping.values())
        for row in order[places]
    ]
    return pd.DataFrame(
        {
            "file": pd.Series([file] * len(places), dtype="str"),
            "line": export.lines[order[places]],
            "time": pd.DatetimeIndex(time[places]).tz_localize("UTC").as_unit("us"),
            "text": pd.Series(texts, dtype="str"),
            "reason": pd.Series(list(reason[places]), dtype="str"),
        }
    )
