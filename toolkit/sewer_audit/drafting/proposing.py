"""From what lies in a folder to proposals with evidence, and questions with their worth.

A proposal is a group of lines of a case file that belong together; it counts only when a person
takes it. What no file can know is a question.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from sewer_audit.drafting.bills import meanings
from sewer_audit.drafting.looking import Grid, Look, cell_number, unit_in, word_in
from sewer_audit.records.dialect import normalise
from sewer_audit.records.numbers import MISSING_NUMBERS, MISSING_WORDS, decimal_mark, is_missing
from sewer_audit.records.stamps import joined_stamps, parse_stamps
from sewer_audit.units import UnitError, to_si

__all__ = ["Line", "Proposal", "Question", "propose"]

FIELDS = {
    "deducted": "deduct",
    "payments": "payment",
    **{n: n for n in ("invoice", "start", "end", "previous_read", "current_read", "read_type",
                      "billed_volume", "total", "multiplier", "previous_balance", "bill_date",
                      "due_date")},
}  # fmt: skip
"""Meaning of a bill's column: our name of it in a case."""
DIMENSION = {
    **dict.fromkeys(("head", "distance", "depth"), "length"),
    "velocity": "velocity",
    "flow": "discharge",
    "echo_time": "time",
    "air_temperature": "temperature",
}


MOST_OVER = 3.0
"""Use over a roll-over, in usual ones, beyond which a fall is rather a change [-] (judgement)."""


@dataclass(frozen=True)
class Line:
    """One line of the case with what speaks for it."""

    key: str
    value: str
    evidence: str = ""


@dataclass
class Proposal:
    """Lines of one table of the case that are taken together.

    name: what the person takes it by; table: its heading in the case; pictures: (title, times,
    values) of what would be read so.
    """

    name: str
    table: str
    lines: list[Line] = field(default_factory=list)
    refused: str = ""
    pictures: list[tuple[str, np.ndarray, np.ndarray]] = field(default_factory=list)

    def add(self, key: str, value: str, evidence: str = "") -> None:
        """One line more."""
        self.lines.append(Line(key, value, evidence))


@dataclass(frozen=True)
class Question:
    """What no file can know: the key it fills, and what an answer is worth."""

    name: str
    table: str
    key: str
    text: str
    worth: str
    hint: str = ""
    quoted: bool = True


@dataclass
class Found:
    """Everything proposed and asked."""

    proposals: list[Proposal] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)

    def ask(
        self, code: str, hint: str = "", at: Proposal | None = None, key: str = "", **data
    ) -> None:
        """Ask a question of the table of questions; `at` is the proposal that it completes."""
        row = _asked()[code]
        name = f"{at.name}.{key or row['key']}" if at else code
        text, worth = (row[part] for part in ("text", "worth"))
        for word, value in data.items():
            text, worth = (each.replace(f"{{{word}}}", value) for each in (text, worth))
        table = row["table"] or (at.table if at else "")
        self.questions.append(
            Question(name, table, key or row["key"], text, worth, hint, row["quoted"] == "yes")
        )


@cache
def _asked() -> dict[str, dict[str, str]]:
    text = resources.files("sewer_audit.drafting").joinpath("questions.csv").read_text("utf-8")
    return {row["name"]: row for row in csv.DictReader(text.splitlines())}


def text_of(value: str) -> str:
    """A TOML string."""
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'


