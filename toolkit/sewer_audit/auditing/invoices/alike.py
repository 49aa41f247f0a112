"""What departs in every bill of an edition, and so may be typed wrongly in the case."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import takewhile

from sewer_audit.auditing.invoices.pricing import Pricing
from sewer_audit.case import Case
from sewer_audit.charges import Ledger
from sewer_audit.errors import Flag

FEWEST = 3
"""Bills of an edition from which on "every one of them" says something (judgement) [-]."""
UNKNOWN = "unknown-charge"
OTHER_EDITION, DATE, VOLUME = "wrong-rate-version", "date of the rates", "charged volume"
TYPED = {
    VOLUME: "the return factor and other rules of the volume, its meters and credited uses",
    DATE: "the dates from which rates hold",
}
"""What to hold beside the printed schedule, where it is more than the charge of that name."""


def alike_flags(case: Case, pricing: Pricing | None, ledger: Ledger) -> list[Flag]:
    """A warning for each figure that departs in every bill of an edition of the schedule.

    Notes
    -----
    An error of the city begins somewhere. What is typed wrongly in a case, or read otherwise than
    the city reads it, is everywhere, and makes every bill wrong alike. Neither can be told from the
    bills, so the finding stands and the reader is told what to look at before it is used.
    """
    if pricing is None or case.data.rates is None:
        return []
    held, seen = case.data.rates.held_beside, case.data.case.units_confirmed
    editions: dict[int, list[str]] = {}
    for stated in sorted(pricing.stated, key=lambda each: each.parts[0].start):
        if len(stated.parts) == 1:
            editions.setdefault(id(stated.parts[0].version), []).append(stated.invoice)
    whole = [names for names in editions.values() if len(names) >= FEWEST]
    found = []
    for link in dict.fromkeys(entry.link for entry in ledger.entries):
        entries = [entry for entry in ledger.entries if entry.link == link]
        off = dict.fromkeys(entry.invoice for entry in entries)
        unknown = any(entry.code == UNKNOWN for entry in entries)
        alike = [name for names in whole if off.keys() >= set(names) for name in names]
        if (unknown or alike) and not (held and (seen or link != VOLUME)):
            found.append(_flag(case, pricing, link, list(off) if unknown else alike, unknown))
    moved = {entry.invoice for entry in ledger.entries if entry.code == OTHER_EDITION}
    if not found and not held and (beside := _beside_a_change(list(editions.values()), moved)):
        found.append(_flag(case, pricing, DATE, beside))
    return found


def _beside_a_change(editions: Sequence[Sequence[str]], moved: set[str]) -> list[str]:
    """Bills one after another, up to a change of rates or from it on, by the other edition."""
    for place, names in enumerate(editions):
        for ordered, at_edge in ((names[::-1], place + 1 < len(editions)), (names, place > 0)):
            run = list(takewhile(moved.__contains__, ordered))
            if at_edge and run:
                return sorted(run, key=list(names).index)
    return []


def _flag(
    case: Case, pricing: Pricing, link: str, names: Sequence[str], unknown: bool = False
) -> Flag:
    source = pricing.schedule.schedule.source
    file = case.data.rates.file  # type: ignore[union-attr]
    which = "beside a change of rates" if link == DATE else "of an edition"
    count = f"all {len(names)} bills {which} depart" if names[1:] else f"the bill {which} departs"
    why = (
        f"{count} from the schedule. An error of the city begins somewhere; a figure typed "
        "wrongly, or a rule read otherwise than the city reads it, is everywhere."
    )
    if unknown:
        why = (
            f"a charge of {', '.join(names)} that the rate file does not hold. One that was left "
            "out of it, or that rests on another paper, looks the same as one nobody may make."
        )
    return Flag(
        "rates-to-be-held-beside",
        f"{link}: {why} Before anything is sent, hold {TYPED.get(link, repr(link))} in "
        f"{file} beside the printed schedule{f' ({source})' if source else ''}; then say under "
        "[rates] who did, and which page: held_beside = '...'"
        + (", and under [case] who saw the registers: units_confirmed = '...'" * (link == VOLUME))
        + ".",
        {"link": link, "invoices": list(names)},
    )
