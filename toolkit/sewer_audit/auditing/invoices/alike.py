"""What departs in every bill of an edition, and so may be typed wrongly in the case."""

from __future__ import annotations

from collections.abc import Sequence

from sewer_audit.auditing.invoices.pricing import Pricing
from sewer_audit.case import Case
from sewer_audit.charges import Ledger, price
from sewer_audit.errors import Flag

FEWEST = 3
"""Bills of an edition from which on "every one of them" says something (judgement) [-]."""
TYPED = {
    "volume": "the return factor and other rules of the volume, the meters it is made of and the "
    "uses that are credited",
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
    if pricing is None or case.data.rates is None or case.data.rates.held_beside:
        return []
    editions: dict[int, list[str]] = {}
    for facts in pricing.facts:
        parts = price(pricing.schedule, facts).parts
        if len(parts) == 1:
            editions.setdefault(id(parts[0].version), []).append(facts.invoice)
    whole = [names for names in editions.values() if len(names) >= FEWEST]
    found = []
    for link in dict.fromkeys(entry.link for entry in ledger.entries):
        off = {entry.invoice for entry in ledger.entries if entry.link == link}
        alike = [name for names in whole if off.issuperset(names) for name in names]
        if alike:
            found.append(_flag(case, pricing, link, alike))
    return found


def _flag(case: Case, pricing: Pricing, link: str, names: Sequence[str]) -> Flag:
    source = pricing.schedule.schedule.source
    file = case.data.rates.file  # type: ignore[union-attr]
    return Flag(
        "alike-in-every-bill",
        f"{link}: all {len(names)} bills of an edition depart from the schedule. An error of the "
        "city begins somewhere; a figure typed wrongly, or a rule read otherwise than the city "
        f"reads it, is everywhere. Before anything is sent, hold {TYPED.get(link, repr(link))} in "
        f"{file} beside the printed schedule{f' ({source})' if source else ''}; then say under "
        "[rates] who did, and which page: held_beside = '...'.",
        {"link": link, "invoices": list(names)},
    )
