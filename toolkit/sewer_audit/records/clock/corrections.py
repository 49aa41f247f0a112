"""Stretches of stamps that are known to be wrong, because the clock was set by hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sewer_audit.records.clock.stamps import StampFault, parse_stamp
from sewer_audit.records.model import ClockCorrection, Findings


def corrected(
    naive: np.ndarray,
    corrections: Sequence[ClockCorrection],
    day_first: bool | None,
    findings: Findings,
) -> np.ndarray:
    """Move the stamps of stretches that the case states to be wrong.

    day_first: Order of dates such as 03/04/2026.
    """
    for given in corrections:
        try:
            start, end = (
                np.datetime64(parse_stamp(text, day_first).moment, "us")
                for text in (given.start, given.end)
            )
        except StampFault as fault:
            findings.add(str(fault), fault.remedy, column="clock corrections", code="time")
            continue
        inside = _stretch(naive, start, end, slow=given.shift > 0)
        naive = naive.copy()
        naive[inside] += np.timedelta64(round(given.shift * 1e6), "us")
        if inside.any():
            findings.flag(
                "clock corrected",
                f"{int(inside.sum())} stamps from {given.start} to {given.end} were moved by "
                f"{given.shift:.0f} s as the case states",
                rows=int(inside.sum()),
                shift_s=given.shift,
            )
    return naive


def _stretch(naive: np.ndarray, start: np.datetime64, end: np.datetime64, slow: bool) -> np.ndarray:
    """Rows of a wrong stretch, in order of recording.

    Where the clock was put back, the first wrong stamp stands twice and the second is meant; where
    it was put forward and later back, the last wrong stamp stands twice and the first is meant.
    """
    first, last = np.flatnonzero(naive == start), np.flatnonzero(naive == end)
    if len(first) and len(last):
        begin = first[-1] if slow else first[0]
        after = last[last >= begin]
        if len(after):
            inside = np.zeros(len(naive), dtype=bool)
            inside[begin : after[0] + 1] = True
            return inside
    return (naive >= start) & (naive <= end)
