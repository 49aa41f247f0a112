"""Proposals from a table of bills, and what bills print of the meter they are read from."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sewer_audit.drafting.looking import Grid, Look, cell_number, counted_in
from sewer_audit.drafting.proposals import (
    Found,
    Proposal,
    ask_decimal,
    day_order,
    file_list,
    not_taken,
    text_of,
)
from sewer_audit.drafting.shapes import MOST_TRIED, adding_up, period_days
from sewer_audit.records.bills.carried import carried_role
from sewer_audit.records.bills.invoices import OPTIONAL
from sewer_audit.records.clock.stamps import parse_stamps

FIELDS = {
    "deducted": "deduct",
    "payments": "payment",
    **{n: n for n in ("invoice", "start", "end", "previous_read", "current_read", "read_type",
                      "billed_volume", "total", "multiplier", "previous_balance", "bill_date",
                      "due_date")},
}  # fmt: skip
"""Meaning of a bill's column: our name of it in a case."""


NO_LINES = ("account", "days", "meter", "usage", "rate", "amount_due")
"""Meanings of further columns of a bill that are no charge lines."""


def of_bills(found: Found, grids: Sequence[Grid], notes: Sequence[Look], up: str) -> None:
    grid = grids[0]
    same = [each for each in grids if each.table.header == grid.table.header]
    proposal = Proposal("invoices", "[invoices]")
    files = list(dict.fromkeys(each.file for each in same))
    rows = sum(len(each.table.rows) for each in same)
    proposal.add(
        "file",
        file_list([up + name for name in files]),
        f"{rows} rows, one a bill{not_taken(grids, same)}",
    )
    if grid.file == "read/invoices.csv":
        proposal.add("printed", text_of(up + "read/figures.csv"), "page and picture of each figure")
    if grid.sheet and len(same) == 1:
        proposal.add("sheet", text_of(grid.sheet))
    if grid.sheet and len(same) > 1:
        sheets = [str(each.sheet) for each in same]
        proposal.add("sheet", file_list(sheets), "sheets with the same columns")
        if len(files) > 1:
            proposal.refused = "several workbooks with several sheets: save the sheets as files"
    fits = sorted(grid.bill_columns.items(), key=lambda fit: fit[1])
    columns = {FIELDS[meaning]: place for meaning, place in fits if meaning in FIELDS}
    missing = [n for n in ("invoice", "start", "end", "billed_volume", "total") if n not in columns]
    if missing:
        proposal.refused = f"no column is known for {', '.join(missing)}: name it under columns"
    named = ", ".join(f"{name} = {text_of(grid.table.header[place])}"
                      for name, place in columns.items())  # fmt: skip
    charges, rest, told = _charge_lines(grid, columns)
    shaped = [name for name, place in columns.items() if place not in grid.named_columns.values()]
    how = f"by their names, by their figures {', '.join(shaped)}" if shaped else "by their names"
    proposal.add("columns", f"{{ {named} }}", f"{how}; charge lines: {', '.join(charges)}")
    if rest:
        proposal.add("not_charges", f"[{', '.join(map(text_of, rest))}]", told)
    place = columns.get("billed_volume")
    unit = counted_in(grid.written(place), "volume") if place is not None else ""
    if unit:
        proposal.add("volume_unit", text_of(unit), f"named in {grid.table.header[place or 0]!r}")
    else:
        found.ask("volume_unit", at=proposal)
    dates = [[cell for each in same for cell in each.cells(columns[name])]
             for name in ("start", "end", "bill_date", "due_date") if name in columns]  # fmt: skip
    if forward := _runs_forward(same, columns):
        proposal.add("day_first", *forward)
    else:
        day_order(found, proposal, [cell for column in dates for cell in column], "invoices")
    ask_decimal(found, proposal, [grid], "invoices")
    if not any(question.key == "day_first" for question in found.questions):
        _end_day(found, proposal, same, columns)
    else:
        found.ask("end_day_counts", "it shows once the order of dates is known", proposal)
    found.proposals.append(proposal)


def _charge_lines(grid: Grid, columns: dict[str, int]) -> tuple[list[str], list[str], str]:
    """Charge lines and other figures among the further columns: lines add up to the total."""
    known = {place: meaning for meaning, place in grid.bill_columns.items()}
    further = [place for place in grid.names("number") if place not in columns.values()]
    lines = [place for place in further if known.get(place) not in NO_LINES]
    told = "no charges by their names"
    if "total" in columns and 0 < len(further) <= MOST_TRIED:
        figures = np.array([grid.values(place) for place in further]).T
        due, balance = grid.values(columns["total"]), columns.get("previous_balance")
        before = None if balance is None else grid.values(balance)
        chosen, fits = adding_up(figures, due, before)
        if 2 * fits > len(due) and chosen.any():
            lines = [place for place, one in zip(further, chosen, strict=True) if one]
            told = f"the other figures add up to the total in {fits} of {len(due)} rows without "
            told += "these"
    head = grid.table.header
    own = [name.replace("_", " ") for name in OPTIONAL]  # the reader knows these without being told
    rest = [place for place in further if place not in lines and grid.spoken(place) not in own
            and not carried_role(head[place])]  # fmt: skip
    return [head[place] for place in lines], [head[place] for place in rest], told