def propose(looks: Sequence[Look], up: str = "../") -> Found:
    """Proposals and questions for a folder that was looked at.

    up: how the case file reaches the folder.
    """
    found = Found()
    grids = [grid for look in looks for grid in look.grids]
    bills = [grid for grid in grids if grid.what == "bills"]
    notes = [look for look in looks if look.what in ("note", "ordinance")]
    _of_site(found, notes)
    if bills:
        _of_bills(found, bills, notes, up)
    _of_rates(found, looks, up)
    printed = _printed_reads(bills)
    used: dict[str, str] = {}
    for grid in grids:
        if grid.what == "reads":
            _of_reads(found, grid, printed, up, used, notes, _per_count(bills))
    for look in looks:
        if look.what == "interval data":
            main = Proposal("intake.interval", "[[intake]]")
            main.add("meter", '"main"', f"{look.file}: {look.why}")
            main.add("file", text_of(up + look.file))
            main.add("form", '"green button"', "it carries its own unit and clock (UTC)")
            found.proposals.append(main)
    if printed and not any(proposal.name == "intake.main" for proposal in found.proposals):
        found.ask("reads.unit", _per_count(bills))
        found.ask("reads.multiplier", _per_count(bills))
    records = [grid for grid in grids if grid.what == "record"]
    if records:
        _of_record(found, records, notes, up)
    _ask_read_hour(found, grids, printed, notes)
    return found


def _said(notes: Sequence[Look], subject: str) -> str:
    """Lines of notes that speak of a subject, word for word, with file and line."""
    words, told = meanings("note")[subject], []
    for look in notes:
        for line, text in enumerate(look.text.splitlines(), start=1):
            if word_in(normalise(re.sub(r"\W+", " ", text)), words) and look.what == "note":
                told.append(f"{look.file}, line {line}: {text.strip()!r}")
    return "; ".join(told[:4])


def _of_site(found: Found, notes: Sequence[Look]) -> None:
    share = re.compile("%|per cent|vom Hundert|por ciento")
    said = [
        f"{look.file}, line {line}: {text.strip()!r}"
        for look in notes
        if look.what == "ordinance"
        for line, text in enumerate(look.text.splitlines(), start=1)
        if re.search(r"\d", text) and share.search(text)
    ]
    found.ask("title")
    found.ask("time_zone")
    found.ask("basis", "; ".join(said[:2]))
    found.ask("return_factor", "; ".join(said[:2]))


# --- bills ----------------------------------------------------------------------------------------


def _of_bills(found: Found, grids: Sequence[Grid], notes: Sequence[Look], up: str) -> None:
    grid = grids[0]
    same = [each for each in grids if each.table.header == grid.table.header]
    proposal = Proposal("invoices", "[invoices]")
    files = list(dict.fromkeys(each.file for each in same))
    rows = sum(len(each.table.rows) for each in same)
    proposal.add("file", _file_list([up + name for name in files]), f"{rows} rows, one a bill")
    if grid.file == "read/invoices.csv":
        proposal.add("printed", text_of(up + "read/figures.csv"), "page and picture of each figure")
    if grid.sheet and len(same) == 1:
        proposal.add("sheet", text_of(grid.sheet))
    if grid.sheet and len(same) > 1:
        sheets = [str(each.sheet) for each in same]
        proposal.add("sheet", _file_list(sheets), "sheets with the same columns")
        if len(files) > 1:
            proposal.refused = "several workbooks with several sheets: save the sheets as files"
    columns = {FIELDS[m]: p for m, p in grid.bill_columns.items() if m in FIELDS}
    missing = [n for n in ("invoice", "start", "end", "billed_volume", "total") if n not in columns]
    if missing:
        proposal.refused = f"no column is known for {', '.join(missing)}: name it under columns"
    named = ", ".join(f"{name} = {text_of(grid.table.header[place])}"
                      for name, place in columns.items())  # fmt: skip
    charges = [name for place, name in enumerate(grid.table.header) if name and
               place not in columns.values() and grid.kinds[place] == "number"]  # fmt: skip
    proposal.add("columns", f"{{ {named} }}", f"by their names; charge lines: {', '.join(charges)}")
    place = columns.get("billed_volume")
    unit = unit_in(grid.written(place), "volume") if place is not None else ""
    if unit:
        proposal.add("volume_unit", text_of(unit), f"named in {grid.table.header[place or 0]!r}")
    else:
        found.ask("volume_unit", at=proposal)
    dates = [grid.cells(columns[n]) for n in ("start", "end") if n in columns]
    forward = _runs_forward(dates) if len(dates) == 2 else None
    if forward:
        proposal.add("day_first", *forward)
    else:
        _day_order(found, proposal, [cell for column in dates for cell in column], "invoices")
    _decimal_of(found, proposal, [grid], "invoices")
    _end_day(found, proposal, same, columns)
    found.proposals.append(proposal)


