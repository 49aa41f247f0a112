"""What a table of bills is by its figures: periods that meet, reads that go on, lines that add up.

Names come first; what no name tells, in whatever language, the figures may.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations, product
from typing import TYPE_CHECKING

import numpy as np

from sewer_audit.records.bills.invoices import read_type_of
from sewer_audit.records.clock.stamps import parse_stamps

if TYPE_CHECKING:
    from sewer_audit.drafting.looking import Grid

__all__ = ["adding_up", "by_shape", "money_lines", "period_days"]

MOST = 0.7
"""Share of rows that must fit for a column to be known by its figures [-] (judgement)."""
MOST_TRIED = 12
"""Columns of figures among which those that add up to the total are looked for [-]."""
CENT = 0.005


def period_days(grids: Sequence[Grid], start: int, end: int, day_first: bool | None) -> np.ndarray:
    """Length of each period; not a number where a date cannot be read so."""
    ends = [[cell for grid in grids for cell in grid.cells(place)] for place in (start, end)]
    first, last = (parse_stamps(cells, day_first).naive for cells in ends)
    return (last - first) / np.timedelta64(1, "D")


def adding_up(
    figures: np.ndarray, total: np.ndarray, before: np.ndarray | None = None
) -> tuple[np.ndarray, int]:
    """Which columns add up to the total in most rows, and in how many; of equals the most columns.

    before: a balance carried over that the total may hold too.
    """
    chosen = np.array([*product((False, True), repeat=figures.shape[1])])
    sums = np.nan_to_num(figures) @ chosen.T
    fits = np.abs(sums - total[:, None]) < CENT
    if before is not None:
        fits |= np.abs(sums + np.nan_to_num(before)[:, None] - total[:, None]) < CENT
    best = max(range(len(chosen)), key=lambda n: (fits[:, n].sum(), chosen[n].sum()))
    return chosen[best], int(fits[:, best].sum())


def money_lines(grid: Grid, known: dict[str, int]) -> list[int]:
    """Columns that add up to the total, whatever they are called: no volumes."""
    apart = [place for name, place in known.items() if name not in ("billed_volume", "usage")]
    free = [n for n in grid.names("number") if n not in apart]
    if "total" not in known or not 1 < len(free) <= MOST_TRIED:
        return []
    total = grid.values(known["total"])
    balance = known.get("previous_balance")
    before = None if balance is None else grid.values(balance)
    chosen, fits = adding_up(np.array([grid.values(n) for n in free]).T, total, before)
    return [n for n, line in zip(free, chosen, strict=True) if line and fits >= MOST * len(total)]


def by_shape(grid: Grid, found: dict[str, int]) -> dict[str, int]:
    """Meanings of columns of a table of bills that no name told, from their figures."""
    known = dict(found)
    free = [n for n in grid.names("number") if n not in found.values()]
    dates = [n for n in grid.names("date") if n not in found.values()]
    rows = len(grid.table.rows)
    if rows < 3:
        return known
    if not {"start", "end"} & found.keys() and (pair := _periods(grid, dates)):
        known["start"], known["end"] = pair
    values = {n: grid.values(n) for n in free}
    befores, afters = (
        [found[name]] if name in found else free for name in ("previous_read", "current_read")
    )
    for one, two in product(befores, afters):
        before, after = grid.values(one), grid.values(two)
        meets = np.abs(before[1:] - after[:-1]) < CENT
        if one != two and meets.mean() >= MOST and (after > before).mean() >= MOST:
            known["previous_read"], known["current_read"] = one, two
            break
    rest = [n for n in free if n not in known.values()]
    if "total" not in found and 2 < len(rest) <= MOST_TRIED:
        for place in reversed(rest):
            others = [n for n in rest if n != place]
            chosen, fits = adding_up(np.array([values[n] for n in others]).T, values[place])
            if chosen.sum() >= 2 and fits >= MOST * rows:
                known["total"] = place
                break
    reads = [known.get(name) for name in ("previous_read", "current_read")]
    if "billed_volume" not in found and "total" in known and None not in reads:
        used = grid.values(reads[1]) - grid.values(reads[0])  # type: ignore[arg-type]
        money = money_lines(grid, known)
        for place in [n for n in rest if n not in (known["total"], *money)]:
            with np.errstate(divide="ignore", invalid="ignore"):
                share = values[place] / used
            if (np.abs(share / np.nanmedian(share) - 1) < 1e-3).mean() >= MOST:
                known["billed_volume"] = place
                break
    for place in grid.names("text") + free:
        cells = grid.cells(place)
        kinds = {read_type_of(cell) for cell in cells}
        if kinds == {"actual", "estimated"} and place not in known.values():
            known.setdefault("read_type", place)
        elif place not in known.values() and len(set(cells)) == rows and "" not in cells:
            if not any("." in cell or "," in cell for cell in cells):
                known.setdefault("invoice", place)
    return known


def _periods(grid: Grid, dates: Sequence[int]) -> tuple[int, int] | None:
    """Two columns of dates of which each row ends where the next begins."""
    for one, two in permutations(dates, 2):
        for first in (True, False):
            days = period_days([grid], one, two, first)
            starts, ends = (parse_stamps(grid.cells(n), first).naive for n in (one, two))
            gaps = (starts[1:] - ends[:-1]) / np.timedelta64(1, "D")
            runs = ((days >= 7) & (days <= 184)).mean() >= MOST
            if runs and ((gaps >= 0) & (gaps <= 1)).mean() >= MOST:
                return one, two
    return None
