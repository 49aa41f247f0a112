"""From what lies in a folder to proposals with evidence, and questions with their worth.

A proposal is a group of lines of a case file that belong together; it counts only when a person
takes it. What no file can know is a question.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from sewer_audit.drafting.from_bills import of_bills, of_rates, per_count, printed_reads
from sewer_audit.drafting.from_reads import ask_read_hour, of_reads
from sewer_audit.drafting.from_record import of_record
from sewer_audit.drafting.looking import Look
from sewer_audit.drafting.proposals import Found, Proposal, text_of

__all__ = ["propose"]


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
        of_bills(found, bills, notes, up)
    of_rates(found, looks, up)
    printed = printed_reads(bills)
    used: dict[str, str] = {}
    for grid in grids:
        if grid.what == "reads":
            of_reads(found, grid, printed, up, used, notes, per_count(bills))
    for look in looks:
        if look.what == "interval data":
            main = Proposal("intake.interval", "[[intake]]")
            main.add("meter", '"main"', f"{look.file}: {look.why}")
            main.add("file", text_of(up + look.file))
            main.add("form", '"green button"', "it carries its own unit and clock (UTC)")
            found.proposals.append(main)
    if printed and not any(proposal.name == "intake.main" for proposal in found.proposals):
        found.ask("reads.unit", per_count(bills))
        found.ask("reads.multiplier", per_count(bills))
    records = [grid for grid in grids if grid.what == "record"]
    if records:
        of_record(found, records, notes, up, bills)
    ask_read_hour(found, grids, printed, notes)
    return found


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