def _file_list(names: Sequence[str]) -> str:
    return text_of(names[0]) if len(names) == 1 else f"[{', '.join(map(text_of, names))}]"


def _day_order(found: Found, proposal: Proposal, cells: Sequence[str], name: str) -> bool | None:
    """Order of dates from the stamps that fit only one; asked where none does."""
    days = Counter(cell[:7] for cell in cells)
    parts = [(m, count) for day, count in days.items()
             if (m := re.match(r"(\d{1,2})[/.-](\d{1,2})[/.-]\d", day))]  # fmt: skip
    day_first = sum(count for m, count in parts if int(m[1]) > 12)
    month_first = sum(count for m, count in parts if int(m[2]) > 12)
    evidence = (f"{day_first:,} of {len(cells):,} stamps can only be day first, {month_first:,} "
                "only month first")  # fmt: skip
    if not parts:
        return None
    if bool(day_first) != bool(month_first):
        proposal.add("day_first", "true" if day_first else "false", evidence)
        return bool(day_first)
    found.ask("day_first", evidence, proposal, what=name)
    return None


def _runs_forward(dates: Sequence[Sequence[str]]) -> tuple[str, str] | None:
    """Order of dates under which every period is of a week to half a year, where one alone does."""
    fits = {}
    for first in (True, False):
        start, end = (parse_stamps(column, first).naive for column in dates)
        days = (end - start) / np.timedelta64(1, "D")
        fits[first] = int(((days >= 7) & (days <= 184)).sum())
    rows = len(dates[0])
    if max(fits.values()) < rows or fits[True] == fits[False]:
        return None
    told = (
        f"{fits[True]} of {rows} periods run forward with day first, {fits[False]} with month first"
    )
    return ("true" if fits[True] == rows else "false"), told


def _decimal_of(found: Found, proposal: Proposal, grids: Sequence[Grid], name: str) -> None:
    """The decimal mark where the file leaves it open."""
    cells = [cell for grid in grids for row in grid.table.rows[:3000] for cell in row]
    if decimal_mark(cells) is None:
        odd = next((cell for cell in cells if re.fullmatch(r"\d{1,3},\d{3}", cell.strip())), "")
        found.ask("decimal", f"{odd!r} can be read both ways", proposal, what=name)


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


def _of_rates(found: Found, looks: Sequence[Look], up: str) -> None:
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


# --- reads ----------------------------------------------------------------------------------------


def _printed_reads(bills: Sequence[Grid]) -> dict[float, str]:
    """Reads that the bills print: count to the day it was read."""
    printed: dict[float, str] = {}
    for grid in bills:
        columns = grid.bill_columns
        for read, day in (("previous_read", "start"), ("current_read", "end")):
            if read in columns and day in columns:
                pairs = zip(grid.cells(columns[read]), grid.cells(columns[day]), strict=True)
                printed |= {n: d for cell, d in pairs if (n := cell_number(cell)) is not None}
    return printed


def _per_count(bills: Sequence[Grid]) -> str:
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
                unit = unit_in(grid.written(columns["billed_volume"]), "volume")
                charge = f"{float(np.median(shares)):.4g} {unit}".strip()
                return f"the bills charge {charge} for one count"
    return ""


