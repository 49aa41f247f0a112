"""Checks of invoices against each other and of each against its own reads."""

from __future__ import annotations

import datetime as dt
import itertools
from decimal import Decimal

import numpy as np
import pandas as pd

from toolkit.records.model import Findings

__all__ = ["check_invoices"]

SHORT_DAYS, LONG_DAYS, LONG_TWO_MONTHS = 25.0, 35.0, 70.0
"""Usual limits of monthly and two-monthly periods [d]: billing-period practice in the field of
energy audits counts a monthly period outside 25 to 35 days, and a two-monthly one beyond 70 days,
as off-cycle (from memory)."""

RATIO_TOLERANCE = 0.005
"""Relative scatter of billed volume to read difference beyond rounding that is reported [-]."""

SCATTER = 4.0
"""Robust scatters of that ratio beyond which an invoice is reported [-]."""


def check_invoices(
    frame: pd.DataFrame, lines: pd.DataFrame, zone: dt.tzinfo, findings: Findings
) -> None:
    """Check invoices in force, in order of time.

    Parameters
    ----------
    frame : DataFrame
        Invoices in force [-].
    lines : DataFrame
        Their charge lines [money].
    zone : tzinfo
        Zone of the dates in messages [-].
    findings : Findings
        Overlaps and impossible periods are noted as problems, the rest as flags [-].
    """
    _periods(frame, zone, findings)
    if findings.refused:
        return
    _consecutive(frame, zone, findings)
    _lengths(frame, zone, findings)
    _reads_and_volumes(frame, findings)
    _estimates(frame, findings)
    _sums(frame, lines, findings)


def _day(moment: pd.Timestamp, zone: dt.tzinfo) -> str:
    return f"{moment.tz_convert(zone):%Y-%m-%d %H:%M}"


def _periods(frame: pd.DataFrame, zone: dt.tzinfo, findings: Findings) -> None:
    for _, row in frame.iterrows():
        if row["end"] <= row["start"]:
            findings.add(
                f"the period of invoice {row['invoice']!r} ends {_day(row['end'], zone)}, "
                f"not after its start {_day(row['start'], zone)}",
                "Correct start or end",
                line=int(row["line"]),
                column="end",
                code="period",
            )
    rows = list(frame.itertuples())
    for before, after in itertools.pairwise(rows):
        if after.start < before.end:
            findings.add(
                f"invoice {after.invoice!r} starts {_day(after.start, zone)}, before invoice "
                f"{before.invoice!r} of {findings.place(int(before.line))} ends "
                f"{_day(before.end, zone)}: the two overlap",
                "Correct the dates; if one replaces the other, name that one in a column replaces",
                line=int(after.line),
                column="start",
                code="overlap",
            )


def _consecutive(frame: pd.DataFrame, zone: dt.tzinfo, findings: Findings) -> None:
    rows = list(frame.itertuples())
    for before, after in itertools.pairwise(rows):
        ends = [moment.tz_convert(zone).tz_localize(None) for moment in (before.end, after.start)]
        days = (ends[1] - ends[0]) / pd.Timedelta(days=1)
        if after.start > before.end:
            findings.flag(
                "gap between invoices",
                f"{days:.1f} days between invoices {before.invoice} and {after.invoice} are on no "
                f"invoice ({_day(before.end, zone)} to {_day(after.start, zone)})",
                after=before.invoice,
                before=after.invoice,
                days=round(days, 3),
            )
        if after.previous_read != before.current_read and not (
            np.isnan(after.previous_read) or np.isnan(before.current_read)
        ):
            findings.flag(
                "reads do not connect",
                f"invoice {after.invoice} starts from read {after.previous_read:.10g}, invoice "
                f"{before.invoice} ended with {before.current_read:.10g}",
                invoice=after.invoice,
                previous_read=after.previous_read,
                read_before=before.current_read,
            )


def _lengths(frame: pd.DataFrame, zone: dt.tzinfo, findings: Findings) -> None:
    local = [frame[name].dt.tz_convert(zone).dt.tz_localize(None) for name in ("start", "end")]
    days = ((local[1] - local[0]) / pd.Timedelta(days=1)).to_numpy()  # days of the calendar
    if len(days) < 2:
        return
    usual = float(np.median(days))
    low, high = 0.8 * usual, 1.2 * usual
    if SHORT_DAYS <= usual <= LONG_DAYS:
        low, high = SHORT_DAYS, LONG_DAYS
    elif 50 <= usual <= LONG_TWO_MONTHS:
        low, high = 2 * SHORT_DAYS, LONG_TWO_MONTHS
    for name, length in zip(frame["invoice"], days, strict=True):
        if not low <= length <= high:
            findings.flag(
                "unusual period length",
                f"the period of invoice {name} has {length:.1f} days, usual are {usual:.0f} "
                f"(reported outside {low:.0f} to {high:.0f})",
                invoice=name,
                days=round(float(length), 3),
                usual=usual,
            )