def _runs_forward(grids: Sequence[Grid], columns: dict[str, int]) -> tuple[str, str] | None:
    """Order of dates under which periods are of a week to half a year, and of the days printed."""
    if not {"start", "end"} <= columns.keys():
        return None
    printed = grids[0].bill_columns.get("days")
    days = [
        np.nan if printed is None else day for grid in grids for day in grid.values(printed or 0)
    ]
    fits = {}
    for first in (True, False):
        length = period_days(grids, columns["start"], columns["end"], first)
        forward = (length >= 7) & (length <= 184)
        more = days - length  # a day more where the end day counts
        fits[first] = int((forward & (np.isnan(more) | (more == 0) | (more == 1))).sum())
    rows, best = len(days), fits[True] > fits[False]
    most, least = max(fits.values()), min(fits.values())
    if most == least or (most < rows and (most < 0.8 * rows or 2 * least > rows)):
        return None
    words = "run forward" if printed is None else "run forward over the days printed"
    told = f"{fits[True]} of {rows} periods {words} with day first, {fits[False]} with month first"
    return ("true" if best else "false"), told


def _end_day(
    found: Found, proposal: Proposal, grids: Sequence[Grid], columns: dict[str, int]
) -> None:
    if "start" not in columns or "end" not in columns:
        return
    way = next((line.value == "true" for line in proposal.lines if line.key == "day_first"), None)
    start, end = (
        parse_stamps([cell for grid in grids for cell in grid.cells(columns[n])], way).naive.astype(
            "datetime64[D]"
        )
        for n in ("start", "end")
    )
    lines = [line for grid in grids for line in grid.table.lines]
    gaps = (start[1:] - end[:-1]).astype(float)
    meets, follows = int((gaps == 0).sum()), int((gaps == 1).sum())
    told = f"{meets} of {len(gaps)} periods begin on the end day before, {follows} a day later"
    back = [lines[at + 1] for at in np.flatnonzero(gaps < 0)]
    if back:
        line = (
            f"the period of line {', '.join(map(str, back))} begins before the one before it ends"
        )
        proposal.add(
            "overlapping_days", '"examine"', f"{line}; refuse, if that is a slip of typing"
        )
    if meets > follows and 2 * meets > len(gaps):
        proposal.add("end_day_counts", "false", told)
    elif follows > meets and 2 * follows > len(gaps):
        proposal.add("end_day_counts", "true", told)
    else:
        found.ask("end_day_counts", told, proposal)


def of_rates(found: Found, looks: Sequence[Look], up: str) -> None:
    proposal = Proposal("rates", "[rates]")
    found.proposals.append(proposal)
    written = [look.file for look in looks if look.what == "rate schedule"]
    if written:
        told = f"rate schedules of this program that lie here: {', '.join(written)}"
        proposal.add("file", text_of(up + written[0]), told)
        return
    named = [look.file for look in looks if look.what == "ordinance"]
    source = ", ".join(named) or "the printed schedule; none lies in this folder"
    proposal.add("file", '"rates.toml"', f"write it with 'sewer-audit start --rates' from {source}")


def printed_reads(bills: Sequence[Grid]) -> dict[float, str]:
    """Reads that the bills print: count to the day it was read."""
    printed: dict[float, str] = {}
    for grid in bills:
        columns = grid.bill_columns
        for read, day in (("previous_read", "start"), ("current_read", "end")):
            if read in columns and day in columns:
                pairs = zip(grid.cells(columns[read]), grid.cells(columns[day]), strict=True)
                printed |= {n: d for cell, d in pairs if (n := cell_number(cell)) is not None}
    return printed


def per_count(bills: Sequence[Grid]) -> str:
    """What the bills charge for one count of the register they print."""
    for grid in bills:
        columns = grid.bill_columns
        names = ("previous_read", "current_read", "billed_volume")
        if all(name in columns for name in names):
            rows = [[cell_number(cell) for cell in grid.cells(columns[name])] for name in names]
            shares = [
                v / (b - a)
                for a, b, v in zip(*rows, strict=True)
                if None not in (a, b, v) and b > a
            ]
            if shares:
                unit = counted_in(grid.written(columns["billed_volume"]), "volume")
                charge = f"{float(np.median(shares)):.4g} {unit}".strip()
                return f"the bills charge {charge} for one count"
    return ""
