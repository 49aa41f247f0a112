"""Proposals from a book of reads: supply meters, deduct meters, and when the reader comes."""

from __future__ import annotations

import re
from collections import Counter
from itertools import pairwise
from pathlib import Path

import numpy as np

from sewer_audit.drafting.bills import meanings
from sewer_audit.drafting.looking import Grid, unit_in, word_in
from sewer_audit.drafting.proposals import Found, Proposal, day_order, said, text_of
from sewer_audit.records.clock.stamps import parse_stamps
from sewer_audit.records.files.dialect import normalise

__all__ = ["ask_read_hour", "of_reads"]

MOST_OVER = 3.0
"""Use over a roll-over, in usual ones, beyond which a fall is rather a change [-] (judgement)."""


def of_reads(found: Found, grid: Grid, printed, up: str, used, notes, per_count: str) -> None:
    rising = [place for place in grid.names("number") if grid.rises(place)]
    for place in rising:
        hits = len(set(grid.values(place)) & set(printed))
        main = bool(printed) and 2 * hits >= len(printed)
        sheet = normalise(grid.sheet or "") if len(rising) == 1 else ""
        bare = normalise(re.sub(r"\(.*?\)|\[.*?\]", " ", grid.table.header[place]))
        own = bare not in meanings("register")["any"]
        word = "main" if main else sheet or (grid.spoken(place) if own else Path(grid.file).stem)
        alone = len(rising) == 1 and not printed
        name = re.sub(r"\W+", "_", word).strip("_") or "meter"
        while name in used:
            name += "_2"
        used[name] = grid.file
        spoken = f"{grid.spoken(place)} {grid.sheet or ''} {grid.file}".lower()
        spoken = re.sub(r"[\W_]+", " ", spoken)
        roles = meanings("register").items()
        role = next((r for r, words in roles if r != "any" and word_in(spoken, words)), "")
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
        event = _event_column(grid)
        named: dict[str, str] = {**grid.time_columns, **({"event": event} if event else {})}
        named["register"] = grid.table.header[place]
        columns = ", ".join(f"{role} = {text_of(head)}" for role, head in named.items())
        proposal.add("columns", f"{{ {columns} }}",
                     "times stand in two columns" if "date" in named else "")  # fmt: skip
        if not event:
            _fall(proposal, grid, place)
        way = _by_bills(found, proposal, grid, place, printed) if main else None
        if way is None:
            way = day_order(found, proposal, grid.stamps, proposal.name)
        unit, multiplier, told = _counts_in(grid, place)
        if unit:
            proposal.add("unit", text_of(unit), told)
            proposal.add("multiplier", f"{multiplier:g}", told)
        else:
            where = f"{grid.file}, {grid.table.header[place]!r}"
            hint = "; ".join(filter(None, [per_count if supply else "", said(notes, "counts")]))
            found.ask("unit", hint, proposal, what=where)
            found.ask("multiplier", hint, proposal, what=where)
        if supply and printed:
            found.ask("read_within", evidence, proposal, what=grid.file)
        if not supply:
            found.ask("credited", at=proposal, what=called)
        title = f"{grid.file} {grid.sheet or ''} {grid.table.header[place]!r} (counts)"
        proposal.pictures.append((title, grid.moments(way), grid.values(place)))
        found.proposals.append(proposal)


def _by_bills(found: Found, proposal: Proposal, grid: Grid, place: int, printed) -> bool | None:
    """Order of dates under which counts were read on the days the bills print for them."""
    if not re.match(r"\d{1,2}[/.-]\d{1,2}[/.-]\d", grid.stamps[0]):
        return None
    counts, meet = grid.values(place), {}
    days = [printed.get(count, "") for count in counts]
    theirs = parse_stamps(days, found.bills_day_first).naive
    for way in (True, False):
        own = parse_stamps(grid.stamps, way).naive
        apart = theirs.astype("datetime64[D]") - own.astype("datetime64[D]")
        meet[way] = int((apart == np.timedelta64(0, "D")).sum())
    if min(meet.values()) or not max(meet.values()):
        return None
    told = f"{max(meet.values())} reads stand at the day that a bill prints, none the other way"
    proposal.add("day_first", "true" if meet[True] else "false", told)
    return meet[True] > 0


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


def _event_column(grid: Grid) -> str:
    """The column of words in which a change of meter is marked."""
    for place in grid.names("text"):
        if any(cell.lower() == "change-out" for cell in grid.cells(place)):
            return grid.table.header[place]
    return ""


def _fall(proposal: Proposal, grid: Grid, place: int) -> None:
    """A count that falls: a roll-over where the uses around it fit one, else a change of meter."""
    counts = [(row, n) for row, n in enumerate(grid.values(place)) if not np.isnan(n)]
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


def ask_read_hour(found: Found, grids, printed: dict[float, str], notes) -> None:
    """When the reader comes: from the site's own reads that the bills print, else asked."""
    hours: Counter[str] = Counter()
    for grid in grids:
        if grid.what != "reads" or not grid.names("date"):
            continue
        naive = min((grid.moments(way) for way in (True, False)), key=lambda n: np.isnat(n).sum())
        for place in [p for p in grid.names("number") if grid.rises(p)]:
            for moment, count in zip(naive, grid.values(place), strict=True):
                if count in printed and not np.isnat(moment):
                    hours[str(moment.astype("datetime64[m]"))[11:16]] += 1
    hours.pop("00:00", None)
    noted = said(notes, "read_hour")
    bills = next((p for p in found.proposals if p.name == "invoices"), None)
    if not hours or hours.most_common(1)[0][1] <= 0.7 * sum(hours.values()):
        found.ask("read_hour", noted, bills)
    elif bills is not None:
        hour, count = hours.most_common(1)[0]
        told = f"{count} of {sum(hours.values())} reads that bills print were taken at that hour"
        bills.add("read_hour", text_of(hour), f"{told}. {noted}".strip())
