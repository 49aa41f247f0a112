"""Checks of invoices against each other and of each against its own reads."""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal
from itertools import pairwise

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.records.model import Findings

SHORT_DAYS, LONG_DAYS, LONG_TWO_MONTHS = 25.0, 35.0, 70.0
"""Usual limits of monthly and two-monthly periods [d]: billing-period practice in the field of
energy audits counts a monthly period outside 25 to 35 days, and a two-monthly one beyond 70 days,
as off-cycle (from memory)."""

RATIO_TOLERANCE = 0.005
"""Relative scatter of billed volume to read difference beyond rounding that is reported [-]."""

FEWEST = 3
"""Invoices whose numbers must rise with time before numbers tell an order [-] (judgement)."""

SCATTER = 4.0
"""Robust scatters of that ratio beyond which an invoice is reported [-]."""


def with_own_days(frame: pd.DataFrame) -> pd.DataFrame:
    """Invoices with the instant from which on no earlier invoice holds their days.

    Notes
    -----
    A day that several invoices bill belongs to the earliest of them (by start, then by end, then
    by the order in the file), so that every day is counted once and all sums stay sums.
    """
    held, holder, own, shared = None, "", [], []
    for row in frame.itertuples():
        shares = held is not None and row.start < held
        own.append(min(held, row.end) if shares else row.start)
        shared.append(holder if shares else "")
        if held is None or row.end > held:
            held, holder = row.end, row.invoice
    own_start = pd.Series(own, index=frame.index, dtype=frame["start"].dtype)
    return frame.assign(own_start=own_start, shares_with=pd.Series(shared, frame.index, dtype=str))


def in_order_of_issue(frame: pd.DataFrame) -> pd.DataFrame:
    """Invoices by period; of several for one period that which was issued first stands first.

    Adds `second_by`: "bill dates" or "numbers" where these tell which it is, "" where nothing
    that is printed does and the order of the file stands.
    """
    frame = frame.sort_values(["start", "end"], kind="stable")
    periods = frame.groupby(["start", "end"], sort=False).indices.values()
    twins = [places for places in periods if len(places) > 1]
    alone = np.sort([places[0] for places in periods if len(places) == 1])
    numbers = [_pieces(number) for number in frame["invoice"].astype(str)]
    order, told = np.arange(len(frame)), np.full(len(frame), "", dtype=object)
    for places in twins:
        dates = list(frame["bill_date"].iloc[places]) if "bill_date" in frame else [None]
        by_number = sorted(places, key=lambda place: numbers[place])
        if not any(pd.isna(date) for date in dates) and len(set(dates)) == len(dates):
            order[places] = [place for _, place in sorted(zip(dates, places, strict=True))]
            told[places] = "bill dates"
        elif all(_rising([numbers[n] for n in sorted([*alone, place])]) for place in places):
            order[places], told[places] = by_number, "numbers"
    return frame.iloc[order].assign(second_by=told)


def _pieces(number: str) -> list[tuple[int, int, str]]:
    """Words and figures of a number in turn, so that 9 comes before 10."""
    parts = re.findall(r"\d+|\D+", number)
    return [(0, int(each), "") if each.isdigit() else (1, 0, each) for each in parts]


def _rising(numbers: list) -> bool:
    """Whether numbers of at least :data:`FEWEST` invoices rise with time."""
    return len(numbers) >= FEWEST and all(one < other for one, other in pairwise(numbers))


def check_invoices(
    frame: pd.DataFrame,
    lines: pd.DataFrame,
    zone: dt.tzinfo,
    findings: Findings,
    examine_overlaps: bool = False,
) -> None:
    """Check invoices in force, in order of time."""
    _periods(frame, zone, findings)
    _overlaps(frame, zone, findings, examine_overlaps)
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


def _overlaps(frame: pd.DataFrame, zone: dt.tzinfo, findings: Findings, examine: bool) -> None:
    rows = {row.invoice: row for row in frame.itertuples()}
    for after in frame[frame["shares_with"] != ""].itertuples():
        before = rows[after.shares_with]
        if not examine:
            findings.add(
                f"invoice {after.invoice!r} starts {_day(after.start, zone)}, before invoice "
                f"{before.invoice!r} of {findings.place(int(before.line))} ends "
                f"{_day(before.end, zone)}: the two overlap",
                "Correct the dates; if one replaces the other, name that one in a column replaces; "
                "if both were billed so, write overlapping_days = 'examine' under [invoices]",
                line=int(after.line),
                column="start",
                code="overlap",
            )
            continue
        days = _days_between(after.start, after.own_start, zone)
        own = _days_between(after.own_start, after.end, zone)
        rest = (
            f"its own are the {_told(own)} from {_day(after.own_start, zone)} on"
            if own > 0
            else "it has no days of its own, and nothing is due on it"
        )
        open_ = (before.start, before.end) == (after.start, after.end) and not after.second_by
        if open_:
            rest = "which of the two is once too many neither bill dates nor numbers tell"
        whose = before.invoice
        if after.start < before.own_start:  # some of them belong to one that is earlier still
            whose = f"the earliest that holds them, {before.shares_with} or {before.invoice}"
        findings.flag(
            "overlapping invoices",
            f"invoice {after.invoice} covers {_told(days)} that invoice {before.invoice} holds "
            f"already, from {_day(after.start, zone)}; they count once, for {whose}; {rest}",
            invoice=after.invoice,
            shares_with=before.invoice,
            days=round(days, 3),
            own_days=round(own, 3),
            **({"second": "not told"} if open_ else {}),
        )


def _days_between(start: pd.Timestamp, end: pd.Timestamp, zone: dt.tzinfo) -> float:
    """Days of the calendar between two instants."""
    local = [moment.tz_convert(zone).tz_localize(None) for moment in (start, end)]
    return (local[1] - local[0]) / pd.Timedelta(days=1)


def _told(days: float) -> str:
    return f"{days:.4g} day{'' if days == 1 else 's'}"


def _consecutive(frame: pd.DataFrame, zone: dt.tzinfo, findings: Findings) -> None:
    before = None
    for after in frame.itertuples():
        if before is not None and not after.shares_with:
            _connects(before, after, zone, findings)
        if before is None or after.end > before.end:
            before = after


def _connects(before, after, zone: dt.tzinfo, findings: Findings) -> None:
    if after.start > before.end:
        days = _days_between(before.end, after.start, zone)
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
                f"invoice {row.invoice} bills {volume:,.10g} for {count:,.10g} counts, not the "
                "usual ratio of these invoices (a rough screen; the schedule decides)",
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
            f"; the billed volume fits a roll-over of {digits} digits, {rolled:,.10g} counts"
            if fits
            else ": roll-over, change of meter, correction or error, or a register that restarted"
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
    sums = [sum(lines.iloc[place], Decimal(0)) for place in range(len(frame))]
    if len(frame) > 1 and all(a != b for a, b in zip(sums, frame["total"], strict=True)):
        findings.flag(
            "no lines add up",
            "the lines of no invoice add up to its total: a column of figures that is no charge "
            "(days, reads, volumes) is named under [invoices] as not_charges = ['its name']; "
            f"read as charges are {', '.join(map(repr, lines.columns))}",
        )
    for place, row in enumerate(frame.itertuples()):
        added = sums[place]
        if added != row.total and row.lines_printed:
            findings.flag(
                "lines do not add up",
                f"the lines of invoice {row.invoice} add up to {spoken.money(added)}, its "
                f"total is {spoken.money(row.total)}",
                invoice=row.invoice,
                sum_of_lines=str(added),
                total=str(row.total),
            )