def _counts_in(grid: Grid, place: int) -> tuple[str, float, str]:
    """Unit and multiplier of a register from the words around it: name, row of units, title."""
    for text in (f"{grid.written(place)} {grid.sheet or ''}", grid.above):
        times = re.search(r"(?:^|\s)x\s*(\d[\d,]*)", text)
        many = 100.0 if "hundreds" in text.lower() else 1.0
        many = 1000.0 if "thousands" in text.lower() else many
        unit = unit_in(re.sub("(?i)(hundred|thousand)s of", "", text), "volume")
        multiplier = float(times[1].replace(",", "")) if times else many
        if unit:
            return unit, multiplier, f"by the words {text.strip()!r}"
    return "", 1.0, ""


def _of_reads(found: Found, grid: Grid, printed, up: str, used, notes, per_count: str) -> None:
    dates, clocks = grid.names("date") or grid.names("epoch"), grid.names("clock")
    columns = [place for place in grid.names("number") if grid.rises(place)]
    for place in columns:
        counts = {n for cell in grid.cells(place) if (n := cell_number(cell)) is not None}
        hits = len(counts & set(printed))
        main = bool(printed) and 2 * hits >= len(printed)
        sheet = normalise(grid.sheet or "") if len(columns) == 1 else ""
        heads = [normalise(each) for each in ("register", "count", "reading")]
        own = grid.spoken(place) not in heads
        word = "main" if main else sheet or (grid.spoken(place) if own else Path(grid.file).stem)
        alone = len(columns) == 1 and not printed
        name = re.sub(r"\W+", "_", word).strip("_") or "meter"
        while name in used:
            name += "_2"
        used[name] = grid.file
        spoken = f"{grid.spoken(place)} {grid.sheet or ''} {grid.file}".lower()
        spoken = re.sub(r"[\W_]+", " ", spoken)
        roles = meanings("register").items()
        role = next((role for role, words in roles if word_in(spoken, words)), "")
        supply = main or alone
        proposal = Proposal(f"intake.{name}" if supply else f"use.{name}",
                            "[[intake]]" if supply else "[[use]]")  # fmt: skip
        evidence = (f"{hits} of {len(printed)} reads printed on bills stand in this column"
                    if printed else "no bill with reads was read to hold it against")  # fmt: skip
        if supply:
            proposal.add("meter", text_of(name), evidence)
        else:
            called = grid.table.header[place] if own else name.replace("_", " ")
            proposal.add("name", text_of(called), evidence)
            doubt = "take this only if its water never reaches the sewer"
            told = f"its words speak of {role}" if role else "no word tells what it counts"
            proposal.add("kind", '"deduct meter"', f"{told}: {doubt}")
            if role == "effluent":
                proposal.refused = "it seems to count the effluent: no deduct meter"
        proposal.add("file", text_of(up + grid.file))
        if grid.sheet:
            proposal.add("sheet", text_of(grid.sheet))
        stamp = [f"date = {text_of(grid.table.header[dates[0]])}"] if clocks else []
        time = (clocks or dates)[0]
        stamp.append(f"time = {text_of(grid.table.header[time])}")
        register = text_of(grid.table.header[place])
        event = _event_column(grid)
        stamp += [f"event = {text_of(event)}"] if event else []
        proposal.add("columns", f"{{ {', '.join(stamp)}, register = {register} }}",
                     "times stand in two columns" if clocks else "")  # fmt: skip
        if not event:
            _fall(proposal, grid, place)
        way = _day_order(found, proposal, grid.cells(dates[0]), proposal.name)
        unit, multiplier, told = _counts_in(grid, place)
        if unit:
            proposal.add("unit", text_of(unit), told)
            proposal.add("multiplier", f"{multiplier:g}", told)
        else:
            where = f"{grid.file}, {grid.table.header[place]!r}"
            hint = "; ".join(filter(None, [per_count if supply else "", _said(notes, "counts")]))
            found.ask("unit", hint, proposal, what=where)
            found.ask("multiplier", hint, proposal, what=where)
        if supply and printed:
            found.ask("read_within", evidence, proposal, what=grid.file)
        if not supply:
            found.ask("credited", at=proposal, what=called)
        stamps = grid.cells(dates[0])
        stamps = joined_stamps(stamps, grid.cells(clocks[0])) if clocks else stamps
        values = np.array(
            [np.nan if (n := cell_number(c)) is None else n for c in grid.cells(place)]
        )
        title = f"{grid.file} {grid.sheet or ''} {grid.table.header[place]!r} (counts)"
        proposal.pictures.append((title, parse_stamps(stamps, way).naive, values))
        found.proposals.append(proposal)


