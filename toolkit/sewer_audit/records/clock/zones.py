"""Local clock readings to instants in UTC; repeated and missing hours are resolved in the open."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from sewer_audit.errors import InputRefused, Problem

_FIXED = re.compile(r"UTC(?:([+-])(\d{2}):(\d{2}))?", re.ASCII)
_HOUR = np.timedelta64(3_600_000_000, "us")


@dataclass(frozen=True)
class Instants:
    """Instants of clock readings, and which of them the zone alone does not settle.

    Units: time [UTC].
    """

    time: pd.DatetimeIndex
    repeated: int
    unsettled: np.ndarray
    single_pass: list[pd.Timestamp]
    missing_hour: np.ndarray


def zone_of(name: str) -> dt.tzinfo:
    """Time zone from its name.

    name: IANA name ("America/Chicago") or a fixed offset ("UTC-06:00").
    """
    fixed = _FIXED.fullmatch(name.strip())
    if fixed:
        seconds = int(fixed[2] or 0) * 3600 + int(fixed[3] or 0) * 60
        if seconds <= 15 * 3600:
            return dt.timezone(dt.timedelta(seconds=-seconds if fixed[1] == "-" else seconds))
    try:
        return ZoneInfo(name.strip())
    except Exception:
        raise InputRefused(
            Problem(
                "time zone",
                f"{name!r} is no time zone",
                "Write an IANA name ('America/Chicago') or a fixed offset ('UTC-06:00')",
                code="time zone",
            )
        ) from None


def utc_values(time: pd.Series) -> np.ndarray:
    """Instants of a UTC column as plain array.

    Units: time [UTC]; returns [UTC].
    """
    return time.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy().astype("datetime64[us]")


def to_utc(naive: np.ndarray, zone: dt.tzinfo) -> Instants:
    """Instants of clock readings, in the order they were recorded.

    Units: returns [UTC].

    Notes
    -----
    In the repeated hour of autumn the order of the rows decides: where the clock steps back, the
    rows before belong to the first pass and those after to the second. Where the record has only
    one pass, the side on which it joins its neighbours decides. Nothing is shifted in silence.
    """
    index = pd.DatetimeIndex(naive)
    none = np.zeros(len(index), dtype=bool)
    if not isinstance(zone, ZoneInfo):
        time = index.tz_localize(zone).tz_convert("UTC").as_unit("us")
        return Instants(time, 0, none, [], none)
    known = ~index.isna()
    local = index.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    open_rows = local.isna() & known
    if not open_rows.any():
        return Instants(local.tz_convert("UTC").as_unit("us"), 0, none, [], none)
    some = index[open_rows]
    first = some.tz_localize(zone, ambiguous=np.ones(len(some), dtype=bool), nonexistent="NaT")
    missing = none.copy()
    missing[open_rows] = first.isna()
    ambiguous = open_rows & ~missing
    daylight, unsettled, single = _settle(naive, ambiguous)
    settled = some.tz_localize(zone, ambiguous=daylight[open_rows], nonexistent="NaT")
    time = local.tz_convert("UTC").tz_localize(None).as_unit("us").to_numpy().copy()
    time[open_rows] = settled.tz_convert("UTC").tz_localize(None).as_unit("us").to_numpy()
    whole = pd.DatetimeIndex(time).tz_localize("UTC")
    return Instants(whole, int(ambiguous.sum()), unsettled, single, missing)


def _settle(
    naive: np.ndarray, ambiguous: np.ndarray
) -> tuple[np.ndarray, np.ndarray, list[pd.Timestamp]]:
    """First pass or second, block by block of neighbouring rows in a repeated hour."""
    daylight = np.ones(len(naive), dtype=bool)
    unsettled = np.zeros(len(naive), dtype=bool)
    single: list[pd.Timestamp] = []
    places = np.flatnonzero(ambiguous)
    if not len(places):
        return daylight, unsettled, single
    far = (np.diff(places) > 1) | (np.abs(np.diff(naive[places])) > 3 * _HOUR)
    steps = np.diff(naive)
    usual = np.median(steps[steps > np.timedelta64(0, "us")]) if len(steps) else _HOUR
    for block in np.split(places, np.flatnonzero(far) + 1):
        start, end = block[0], block[-1] + 1
        inner = np.diff(naive[start:end])
        back = np.flatnonzero(inner < np.timedelta64(0, "us"))
        same = np.flatnonzero(inner == np.timedelta64(0, "us"))
        if not len(back) and usual >= 0.9 * _HOUR:
            back = same
        elif not len(back) and len(same) >= 0.4 * len(inner) > 0:
            unsettled[start:end] = True  # both passes sorted into each other
            continue
        if len(back) == 1:
            daylight[start + back[0] + 1 : end] = False
        elif len(back) > 1:
            unsettled[start:end] = True
        else:
            _one_pass(naive, start, end, usual, (daylight, unsettled, single))
    return daylight, unsettled, single


def _one_pass(naive: np.ndarray, start: int, end: int, usual: np.timedelta64, into: tuple) -> None:
    """Only one pass of the hour: it belongs where it joins its neighbours without a gap."""
    daylight, unsettled, single = into
    near = 1.5 * usual
    before = start > 0 and naive[start] - naive[start - 1] <= near
    after = end < len(naive) and naive[end] - naive[end - 1] <= near
    if before:
        if after:
            single.append(pd.Timestamp(naive[start]))
    elif after:
        daylight[start:end] = False
    else:
        unsettled[start:end] = True
