"""One table of every amount: invoice, link of its chain, class, how closely known, its window.

Whatever is claimed, headed, listed or written in a letter is a sum of entries of this table; a
figure that stands elsewhere and is no such sum is a fault.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

from sewer_audit.charges.chain.billed import Signature
from sewer_audit.charges.chain.classes import OF_LINES
from sewer_audit.charges.claims import Claim
from sewer_audit.charges.pricing.comparing import compare
from sewer_audit.charges.pricing.price import price
from sewer_audit.errors import AuditError

if TYPE_CHECKING:
    from sewer_audit.charges.chain.recomputed import Recomputed
    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import Schedule

ZERO = Decimal(0)
OF_RUN = "run of estimates"
"""Link of what a settled run of estimates costs: no invoice of it departs from the schedule by its
own figures [text]."""
CARRIED = ("payment-not-credited", "credit-not-applied", "balance-twice")
DUE = "amount due"
VOLUME, ENDS = "charged volume", ("amount", "low", "high")
UNEXPLAINED = {True: "unexplained-line", False: "unexplained-volume"}


@dataclass(frozen=True)
class Entry:
    """One amount billed beyond (above zero) or below what the schedule asks.

    Parameters
    ----------
    invoice : str
        Its number [text].
    link : str
        Link of the chain: "charged volume", "run of estimates", a line, "total" [text].
    code : str
        Class of the error that fits, else an unexplained volume or line [text].
    amount, low, high : Decimal
        Billed less right, and the ends of its interval [currency].
    exactness : str
        "exact", or "within interval" where the right volume is known to a tolerance only [text].
    window : str
        "inside" or "outside" the window the case states, or "not stated" [text].
    open : bool, optional
        Whether it may still be disputed [-].
    until, as_of : date, optional
        First day on which it is lost, and the day all this is counted from [-].
    """

    invoice: str
    link: str
    code: str
    amount: Decimal
    low: Decimal
    high: Decimal
    exactness: Literal["exact", "within interval"] = "exact"
    window: Literal["inside", "outside", "not stated"] = "not stated"
    open: bool | None = None
    until: date | None = None
    as_of: date | None = None


@dataclass(frozen=True)
class Ledger:
    """Every entry of an account; all sums are made here."""

    entries: tuple[Entry, ...] = ()

    def __post_init__(self) -> None:
        for each in (*self.entries, self):
            if not each.low <= (each.net if each is self else each.amount) <= each.high:
                raise AuditError("an amount of the ledger lies outside its own interval")

    def of(self, invoice: str) -> Decimal:
        """Billed less right of one invoice [currency]."""
        return sum((each.amount for each in self.entries if each.invoice == invoice), ZERO)

    def carried(self, invoice: str) -> Decimal:
        """What an invoice asks for beyond its own charges and what it should carry [currency]."""
        held = [each for each in self.entries if (each.invoice, each.link) == (invoice, DUE)]
        return sum((each.amount for each in held), ZERO)

    def exact(self, invoice: str) -> bool:
        """Whether every entry of an invoice is exactly known [-]."""
        return all(e.exactness == "exact" for e in self.entries if e.invoice == invoice)

    @property
    def net(self) -> Decimal:
        """All entries together [currency]."""
        return sum((each.amount for each in self.entries), ZERO)

    @property
    def low(self) -> Decimal:
        """Lower end of the interval of the net amount, all errors on one side [currency]."""
        return sum((each.low for each in self.entries), ZERO)

    @property
    def high(self) -> Decimal:
        """Upper end of it [currency]."""
        return sum((each.high for each in self.entries), ZERO)

    def within(self, claim: Claim) -> Ledger:
        """The same with the windows and deadlines of a claim."""
        lines = {line.invoice: line for line in claim.lines}
        return Ledger(tuple(_dated(each, lines.get(each.invoice), claim) for each in self.entries))


def _dated(entry: Entry, line, claim: Claim) -> Entry:
    if line is None:
        return entry
    over = line.difference >= 0
    stated = claim.rule.look_back_months if over else claim.rule.back_bill_months
    window = "not stated" if stated is None else "inside" if line.in_window else "outside"
    days = [line.dispute_until if line.dispute_open else None, line.lapses_on]
    until = min((day for day in days if day is not None), default=None)
    return replace(
        entry, window=window, open=line.dispute_open, until=until, as_of=claim.rule.decided_on
    )


def ledger_of(
    schedule: Schedule, series: Sequence[Recomputed], signatures: Sequence[Signature]
) -> Ledger:
    """Every amount of a series of invoices.

    Parameters
    ----------
    series : sequence of Recomputed
        The invoices, each held against its chain [-].
    signatures : sequence of Signature
        The classes their figures fit [-].
    """
    codes: dict[tuple[str, bool], str] = {}
    for each in signatures:
        for invoice in each.invoices:
            codes.setdefault((invoice, each.code in OF_LINES), each.code)
    entries = [entry for each in series for entry in _entries(schedule, each, codes)]
    totals = {each.bill.invoice: each.bill.total for each in series}
    for each in signatures:  # no charge, but asked for: what a bill carries over wrongly
        if each.code in CARRIED and each.corrected_amount == totals[each.invoices[0]]:
            entries += _one(each.invoices[0], DUE, each.code, each.difference, True)
    return Ledger(tuple(_netted(entries, {each.bill.invoice: each.run for each in series})))


def _netted(entries: Sequence[Entry], runs: Mapping[str, tuple[str, ...]]) -> Iterator[Entry]:
    """The entries, those of volumes between two right reads as one, on the last of them."""
    for each in entries:
        run = [e for e in entries if runs[each.invoice] and runs[e.invoice] == runs[each.invoice]]
        run = [e for e in run if e.link == each.link == VOLUME]
        if len(run) < 2:
            yield each
        elif each is run[-1]:
            sums = {end: sum((getattr(e, end) for e in run), ZERO) for end in ENDS}
            exact = all(e.exactness == "exact" for e in run)
            if any(sums.values()):
                told = "exact" if exact else "within interval"
                yield replace(each, **sums, exactness=told)


def _entries(
    schedule: Schedule, each: Recomputed, codes: Mapping[tuple[str, bool], str]
) -> Iterator[Entry]:
    invoice, total = each.bill.invoice, each.bill.total
    of_volume = codes.get((invoice, False), UNEXPLAINED[False])
    if each.bill.shares_with:
        yield from _one(invoice, "period", of_volume, total - each.by_rules, each.bill.exact)
        return
    stated = price(schedule, each.bill.facts)
    by_rules = each.by_rules + each.run_costs
    moved = stated.total - by_rules
    if moved:
        code = codes.get((invoice, False), codes.get((invoice, True), UNEXPLAINED[False]))
        low, high = _ends(schedule, each, stated.total, moved)
        exact = each.bill.exact
        yield Entry(
            invoice,
            VOLUME,
            code,
            moved,
            moved if exact else low,
            moved if exact else high,
            "exact" if exact else "within interval",
        )
    if each.run_costs:
        wide = each.run_spread
        costs = each.run_costs
        yield Entry(
            invoice,
            OF_RUN,
            of_volume,
            costs,
            costs - wide,
            costs + wide,
            "within interval",
        )
    if each.bill.uncredited:
        rest = each.bill.uncredited  # none of it where the correction took the whole bill back
        ends = min(rest, ZERO), max(rest, ZERO)
        yield Entry(invoice, "credit", "credit-too-small", rest, *ends, "within interval")
    yield from _of_lines(each, stated, codes)


def _of_lines(each: Recomputed, stated, codes: Mapping[tuple[str, bool], str]) -> Iterator[Entry]:
    """What the lines differ by at the billed volume; the rest of the total stands at the total."""
    invoice, left = each.bill.invoice, each.bill.total - stated.total
    code = codes.get((invoice, True), UNEXPLAINED[True])
    found = compare(stated, each.bill.lines or stated.by_column, each.bill.total)
    outside = {line.column for line in stated.lines if not line.in_total}
    if not left:
        return
    for line in found.differing:
        if line.column not in outside and line.difference:
            left -= line.difference
            yield from _one(invoice, line.column, code, line.difference, True)
    if left:
        yield from _one(invoice, "total", code, left, True)


def _one(invoice: str, link: str, code: str, amount: Decimal, exact: bool) -> Iterator[Entry]:
    if amount:
        told = "exact" if exact else "within interval"
        yield Entry(invoice, link, code, amount, amount, amount, told)


def _ends(
    schedule: Schedule, each: Recomputed, stated: Decimal, moved: Decimal
) -> tuple[Decimal, Decimal]:
    """Ends of the interval of an amount whose right volume is known to a tolerance."""
    facts: InvoiceFacts | None = each.priced_from
    if facts is None or each.due is None:
        return moved, moved
    ends = [
        stated
        - price(schedule, facts.but(billed_volume=each.due + sign * each.bill.tolerance)).total
        for sign in (1, -1)
    ]
    return min(*ends, moved), max(*ends, moved)