def _event_column(grid: Grid) -> str:
    """The column of words in which a change of meter is marked."""
    for place in grid.names("text"):
        if any(cell.lower() == "change-out" for cell in grid.cells(place)):
            return grid.table.header[place]
    return ""


def _fall(proposal: Proposal, grid: Grid, place: int) -> None:
    """A count that falls: a roll-over where the uses around it fit one, else a change of meter."""
    counts = [(row, count) for row, cell in enumerate(grid.cells(place))
              if (count := cell_number(cell)) is not None]  # fmt: skip
    pairs = [(before, row, after) for (_, before), (row, after) in pairwise(counts)]
    falls = [pair for pair in pairs if pair[2] < pair[0] / 2]
    if not falls:
        return
    usual = float(np.median([after - before for before, _, after in pairs if after >= before]))
    digits = {len(str(int(before))) for before, _, _ in falls}
    most = max(int(count) for _, count in counts)
    over = [after + 10 ** len(str(int(before))) - before for before, _, after in falls]
    told = ", ".join(f"from {before:,.10g} to {after:,.10g} in line {grid.table.lines[row]}"
                     for before, row, after in falls[:3])  # fmt: skip
    if len(digits) == 1 and len(str(most)) in digits and max(over) < MOST_OVER * usual:
        proposal.add("digits", str(min(digits)), f"the count falls {told}: a roll-over, for it "
                     f"leaves a use of {max(over):,.10g} where {usual:,.10g} is usual; a change "
                     "of meter, if one was changed then")  # fmt: skip
        return
    words = [grid.cells(n)[falls[0][1]] for n in grid.names("text")]
    proposal.refused = (
        f"the count falls {told} {next(filter(None, words), '')!r}. After a change of meter write "
        "change-out there in a column of its own; for a roll-over state digits"
    )


def _ask_read_hour(found: Found, grids, printed: dict[float, str], notes) -> None:
    """When the reader comes: from the site's own reads that the bills print, else asked."""
    hours: Counter[str] = Counter()
    for grid in grids:
        dates, clocks = grid.names("date"), grid.names("clock")
        if grid.what != "reads" or not dates:
            continue
        stamps = grid.cells(dates[0])
        stamps = joined_stamps(stamps, grid.cells(clocks[0])) if clocks else stamps
        read = parse_stamps(stamps, True)
        other = parse_stamps(stamps, False)
        naive = (
            read.naive if np.isnat(read.naive).sum() <= np.isnat(other.naive).sum() else other.naive
        )
        for place in [p for p in grid.names("number") if grid.rises(p)]:
            for moment, cell in zip(naive, grid.cells(place), strict=True):
                if cell_number(cell) in printed and not np.isnat(moment):
                    hours[str(moment.astype("datetime64[m]"))[11:16]] += 1
    hours.pop("00:00", None)
    said = _said(notes, "read_hour")
    if hours and hours.most_common(1)[0][1] > 0.7 * sum(hours.values()):
        hour, count = hours.most_common(1)[0]
        told = f"{count} of {sum(hours.values())} reads that bills print were taken at that hour"
        for proposal in found.proposals:
            if proposal.name == "invoices":
                proposal.add("read_hour", text_of(hour), f"{told}. {said}".strip())
        return
    found.ask("read_hour", said, next((p for p in found.proposals if p.name == "invoices"), None))