def _unit_of_last_digit(value: Decimal) -> float:
    exponent = value.as_tuple().exponent
    return 10.0 ** (exponent if isinstance(exponent, int) else 0)


def _reads_and_volumes(frame: pd.DataFrame, findings: Findings) -> None:
    """Billed volume over read difference: one factor, or about one where something is deducted."""
    counts = (frame["current_read"] - frame["previous_read"]).to_numpy(dtype=float)
    billed = frame["billed_volume"].astype(float).to_numpy()
    fit = np.isfinite(counts) & (counts > 0) & (billed > 0)
    factor, limit = float("nan"), 0.0
    if fit.sum() >= 3:
        ratios = billed[fit] / counts[fit]
        factor = float(np.median(ratios))
        scatter = 1.4826 * float(np.median(np.abs(ratios / factor - 1)))
        limit = max(RATIO_TOLERANCE, SCATTER * scatter)
        if scatter > RATIO_TOLERANCE:
            findings.flag(
                "billed volume not in proportion to reads",
                f"billed volume over counts runs from {ratios.min():.4g} to {ratios.max():.4g}, "
                f"median {factor:.4g}: a deduction, or more than one basis",
                lowest=float(ratios.min()),
                highest=float(ratios.max()),
                median=factor,
            )
    for row, count, volume in zip(frame.itertuples(), counts, billed, strict=True):
        if count < 0:
            _backwards(row, count, volume / factor, limit, findings)
        slack = _unit_of_last_digit(row.billed_volume) + limit * abs(factor * count)
        if count >= 0 and abs(volume - factor * count) > slack + 0.5 * abs(factor):
            findings.flag(
                "billed volume differs from reads",
                f"invoice {row.invoice} bills {volume:.10g} for {count:.10g} counts; at the usual "
                f"factor {factor:.6g} the reads give {factor * count:.6g}",
                invoice=row.invoice,
                billed=volume,
                counts=count,
                factor=factor,
                from_reads=factor * count,
            )


def _backwards(row, count: float, expected: float, limit: float, findings: Findings) -> None:
    """A current read below the previous one; said to fit a roll-over where the volume says so."""
    digits = len(str(int(abs(row.previous_read))))
    rolled = count + 10.0**digits
    fits = rolled >= 0 and abs(rolled - expected) <= max(limit, 0.02) * abs(expected) + 1
    findings.flag(
        "reads go backwards",
        f"invoice {row.invoice}: the current read {row.current_read:.10g} is below the previous "
        f"read {row.previous_read:.10g}"
        + (
            f"; the billed volume fits a roll-over of {digits} digits, {rolled:.10g} counts"
            if fits
            else ": roll-over, change of meter, correction or error"
        ),
        invoice=row.invoice,
        previous_read=row.previous_read,
        current_read=row.current_read,
        fits_roll_over=fits,
    )


def _estimates(frame: pd.DataFrame, findings: Findings) -> None:
    rows = list(frame.itertuples())
    for place, row in enumerate(rows):
        if row.read_type != "estimated":
            continue
        findings.flag(
            "estimated read",
            f"invoice {row.invoice} ends with an estimated read",
            invoice=row.invoice,
        )
        if place + 1 < len(rows) and rows[place + 1].read_type == "actual":
            after = rows[place + 1]
            findings.flag(
                "true-up",
                f"invoice {after.invoice} ends with the first actual read after an estimate: only "
                f"the sum of the invoices up to it is measured",
                invoice=after.invoice,
                estimated=row.invoice,
            )


def _sums(frame: pd.DataFrame, lines: pd.DataFrame, findings: Findings) -> None:
    if not len(lines.columns):
        return
    for place, row in enumerate(frame.itertuples()):
        added = sum(lines.iloc[place], Decimal(0))
        if added != row.total:
            findings.flag(
                "lines do not add up",
                f"the lines of invoice {row.invoice} add up to {added}, its total is {row.total}",
                invoice=row.invoice,
                sum_of_lines=str(added),
                total=str(row.total),
            )
