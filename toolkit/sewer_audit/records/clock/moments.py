"""A few written dates (invoices, reads, visits) to instants, with every fault noted."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sewer_audit.records.clock.stamps import Clock, parse_stamps
from sewer_audit.records.clock.zones import to_utc
from sewer_audit.records.model import Findings


@dataclass(frozen=True)
class Moments:
    """Instants of a column of dates.

    Units: time [UTC].
    """

    time: pd.DatetimeIndex
    dated_only: np.ndarray


def parse_hour(text: str) -> np.timedelta64:
    """Time of day, such as "08:00", as a span from midnight.

    Units: returns [us].
    """
    moment = dt.datetime.strptime(text.strip(), "%H:%M")
    return np.timedelta64((moment.hour * 60 + moment.minute) * 60_000_000, "us")


def read_moments(
    texts: Sequence[str],
    lines: Sequence[int],
    zone: dt.tzinfo,
    findings: Findings,
    *,
    column: str,
    day_first: bool | None = None,
    read_hour: str = "00:00",
    extra_days: int = 0,
) -> Moments:
    """Instants of a column of dates; where only a date is written the stated hour is taken.

    Units: extra_days [d]; returns [UTC].

    day_first: Order of dates such as 03/04/2026.
    """
    clock = parse_stamps(texts, day_first)
    for place, found, remedy in clock.faults:
        findings.add(found, remedy, line=lines[place], column=column, code="date")
    naive = clock.naive.copy()
    timed = naive[~clock.dated_only & ~np.isnat(naive)]
    midnight = timed == timed.astype("datetime64[D]")
    if parse_hour(read_hour) and len(timed) > 1 and midnight.all():
        findings.warn(
            f"every stamp says 00:00, so read_hour = {read_hour!r} is not used",
            "Leave the time out of the cells where they are days, or leave read_hour out",
            column=column,
            code="date",
        )
    added = parse_hour(read_hour) + np.timedelta64(extra_days, "D")
    naive[clock.dated_only] = naive[clock.dated_only] + added
    time = _instants(naive, clock, zone, lines, column, findings)
    return Moments(time, clock.dated_only)


def _instants(
    naive: np.ndarray,
    clock: Clock,
    zone: dt.tzinfo,
    lines: Sequence[int],
    column: str,
    findings: Findings,
) -> pd.DatetimeIndex:
    # one by one, so that reads far apart are not taken for two passes of one hour
    parts = [to_utc(naive[place : place + 1], zone) for place in range(len(naive))]
    times = [part.time[0] for part in parts]
    for place, part in enumerate(parts):
        written = clock.offset is not None and not np.isnan(clock.offset[place])
        if written:
            shift = pd.Timedelta(seconds=float(clock.offset[place]))  # type: ignore[index]
            times[place] = pd.Timestamp(naive[place], tz="UTC") - shift
        elif part.missing_hour.any():
            findings.add(
                f"{pd.Timestamp(naive[place])} does not exist on the local clock: "
                "summer time begins then",
                "Write the time an hour later, or with its offset",
                line=lines[place],
                column=column,
                code="missing hour",
            )
        elif part.repeated:
            times[place] = times[place] if pd.notna(times[place]) else pd.NaT
            findings.warn(
                f"{pd.Timestamp(naive[place])} occurs twice on the local clock; the first is taken",
                "Write it with its offset, such as 01:30-06:00, if the second is meant",
                line=lines[place],
                column=column,
                code="repeated hour",
            )
    return pd.DatetimeIndex(times).as_unit("us") if times else pd.DatetimeIndex([], tz="UTC")
