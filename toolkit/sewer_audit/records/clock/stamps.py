"""Dates and times as written, to local clock readings. Nothing is coerced and nothing guessed."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

_TIME = (
    r"(?P<hour>\d{1,2})[:.h](?P<minute>\d{2})(?:[:.](?P<second>\d{2})(?:[.,](?P<part>\d{1,9}))?)?"
    r"\s*(?P<half>[AaPp]\.?[Mm]\.?)?"
)
_OFFSET = r"(?:\s*(?P<offset>Z|UTC|GMT|(?:UTC|GMT)?[+-]\d{2}:?\d{2}))?"
_DATES = (
    r"(?P<year>\d{4})[-/.](?P<month>\d{1,2})[-/.](?P<day>\d{1,2})",
    r"(?P<first>\d{1,2})[-/.](?P<second_part>\d{1,2})[-/.](?P<year>\d{4}|\d{2})",
    r"(?P<day>\d{1,2})[- ]?(?P<name>[A-Za-z]{3,9})[-, ]*(?P<year>\d{4}|\d{2})",
    r"(?P<name>[A-Za-z]{3,9})\.? (?P<day>\d{1,2}),? (?P<year>\d{4})",
    r"(?P<year>\d{4})(?P<month>\d{2})(?P<day>\d{2})",
)
_PATTERNS = tuple(
    re.compile(rf"(?:[A-Za-z]{{3,9}},? +)?{date}(?:[T ,]+{_TIME}{_OFFSET})?\s*", re.ASCII)
    for date in _DATES
)
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})[T ]?(\d{2})(\d{2})(\d{2})?", re.ASCII)
_SERIAL = re.compile(r"[2-6]\d{4}(?:[.,]\d+)?", re.ASCII)
_EPOCH = re.compile(r"(?:\d{10}|\d{13})(?:\.\d+)?", re.ASCII)
MONTHS = {
    name: number
    for number, names in enumerate(
        "jan january,feb february,mar march,apr april,may,jun june,jul july,aug august,"
        "sep sept september,oct october,nov november,dec december".split(","),
        start=1,
    )
    for name in names.split()
}

# (pattern the first stamp must match, format, whether every stamp has the same length)
_FAST = (
    (r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d", "%Y-%m-%d %H:%M:%S", True),
    (r"\d{4}-\d\d-\d\d \d\d:\d\d", "%Y-%m-%d %H:%M", True),
    (r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", "%Y-%m-%dT%H:%M:%S", True),
    (r"\d{4}-\d\d-\d\dT\d\d:\d\d", "%Y-%m-%dT%H:%M", True),
    (r"\d{4}/\d\d/\d\d \d\d:\d\d:\d\d", "%Y/%m/%d %H:%M:%S", True),
    (r"\d{4}/\d\d/\d\d \d\d:\d\d", "%Y/%m/%d %H:%M", True),
    (r"\d{1,2}/\d{1,2}/\d{4} \d{1,2}:\d\d:\d\d [AP]M", "{a}/{b}/%Y %I:%M:%S %p", False),
    (r"\d{1,2}/\d{1,2}/\d{4} \d{1,2}:\d\d [AP]M", "{a}/{b}/%Y %I:%M %p", False),
    (r"\d{1,2}/\d{1,2}/\d{4} \d{1,2}:\d\d:\d\d", "{a}/{b}/%Y %H:%M:%S", False),
    (r"\d{1,2}/\d{1,2}/\d{4} \d{1,2}:\d\d", "{a}/{b}/%Y %H:%M", False),
    (r"\d{1,2}\.\d{1,2}\.\d{4} \d{1,2}:\d\d:\d\d", "{a}.{b}.%Y %H:%M:%S", False),
    (r"\d{1,2}\.\d{1,2}\.\d{4} \d{1,2}:\d\d", "{a}.{b}.%Y %H:%M", False),
)
_EARLIEST, _LATEST = 1950, 2100


class StampFault(ValueError):
    """A text that is not one certain date and time; `remedy` says what to do."""

    def __init__(self, found: str, remedy: str):
        super().__init__(found)
        self.remedy = remedy


@dataclass(frozen=True)
class Stamp:
    """One date, with or without a time, as written.

    Units: offset [s].

    end_of_day: Whether it was written as 24:00; `moment` is then the next day's 00:00.
    """

    moment: dt.datetime
    offset: float | None = None
    dated_only: bool = False
    end_of_day: bool = False


@dataclass(frozen=True)
class Clock:
    """Clock readings of a column of stamps.

    Units: offset [s].

    end_of_day: How many were written as 24:00.
    """

    naive: np.ndarray
    offset: np.ndarray | None
    dated_only: np.ndarray
    end_of_day: int = 0
    faults: list[tuple[int, str, str]] = field(default_factory=list)


def parse_stamp(text: str, day_first: bool | None = None) -> Stamp:
    """Read one date and time.

    Parameters
    ----------
    day_first : bool, optional
        Order of dates such as 03/04/2026: True for day first, False for month first. Such dates
        are refused where it is not stated [-].

    Raises
    ------
    StampFault
        If the text is not one certain date and time.
    """
    written = text.strip().replace("\u202f", " ").replace("\u00a0", " ")
    if len(written) > 60:
        raise StampFault(f"{written[:30] + '...'!r} is no date", "Write dates as 2026-01-31 08:00")
    compact = _COMPACT.fullmatch(written)
    if compact:
        year, month, day, hour, minute, second = (int(part or 0) for part in compact.groups())
        return _build(written, (year, month, day), (hour, minute, second, 0), None)
    for pattern in _PATTERNS:
        match = pattern.fullmatch(written)
        if match:
            return _from_match(written, match.groupdict(), day_first)
    if _SERIAL.fullmatch(written):
        raise StampFault(
            f"{written!r} looks like a day number of a spreadsheet",
            "Format the column as date and time and export again, or, for a logger's record, write "
            "time_form = 'day numbers'",
        )
    if _EPOCH.fullmatch(written):
        form = "seconds" if len(written.split(".")[0]) == 10 else "milliseconds"
        raise StampFault(
            f"{written!r} looks like {form} since 1970",
            f"Write time_form = 'epoch {form}' under [effluent]",
        )
    if re.fullmatch(r"\d{1,2}[:h]\d{2}(:\d{2})?(\s*[AaPp]\.?[Mm]\.?)?", written):
        remedy = (
            "Name the column of the date as well: date = 'Day' and time = 'Clock' under columns"
        )
        raise StampFault(f"{written!r} is a time of day without a date", remedy)
    raise StampFault(f"{written!r} is no date", "Write dates as 2026-01-31 08:00")


def _from_match(written: str, parts: dict[str, str | None], day_first: bool | None) -> Stamp:
    year = int(parts["year"] or 0)
    if len(parts["year"] or "") == 2:
        year += 2000
    if parts.get("first"):
        month, day = _ordered(written, int(parts["first"] or 0), parts["second_part"], day_first)
    elif parts.get("name"):
        month = MONTHS.get(str(parts["name"]).lower(), 0)
        day = int(parts["day"] or 0)
    else:
        month, day = int(parts["month"] or 0), int(parts["day"] or 0)
    if parts["hour"] is None:
        return _build(written, (year, month, day), None, None)
    hour = int(parts["hour"])
    half = (parts["half"] or "").replace(".", "").upper()
    if half:
        if not 1 <= hour <= 12:
            raise StampFault(f"{written!r} has no such hour", "AM and PM go with hours 1 to 12")
        hour = hour % 12 + (12 if half == "PM" else 0)
    micro = int(((parts["part"] or "") + "000000")[:6])
    clock = (hour, int(parts["minute"] or 0), int(parts["second"] or 0), micro)
    return _build(written, (year, month, day), clock, _offset(parts["offset"]))


def _ordered(
    written: str, first: int, second: str | None, day_first: bool | None
) -> tuple[int, int]:
    other = int(second or 0)
    if day_first is None:
        raise StampFault(
            f"the order of day and month in {written!r} is not stated",
            "State day_first = true or day_first = false for this file",
        )
    month, day = (other, first) if day_first else (first, other)
    if month > 12 >= day:
        stated = "true" if day_first else "false"
        raise StampFault(
            f"{written!r} has no month {month} with day_first = {stated}",
            f"State day_first = {'false' if day_first else 'true'} if the whole file is so",
        )
    return month, day


def _offset(text: str | None) -> float | None:
    if not text:
        return None
    digits = re.sub(r"[^0-9+-]", "", text)
    if not digits:
        return 0.0
    sign = -1.0 if digits[0] == "-" else 1.0
    return sign * (int(digits[1:3]) * 3600.0 + int(digits[3:5]) * 60.0)


def _build(
    written: str,
    date: tuple[int, int, int],
    clock: tuple[int, int, int, int] | None,
    offset: float | None,
) -> Stamp:
    try:
        day = dt.datetime(*date)
    except ValueError:
        raise StampFault(f"{written!r} is no day of the calendar", "Correct the date") from None
    if not _EARLIEST <= day.year <= _LATEST:
        raise StampFault(
            f"{written!r} lies in the year {day.year}",
            f"Correct the date; years from {_EARLIEST} to {_LATEST} are read",
        )
    if clock is None:
        return Stamp(day, offset, dated_only=True)
    hour, minute, second, micro = clock
    if hour == 24 and not (minute or second or micro):
        return Stamp(day + dt.timedelta(days=1), offset, end_of_day=True)
    if hour > 23 or minute > 59 or second > 59:
        raise StampFault(f"{written!r} is no time of day", "Correct the time")
    return Stamp(day.replace(hour=hour, minute=minute, second=second, microsecond=micro), offset)


def parse_stamps(texts: Sequence[str] | np.ndarray, day_first: bool | None = None) -> Clock:
    """Read a column of dates and times.

    Parameters
    ----------
    texts : sequence of str
        As written [text].
    """
    column = pd.Series(texts, dtype="str")
    naive = np.full(len(column), np.datetime64("NaT", "us"), dtype="datetime64[us]")
    todo = np.arange(len(column))
    if len(column) > 50:
        naive = _fast(column, day_first)
        todo = np.flatnonzero(np.isnat(naive))
    offset = np.full(len(column), np.nan)
    dated_only = np.zeros(len(column), dtype=bool)
    faults: list[tuple[int, str, str]] = []
    ends = 0
    moments: list[dt.datetime | None] = []
    for place, text in zip(todo.tolist(), column.iloc[todo].fillna("").tolist(), strict=True):
        try:
            stamp = parse_stamp(text, day_first)
        except StampFault as fault:
            found = str(fault) if text.strip() else "the time is blank"
            faults.append((place, found, fault.remedy))
            moments.append(None)
            continue
        moments.append(stamp.moment)
        offset[place] = np.nan if stamp.offset is None else stamp.offset
        dated_only[place], ends = stamp.dated_only, ends + stamp.end_of_day
    if moments:
        naive[todo] = np.array(moments, dtype="datetime64[us]")
    return Clock(naive, None if np.isnan(offset).all() else offset, dated_only, ends, faults)


def joined_stamps(dates: Iterable[str], times: Iterable[str]) -> list[str]:
    """Dates and times of day of two columns as one text each; a blank stays blank.

    Returns
    -------
    list of str
        Stamps [text].
    """
    days = [re.sub(r"[ T]00:00(:00)?$", "", date.strip()) for date in dates]
    return [f"{day} {time.strip()}".strip() for day, time in zip(days, times, strict=True)]


def _fast(column: pd.Series, day_first: bool | None) -> np.ndarray:
    """Read what follows the format of the first stamp; the rest is left for one-by-one reading."""
    sample = str(column.iloc[0]).strip()
    for pattern, form, even in _FAST:
        if not re.fullmatch(pattern, sample, re.ASCII):
            continue
        if "{a}" in form:
            if day_first is None:
                break
            form = form.format(a="%d" if day_first else "%m", b="%m" if day_first else "%d")
        read = pd.to_datetime(column, format=form, errors="coerce").to_numpy("datetime64[us]")
        read = read.copy()
        if even:  # the format also takes '0:5' for '00:05': a cut stamp must not pass
            read[column.str.len().to_numpy() != len(sample)] = np.datetime64("NaT", "us")
        years = read.astype("datetime64[Y]").astype(float) + 1970.0
        read[~((years >= _EARLIEST) & (years <= _LATEST))] = np.datetime64("NaT", "us")
        return read
    return np.full(len(column), np.datetime64("NaT", "us"), dtype="datetime64[us]")
