"""Proposals from the exports of a logger: columns, clock, marks of what is missing."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

import numpy as np
import pandas as pd

from sewer_audit.drafting.bills import meanings
from sewer_audit.drafting.looking import Grid, Look, cell_number, unit_in, word_in
from sewer_audit.drafting.proposals import (
    Found,
    Proposal,
    ask_decimal,
    day_order,
    file_list,
    not_taken,
    said,
    text_of,
)
from sewer_audit.records.clock.stamps import parse_stamps
from sewer_audit.records.files.numbers import MISSING_NUMBERS, MISSING_WORDS, is_missing
from sewer_audit.units import UnitError, to_si

__all__ = ["of_record"]

DIMENSION = {
    **dict.fromkeys(("head", "distance", "depth"), "length"),
    "velocity": "velocity",
    "flow": "discharge",
    "echo_time": "time",
    "air_temperature": "temperature",
}


def of_record(
    found: Found, grids: Sequence[Grid], notes: Sequence[Look], up: str, bills: Sequence[Grid]
) -> None:
    first = next((grid for grid in grids if _roles(grid)), grids[0])
    roles = _roles(first)
    proposal = Proposal("effluent", "[effluent]")
    together = [grid for grid in grids if set(_roles(grid)) == set(roles)
                and (roles or grid.table.header == first.table.header)]  # fmt: skip
    rows = sum(len(grid.table.rows) for grid in together)
    proposal.add("file", file_list([up + grid.file for grid in together]),
                 f"{rows:,} rows with times{not_taken(grids, together)}")  # fmt: skip
    problems = [grid.problems[0] for grid in together if grid.problems]
    if problems:
        proposal.refused = str(problems[0])
    units: dict[str, str] = {}
    columns = Proposal("effluent", "[effluent.columns]")
    for role, head in first.time_columns.items():
        columns.add(role, text_of(head))
    for role, place in roles.items():
        units[role] = unit_in(first.written(place), DIMENSION[role])
        if role == "air_temperature" and not units[role]:
            units[role] = {"f": "degF", "c": "degC"}.get(first.spoken(place)[-1:], "")
        name = text_of(first.table.header[place])
        if units[role]:
            columns.add(role, f"{{ name = {name}, unit = {text_of(units[role])} }}",
                        f"by the words {first.spoken(place)!r}")  # fmt: skip
        else:
            found.ask("column", at=columns, key=role, what=f"{first.table.header[place]} ({role})")
    if not roles.keys() - {"air_temperature"}:
        _ask_roles(found, columns, first, [*roles.values()])
    other = []
    for grid in together[1:]:
        if grid.table.header != first.table.header:
            own = ", ".join(
                f"{role} = {{ name = {text_of(grid.table.header[p])}, unit = "
                f"{text_of(unit_in(grid.written(p), DIMENSION[role]))} }}"
                for role, p in _roles(grid).items()
            )
            other.append(f"{text_of(up + grid.file)} = {{ {own} }}")
    if other:
        proposal.add(
            "file_columns", f"{{ {', '.join(other)} }}", "these exports have other columns"
        )
    way = day_order(found, proposal, [s for grid in together for s in grid.stamps], "effluent")
    moments = [grid.moments(way) for grid in together]
    ask_decimal(found, proposal, [first], "effluent")
    _clock(found, proposal, first, moments, notes)
    _reach(found, proposal, moments, bills)
    stamped = first.table.header.index(first.time_columns["time"])
    _stamp_words(found, proposal, first.spoken(stamped))
    _marks(proposal, together)
    found.ask("method", said(notes, "method"), proposal)
    if {"distance", "echo_time"} & set(roles):
        worth = _zero_worth(together, units)
        found.ask("reference_distance", said(notes, "reference_distance"), proposal, worth=worth)
    if roles:
        values = np.concatenate([_numbers(grid, next(iter(roles))) for grid in together])
        name = first.table.header[next(iter(roles.values()))]
        title = f"{', '.join(grid.file for grid in together)}: {name!r}"
        proposal.pictures.append((title, np.concatenate(moments), values))
    if "echo_time" in roles:
        _echo_way(proposal, values, units.get("echo_time", ""))
    found.proposals += [proposal, columns]


def _reach(found: Found, proposal: Proposal, naive: Sequence[np.ndarray], bills) -> None:
    """Bills that lie wholly outside of the record would be refused with it."""
    way = found.bills_day_first
    ends: list[np.ndarray] = []
    for name in ("start", "end"):
        cells = [cell for grid in bills if name in grid.bill_columns
                 for cell in grid.cells(grid.bill_columns[name])]  # fmt: skip
        ends.append(parse_stamps(cells, way).naive)
    seen = np.concatenate(naive)
    seen = seen[~np.isnat(seen)]
    if not seen.size or len(ends[0]) != len(ends[1]):
        return
    outside = int(((ends[1] <= seen.min()) | (ends[0] >= seen.max())).sum())
    if outside:
        days = (str(each)[:10] for each in (seen.min(), seen.max()))
        told = f"the record reaches from {' to '.join(days)}, bills outside of it: {outside}"
        proposal.add(
            "allow_missing_periods", "true", f"{told}; they are estimated from the rest and marked"
        )


def _ask_roles(found: Found, columns: Proposal, grid: Grid, known: Sequence[int]) -> None:
    """No word tells what a column measures: those with a unit of flow are asked, else all."""
    free = [place for place in grid.names("number") if place not in known]
    units = {place: unit for place in free for dimension in ("length", "velocity", "discharge")
             if (unit := unit_in(grid.written(place), dimension))}  # fmt: skip
    for place in units or free:
        name, unit = grid.table.header[place], units.get(place, "UNIT")
        form = f"… = {{ name = {text_of(name)}, unit = {text_of(unit)} }}"
        hint = "" if place in units else "write its unit in place of UNIT"
        key = re.sub(r"\W+", "_", grid.spoken(place)).strip("_")
        found.ask("role", hint, columns, key=key, form=form, what=repr(name))


def _roles(grid: Grid) -> dict[str, int]:
    """Role of columns of a record by their names; the first column that fits each."""
    roles: dict[str, int] = {}
    for role, words in meanings("record").items():
        for place in grid.names("number"):
            if place not in roles.values() and word_in(grid.spoken(place), words):
                roles.setdefault(role, place)
    if "velocity" in roles and "head" in roles:
        roles["depth"] = roles.pop("head")
    levels = [r for r in ("distance", "echo_time", "depth", "head", "flow") if r in roles]
    for role in levels[1:] if "velocity" not in roles else []:
        del roles[role]
    return roles


def _numbers(grid: Grid, role: str) -> np.ndarray:
    """Values of a role; a word is not a number."""
    cells = pd.Series(grid.cells(_roles(grid)[role]))
    return pd.to_numeric(cells.str.replace(",", "."), errors="coerce").to_numpy(dtype=float)


def _clock(
    found: Found, proposal: Proposal, grid: Grid, naive: Sequence[np.ndarray], notes
) -> None:
    """Whether the clock follows daylight saving: what it does in the two nights of the change."""
    words = " ".join([*grid.table.header, *grid.table.units]).lower()
    word = next((zone for zone, names in meanings("clock").items()
                 if word_in(re.sub(r"[^\w]+", " ", words), names)), "")  # fmt: skip
    if grid.names("epoch"):
        stamp = next(filter(None, grid.cells(grid.names("epoch")[0])), "")
        form = "epoch seconds" if len(stamp) == 10 else "epoch milliseconds"
        proposal.add("time_form", text_of(form), f"{stamp!r} counts from 1970, in UTC")
        return
    if word:
        proposal.add("time_zone", text_of(word), f"the head of the file names the clock: {words!r}")
        return
    spring = twice = 0
    for own in naive:  # file by file: exports that overlap repeat stamps of their own
        known = np.sort(own[~np.isnat(own)])
        clock = pd.DatetimeIndex(known)
        night = np.asarray((clock.day_of_week == 6) & (clock.hour < 4))[1:]
        gaps = np.diff(known).astype("timedelta64[s]").astype(float) / 60
        step = float(np.median(gaps[gaps > 0])) if (gaps > 0).any() else 0.0
        spring += int((np.abs(gaps[night] - step - 60) < 0.1).sum()) if step else 0
        twice += int(((gaps == 0) & night).sum())
    told = f"{twice} stamps stand twice in a Sunday night, {spring} Sunday nights lack an hour"
    seen = np.concatenate(naive)
    days = pd.DatetimeIndex(np.unique(seen[~np.isnat(seen)].astype("datetime64[D]")))
    if not twice and not spring and {3, 4} <= set(days.month):
        told += ", though March and April are there: a clock that kept a fixed offset"
    told = f"{told}. {said(notes, 'clock')}".strip()
    if twice >= 3 or spring:
        proposal.add("# clock", "daylight saving, as the site: no line needed", told)
        return
    found.ask("clock", told, proposal)


def _stamp_words(found: Found, proposal: Proposal, words: str) -> None:
    for stamp, names in meanings("stamp").items():
        if word_in(words, names):
            proposal.add("stamp", text_of(stamp), f"by the words {words!r}")


def _marks(proposal: Proposal, grids: Sequence[Grid]) -> None:
    """Words and numbers that stand for no value in the columns of a record."""
    words: Counter[str] = Counter()
    for grid in grids:
        for role, place in _roles(grid).items():
            cells = pd.Series(grid.cells(place))
            values = pd.Series(_numbers(grid, role))
            odd = cells[values.isna()]
            words.update(c for c in odd if not is_missing(c) and cell_number(c) is None)
            low, high = values.quantile([0.02, 0.98])
            wide = 2 * (high - low)
            far = values[(values < low - wide) | (values > high + wide) | (values == 0) & (low > 0)]
            counts = far.value_counts()
            words.update({f"{v:g}": int(n) for v, n in counts.items()
                          if n >= 3 and v not in MISSING_NUMBERS})  # fmt: skip
    marks = [word for word, _ in words.most_common(6) if word.lower() not in MISSING_WORDS]
    if marks:
        counted = ", ".join(f"{mark!r} {words[mark]} times" for mark in marks)
        proposal.add("missing_marks", f"[{', '.join(map(text_of, marks))}]", f"{counted}, where "
                     "values are due")  # fmt: skip


def _zero_worth(grids: Sequence[Grid], units: dict[str, str]) -> str:
    """What an error of 3 mm is worth at the usual swing of the level."""
    role = next((r for r in ("distance", "head", "depth") if units.get(r)), "")
    if not role:
        return "3 mm of zero may be several per cent of the volume"
    low, high = np.nanquantile(_numbers(grids[0], role), [0.5, 0.98])
    try:
        swing = float(to_si(float(high - low), units[role], "length"))
    except UnitError:
        return "3 mm of zero may be several per cent of the volume"
    return (f"the level swings by {1000 * swing:.0f} mm; each 3 mm of zero are about "
            f"{100 * 1.5 * 0.003 / max(swing, 0.003):.0f} % of the volume or more")  # fmt: skip


def _echo_way(proposal: Proposal, values: np.ndarray, unit: str) -> None:
    """Whether the echo time is there and back: the distance either way, for the reader to judge."""
    if unit:
        seconds = float(to_si(float(np.nanmedian(values[values > 0])), unit, "time"))
        metres = seconds * 340
        proposal.add("# echo", "the echo time is read as the whole way, there and back",
                     f"{metres / 2:.2f} m away so; {metres:.2f} m if it were one way")  # fmt: skip
