"""The clock of one export: stamps in one or several columns, its order, its hands and its zone."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.records.clock.corrections import corrected
from sewer_audit.records.clock.stamps import Clock, joined_stamps, parse_stamps
from sewer_audit.records.clock.zones import to_utc, zone_of
from sewer_audit.records.files.exports import Export
from sewer_audit.records.model import ClockCorrection, Findings

PARTS = ("year", "month", "day", "hour", "minute", "second")
_OFFSET = re.compile(r"\b(?:UTC|GMT)(?:\s*([+-])\s*(\d{1,2})(?::?(\d{2}))?)?\b")
_DAY = np.timedelta64(86_400_000_000, "us")


@dataclass(frozen=True)
class TimeSource:
    """Where the stamps of an export stand and what its clock followed.

    day_first: Order of dates such as 03/04/2026. offsets: Word of that column to fixed offset,
    such as EST to UTC-05:00.
    """

    columns: tuple[str, ...]
    zone: str
    day_first: bool | None = None
    zone_column: str | None = None
    offsets: Mapping[str, str] | None = None
    utc_column: str | None = None
    corrections: Sequence[ClockCorrection] = ()
    missing_hour: str = "refuse"
    back_steps: str = "refuse"
    form: str = "text"

    @property
    def text_columns(self) -> list[str]:
        """Every column that must be read as text."""
        extra = (self.zone_column, self.utc_column)
        return [*self.columns, *(name for name in extra if name is not None)]


@dataclass(frozen=True)
class Times:
    """Instants of the rows of one export, in the order of time of recording.

    Units: time [UTC].
    """

    order: np.ndarray
    time: np.ndarray
    rejected: dict[str, np.ndarray]


def read_times(export: Export, source: TimeSource, findings: Findings) -> Times:
    """Instants of the rows of an export.

    Units: returns [UTC].
    """
    clock = _clock(export, source)
    keep = _data_rows(export, source, clock, findings)
    findings.raise_if_refused()
    naive = clock.naive[keep]
    if clock.dated_only[keep].all() and len(naive) > 2 * len(np.unique(naive)):
        findings.add(
            "the stamps hold a date and no time of day, and several rows have the same date",
            "Name the column of the time as well: date = 'Day' and time = 'Clock' under columns",
            column=source.columns[0],
            code="column",
        )
        findings.raise_if_refused()
    order = keep
    if _newest_first(naive):
        naive, order = naive[::-1].copy(), keep[::-1]
        findings.flag("newest first", "the rows stand newest first and were turned round")
    if clock.end_of_day:
        findings.flag(
            "24:00 stamps",
            f"{clock.end_of_day} stamps written as 24:00 are read as 00:00 of the next day",
            rows=clock.end_of_day,
        )
    naive = _midnights(naive, findings)
    naive = corrected(naive, source.corrections, source.day_first, findings)
    offset = _offsets(export, source, clock, order, findings)
    if offset is not None:
        moved = naive - (np.nan_to_num(offset) * 1e6).astype("timedelta64[us]")
        rejected: dict[str, np.ndarray] = {}
        time = moved
    else:
        time, rejected = _localised(naive, export, order, source, findings)
    _compare_header(source, naive - time, export, findings)
    _compare_utc(export, source, order, time, findings)
    _back_steps(time, export, order, source, rejected, findings)
    _sign_of_zone(source.zone, findings)
    if len(source.columns) > 1:
        findings.flag(
            "date in several columns",
            f"each stamp is put together from {len(source.columns)} columns",
            columns=len(source.columns),
        )
    return Times(order, time, rejected)


def _sign_of_zone(zone: str, findings: Findings) -> None:
    """Zones named Etc/GMT-6 lie east of Greenwich, against what their sign suggests."""
    match = re.fullmatch(r"Etc/GMT([+-])(\d+)", zone)
    if match:
        side = "west" if match[1] == "+" else "east"
        findings.flag(
            "sign of the zone",
            f"{zone} lies {match[2]} h {side} of Greenwich: its sign runs against the usual one",
        )


COUNTED = {
    "epoch seconds": (pd.Timestamp("1970-01-01"), 1.0, "Z"),
    "epoch milliseconds": (pd.Timestamp("1970-01-01"), 1e-3, "Z"),
    "day numbers": (pd.Timestamp("1899-12-30"), 86_400.0, ""),
}
"""Form of stamps that are numbers: what they count from, in what [s], and the zone of that."""


def _written_out(column: pd.Series, form: str) -> pd.Series:
    """Stamps that are numbers as dates, to the second; what is no number stays as it is."""
    if form == "text":
        return column
    start, unit, zone = COUNTED[form]
    numbers = pd.to_numeric(column.str.strip().str.replace(",", "."), errors="coerce")
    known = numbers.notna() & (numbers * unit).between(0, 4.2e9)
    seconds = (numbers[known].astype("float64") * unit).round().astype("int64")
    moments = start + pd.to_timedelta(seconds, unit="s")
    return column.where(~known, moments.dt.strftime("%Y-%m-%dT%H:%M:%S").add(zone))


def _clock(export: Export, source: TimeSource) -> Clock:
    columns = [export.columns[name].fillna("").astype("str") for name in source.columns]
    if len(columns) == 1:
        return parse_stamps(_written_out(columns[0], source.form), source.day_first)
    if len(columns) == 2:
        return parse_stamps(joined_stamps(*columns), source.day_first)
    parts = dict(zip(_part_names(source.columns), columns, strict=True))
    text = parts["year"].str.strip()
    for name, sign in zip(PARTS[1:], "-- ::", strict=True):
        if name in parts:
            text = text + sign + parts[name].str.strip().str.zfill(2)
        elif name == "minute":
            text = text + ":00"
    return parse_stamps(text, source.day_first)


def _part_names(columns: Sequence[str]) -> list[str]:
    """Which part of a date each column holds, by its name."""
    found = []
    for name in columns:
        low = re.sub(r"[^a-z]", "", name.lower())
        starts = {"yr": "year", "mo": "month", "mi": "minute", "d": "day", "h": "hour"}
        starts |= {"y": "year", "s": "second"}
        match = next((part for part in PARTS if part in low), None)
        match = match or next((part for key, part in starts.items() if low.startswith(key)), None)
        found.append(match or name)
    return found


def _data_rows(export: Export, source: TimeSource, clock: Clock, findings: Findings) -> np.ndarray:
    """Rows with a stamp; lines that are no data are counted, unreadable stamps are noted."""
    keep = np.ones(len(clock.naive), dtype=bool)
    names = {name.strip().casefold() for name in source.columns}
    for row, found, remedy in clock.faults:
        texts = [str(export.columns[name].iloc[row]).strip() for name in source.columns]
        whole = any(
            str(export.cell(name, row)).strip() for name in export.columns if name not in names
        )
        if texts[0].startswith("#") or {text.casefold() for text in texts} == names:
            keep[row] = False
            export.other_lines += 1
        elif not any(texts) and not whole:
            keep[row] = False
            export.other_lines += 1
        else:
            findings.add(
                found,
                remedy,
                line=int(export.lines[row]),
                column=source.columns[0],
                code="time",
            )
    return np.flatnonzero(keep)


def _newest_first(naive: np.ndarray) -> bool:
    steps = np.diff(naive)
    zero = np.timedelta64(0, "us")
    return len(steps) > 0 and (steps < zero).sum() > 0.9 * len(steps) > 10 * (steps > zero).sum()


def _midnights(naive: np.ndarray, findings: Findings) -> np.ndarray:
    """00:00 written with the date of the day that ends: between two later stamps of that day."""
    if len(naive) < 3:
        return naive
    day = naive.astype("datetime64[D]")
    at_midnight = naive[1:-1] == day[1:-1]
    back = naive[1:-1] < naive[:-2]
    next_day = day[2:] == day[:-2] + np.timedelta64(1, "D")
    wrong = np.flatnonzero(at_midnight & back & (day[1:-1] == day[:-2]) & next_day) + 1
    if len(wrong):
        naive = naive.copy()
        naive[wrong] += _DAY
        findings.flag(
            "midnight with the old date",
            f"{len(wrong)} stamps of 00:00 carry the date of the day that ends and are read as the "
            "next day's",
            rows=len(wrong),
        )
    return naive


def _offsets(
    export: Export, source: TimeSource, clock: Clock, order: np.ndarray, findings: Findings
) -> np.ndarray | None:
    """Offsets from UTC that the file states itself, row by row, or None."""
    if source.zone_column is not None:
        words = export.columns[source.zone_column].fillna("").str.strip().to_numpy()[order]
        table = {word: _seconds(zone_of(name)) for word, name in (source.offsets or {}).items()}
        offset = np.array([table.get(word, np.nan) for word in words])
        for row in np.flatnonzero(np.isnan(offset)):
            findings.add(
                f"{words[row]!r} is no zone the case states an offset for",
                "State it, for example EST = 'UTC-05:00'",
                line=int(export.lines[order[row]]),
                column=source.zone_column,
                code="time zone",
            )
        return offset
    if clock.offset is None:
        return None
    offset = clock.offset[order]
    for row in np.flatnonzero(np.isnan(offset)):
        findings.add(
            "the stamp has no offset from UTC, its neighbours have one",
            "Write every stamp of the file in the same way",
            line=int(export.lines[order[row]]),
            column=source.columns[0],
            code="time zone",
        )
    return offset


def _seconds(zone: dt.tzinfo) -> float:
    shift = zone.utcoffset(dt.datetime(2026, 1, 1))
    return shift.total_seconds() if shift is not None else 0.0


def _localised(
    naive: np.ndarray, export: Export, order: np.ndarray, source: TimeSource, findings: Findings
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    instants = to_utc(naive, zone_of(source.zone))
    time = instants.time.tz_localize(None).to_numpy().astype("datetime64[us]")
    rejected: dict[str, np.ndarray] = {}
    if instants.repeated:
        findings.flag(
            "repeated hour",
            f"{instants.repeated} stamps lie in the hour that autumn repeats; the order of the "
            "rows tells the first pass from the second",
            rows=instants.repeated,
        )
    if instants.unsettled.any():
        rejected["repeated hour not settled"] = instants.unsettled
    for start in instants.single_pass:
        findings.flag(
            "repeated hour once",
            f"the hour from {start:%Y-%m-%d %H:%M} that autumn repeats stands only once and joins "
            "both neighbours: either an hour is lost, or the logger's clock kept standard time and "
            f"its zone is not {source.zone}",
            start=str(start),
        )
    missing = instants.missing_hour
    if missing.any():
        _missing_hour(naive, time, missing, export, order, source, rejected, findings)
    return time, rejected


def _missing_hour(naive, time, missing, export, order, source, rejected, findings) -> None:
    rows = np.flatnonzero(missing)
    if source.missing_hour == "reject":
        before = pd.DatetimeIndex(naive[rows] - np.timedelta64(3_600_000_000, "us"))
        earlier = before.tz_localize(source.zone, ambiguous=True, nonexistent="shift_backward")
        utc = earlier.tz_convert("UTC").tz_localize(None) + pd.Timedelta(hours=1)
        time[rows] = utc.to_numpy().astype("datetime64[us]")
        rejected["hour missing from the local clock"] = missing
        return
    findings.add(
        f"{len(rows)} stamps from {pd.Timestamp(naive[rows[0]])} lie in the hour that summer time "
        f"leaves out in {source.zone}: the logger's clock did not follow that zone",
        "State the fixed offset the logger kept, such as time_zone = 'UTC-06:00'; if the clock was "
        "put forward by hand later, state a clock correction for the stamps before",
        line=int(export.lines[order[rows[0]]]),
        column=source.columns[0],
        code="missing hour",
    )
    time[rows] = np.datetime64("NaT", "us")


def _compare_header(
    source: TimeSource, used: np.ndarray, export: Export, findings: Findings
) -> None:
    """Where the name of a time column states an offset, the case should read it by that offset."""
    for name in source.columns:
        match = _OFFSET.search(name)
        if match is None:
            continue
        minutes = int(match[2] or 0) * 60 + int(match[3] or 0)
        named = np.timedelta64(-minutes if match[1] == "-" else minutes, "m")
        offset = f"UTC{match[1] or '+'}{minutes // 60:02d}:{minutes % 60:02d}"
        other = ~np.isnat(used) & (used != named)
        if other.any():
            findings.warn(
                f"the header names {match[0]!r}, the case reads {int(other.sum())} of {len(used)} "
                f"stamps as {source.zone} with another offset",
                f"State time_zone = {offset!r} if the header is right",
                column=name,
                code="time zone",
            )


def _compare_utc(export, source: TimeSource, order, time, findings: Findings) -> None:
    if source.utc_column is None:
        return
    other = parse_stamps(export.columns[source.utc_column].fillna(""), source.day_first)
    utc = other.naive[order]
    apart = np.abs((time - utc) / np.timedelta64(1, "s"))
    known = ~np.isnat(utc)
    wrong = known & (apart > 1.0)
    findings.flag(
        "two time columns compared",
        f"the local and the UTC column disagree in {int(wrong.sum())} of {int(known.sum())} rows"
        + (f", by up to {apart[wrong].max():.0f} s; the local one is used" if wrong.any() else ""),
        rows=int(wrong.sum()),
        largest_s=float(apart[wrong].max()) if wrong.any() else 0.0,
    )


def _back_steps(time, export, order, source: TimeSource, rejected, findings: Findings) -> None:
    doubtful = np.any(list(rejected.values()), axis=0) if rejected else np.zeros(len(time), bool)
    sure = np.flatnonzero(~doubtful & ~np.isnat(time))
    steps = np.diff(time[sure])
    back = np.flatnonzero(steps < np.timedelta64(0, "us")) + 1
    if not len(back):
        return
    if source.back_steps == "reject":
        again = np.zeros(len(time), dtype=bool)
        again[sure] = time[sure] < np.maximum.accumulate(time[sure])
        rejected["clock set back"] = again
    if source.back_steps != "refuse":
        doing = "the rows were sorted by time"
        if source.back_steps == "reject":
            doing = "the readings of the repeated stretch are rejected"
        findings.flag(
            "time goes back",
            f"the time goes back {len(back)} times, first at "
            f"{spoken.moment(time[sure[back[0]]])}; {doing}",
            places=len(back),
        )
        return
    for place in back:
        row = sure[place]
        seconds = abs(steps[place - 1] / np.timedelta64(1, "s"))
        findings.add(
            f"the time goes back by {seconds:.0f} s to {spoken.moment(time[row])}",
            "If the clock was set back, state a clock correction or back_steps = 'reject'; if the "
            "rows are only out of order, back_steps = 'sort'",
            line=int(export.lines[order[row]]),
            column=source.columns[0],
            code="time order",
        )