# --- the record -----------------------------------------------------------------------------------


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


def _of_record(found: Found, grids: Sequence[Grid], notes: Sequence[Look], up: str) -> None:
    first = grids[0]
    roles = _roles(first)
    proposal = Proposal("effluent", "[effluent]")
    together = [grid for grid in grids if set(_roles(grid)) == set(roles)]
    proposal.add("file", _file_list([up + grid.file for grid in together]),
                 f"{sum(len(grid.table.rows) for grid in together):,} rows with times")  # fmt: skip
    if not roles or set(roles) == {"air_temperature"}:
        names = ", ".join(repr(first.table.header[p]) for p in first.names("number"))
        proposal.refused = f"no word tells what the columns {names} measure: name them"
    problems = [grid.problems[0] for grid in together if grid.problems]
    if problems:
        proposal.refused = str(problems[0])
    dates, clocks = first.names("date") or first.names("epoch"), first.names("clock")
    units: dict[str, str] = {}
    columns = Proposal("effluent", "[effluent.columns]")
    if clocks:
        columns.add("date", text_of(first.table.header[dates[0]]))
    columns.add("time", text_of(first.table.header[(clocks or dates)[0]]))
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
    stamps = _stamps(together)
    way = _day_order(found, proposal, stamps, "effluent")
    naive = _moments(stamps, way)
    _decimal_of(found, proposal, [first], "effluent")
    ends = np.cumsum([len(grid.table.rows) for grid in together])[:-1]
    _clock(found, proposal, first, np.split(naive, ends), notes)
    _stamp_words(found, proposal, first.spoken((clocks or dates)[0]))
    _marks(proposal, together)
    said = _said(notes, "method")
    found.ask("method", said, proposal)
    if {"distance", "echo_time"} & set(roles):
        worth = _zero_worth(together, units)
        found.ask("reference_distance", _said(notes, "reference_distance"), proposal, worth=worth)
    level = next(iter(roles.values()), None)
    if level is not None:
        cells = [cell for grid in together for cell in grid.cells(_roles(grid)[next(iter(roles))])]
        values = pd.to_numeric(pd.Series(cells).str.replace(",", "."), errors="coerce").to_numpy(
            dtype=float
        )
        name = first.table.header[level]
        proposal.pictures.append(
            (f"{', '.join(g.file for g in together)}: {name!r}", naive, values)
        )
    if "echo_time" in roles:
        _echo_way(proposal, values, units.get("echo_time", ""))
    found.proposals += [proposal, columns]


def _moments(stamps: Sequence[str], way: bool | None) -> np.ndarray:
    """Clock readings, also of seconds or milliseconds since 1970."""
    if re.fullmatch(r"1[0-8]\d{8}(?:000)?", stamps[0]):
        return np.array([int(each[:10]) for each in stamps], "datetime64[s]").astype(
            "datetime64[us]"
        )
    return parse_stamps(stamps, way).naive


def _stamps(grids: Sequence[Grid]) -> list[str]:
    stamps: list[str] = []
    for grid in grids:
        dates, clocks = grid.names("date") or grid.names("epoch"), grid.names("clock")
        own = grid.cells(dates[0])
        stamps += joined_stamps(own, grid.cells(clocks[0])) if clocks else own
    return stamps


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
    said = _said(notes, "clock")
    told = f"{twice} stamps stand twice in a Sunday night, {spring} Sunday nights lack an hour"
    told = f"{told}. {said}".strip()
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
        for place in _roles(grid).values():
            cells = pd.Series(grid.cells(place))
            values = pd.to_numeric(cells.str.replace(",", "."), errors="coerce")
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
    place = _roles(grids[0])[role]
    values = pd.to_numeric(pd.Series(grids[0].cells(place)).str.replace(",", "."), errors="coerce")
    try:
        swing = float(to_si(float(values.quantile(0.98) - values.median()), units[role], "length"))
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
