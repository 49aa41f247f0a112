"""The draft of a cover letter with the figures filled in and blanks for names."""

from __future__ import annotations

from datetime import date
from typing import Any

import pandas as pd

from sewer_audit.charges import BRIEFLY, OF_RUN, chains_of
from sewer_audit.charges.chain.estimates import of_shared_read
from sewer_audit.charges.chain.ledger import VOLUME
from sewer_audit.report.evidence.invoice_words import read_between, shared_days, true_ups
from sewer_audit.report.evidence.verdict import basis_values, questions
from sewer_audit.report.show import Shown, markdown_text
from sewer_audit.wording import Words, template

__all__ = ["cover_letter"]

LEAST = 1.0
"""Amounts below one unit of the currency are rounding and no matter for a letter [currency]."""
OURS = tuple(
    template(f"advice.proof.{name}").partition("{")[0]
    for name in ("sheet", "true_up", "conflict", "further")
)
"""How proposals begin that are for the facility alone; the letter asks in its own words [text]."""


def cover_letter(result: Any, counsel: bool = False) -> Shown:
    """A draft to be read, corrected and signed by a person.

    Parameters
    ----------
    result : Audit
        The audit [m3, money].
    counsel : bool
        The version for counsel also names what was billed too low; the plain letter asks for what
        was billed too high and offers nothing [-].

    Returns
    -------
    Shown
        Paragraphs with blanks in square brackets [text].
    """
    words, table, pricing = Words.of(result), result.invoices, result.pricing
    held = {
        "letter.schedule": 0 if pricing is None else len(pricing.series),
        "letter.record": _told(table, "effluent_mean"),
        "letter.reads": _told(table, "balance_mean"),
    }
    sources = [
        words(code, some=count if count < len(table) else None)
        for code, count in held.items()
        if count
    ]
    opening = words(
        "letter.opening",
        first=table["start"].min(),
        last=table["end"].max(),
        invoices=len(table),
        sources=sources,
    )
    basis, shared = basis_values(result), shared_days(result)
    against = _against(result, words) if counsel else []
    asks = basis and not basis["fair"] and not basis["favour"] and not questions(result)
    paragraphs = [
        *([words("letter.counsel.head", against=against)] if counsel else ()),
        words("letter.blanks"),
        opening,
        *_errors(result, words),
        *_true_ups(result, words),
        *against,
        *([words("letter.counsel.none_low")] if counsel and not _too_low(result) else ()),
        *([words("letter.shared_days", days=shared)] if shared else ()),
        *([words("letter.basis", **basis)] if asks else ()),
        *([words("letter.estimated")] if (table["read_type"] == "estimated").any() else ()),
        *_requests(result, words),
        words("letter.law"),
        words("letter.closing"),
    ]
    plain = "\n\n".join(paragraphs)
    quoted = [f"> {markdown_text(line)}" if line else ">" for line in plain.split("\n")]
    return Shown("\n".join(quoted), plain, "text/markdown")


def _told(table: pd.DataFrame, name: str) -> int:
    """Of how many invoices an estimate tells the volume."""
    return int(table[name].notna().sum()) if name in table else 0


def _errors(result: Any, words: Words) -> list[str]:
    """Bill by bill: where it leaves the schedule, printed and right figure, amount, proof."""
    claim = result.claim
    if claim.empty:
        return []
    if asked := questions(result):
        return [words("letter.question", question=text) for text in asked]
    amounts = {
        name: float(sum(entry.amount for entry in _entries(result, name)))
        for name in claim["invoice"]
    }
    amounts = {name: amount for name, amount in amounts.items() if amount > LEAST}
    if not amounts:
        return [words("letter.nothing")]
    entries = [each for each in result.ledger.entries if each.invoice in amounts]
    low, high = (float(sum(getattr(each, end) for each in entries)) for end in ("low", "high"))
    rows = claim[claim["invoice"].isin(amounts)]
    source = result.pricing.schedule.schedule.source
    days = [row.dispute_until for row in rows.itertuples() if row.open is True]
    outside = claim.attrs["sums"]["outside_look_back"]
    told = [
        _one_bill(result, words, number, name, amounts[name])
        for number, name in enumerate(rows["invoice"], start=1)
    ]
    together = words(
        "letter.together",
        one=len(rows) == 1,
        amount=sum(amounts.values()),
        known_within=low < high,
        low=low,
        high=high,
        outside=outside if outside > LEAST else None,
        until=min(days, default=None),
    )
    head = words("letter.head", one=len(rows) == 1, source=source, unstated=not source)
    before = [flag.message for flag in result.flags if flag.code == "rates-to-be-held-beside"]
    alike = [words("letter.alike", message=text) for text in before]
    return [*alike, head, "\n".join(told), together]


def _entries(result: Any, invoice: str) -> list[Any]:
    """What departs from the schedule by the invoice's own figures."""
    return [e for e in result.ledger.entries if e.invoice == invoice and e.link != OF_RUN]


def _true_ups(result: Any, words: Words) -> list[str]:
    """What estimates cost that were made good: the invoices follow their own figures."""
    if questions(result):
        return []
    return [
        words(
            "letter.true_up",
            misread=of_shared_read(each, result.pricing.series),
            invoices=names,
            read=read_between(result, each.run, words),
            amount=each.run_costs,
            spread=each.run_spread,
        )
        for names, each in true_ups(result)
        if each.run_costs > LEAST
    ]


def _one_bill(result: Any, words: Words, number: int, invoice: str, amount: float) -> str:
    entries = _entries(result, invoice)
    codes = list(dict.fromkeys(entry.code for entry in entries))
    found = result.signatures.itertuples()
    named = [each for each in found if invoice in each.invoices and each.code in codes]
    what = words("letter.errors", errors=[BRIEFLY.get(code, code) for code in codes])
    if any("which is the second" in each.evidence.get(invoice, {}) for each in named):
        what = " ".join(each.sentence for each in named)
    chains = chains_of(result.pricing.schedule, result.pricing.series)
    links = next(chain for chain in chains if chain.invoice == invoice).links
    broken = next((link for link in links if link.agrees is False), None)
    printed, right = (
        ("", "")
        if broken is None
        else (_figure(words, each, broken.unit) for each in (broken.printed, broken.right))
    )
    run = next(each.run for each in result.pricing.series if each.bill.invoice == invoice)
    shared = run[1:] and any(entry.link == VOLUME for entry in entries)
    return words(
        "letter.bill",
        number=number,
        invoice=invoice,
        what=what,
        link=broken and broken.name,
        printed=printed,
        right=right,
        run=run if shared else None,
        amount=amount,
        exact=all(entry.exactness == "exact" for entry in entries),
        others=[
            words("letter.also_fits", others=[BRIEFLY.get(o, o) for o in each.look_alikes])
            for each in named
            if each.look_alikes
        ],
        proofs=list(dict.fromkeys(each.evidence_needed for each in named if each.evidence_needed)),
    )


def _figure(words: Words, value: Any, unit: str) -> str:
    if isinstance(value, date):
        return str(value)
    if unit == words.currency:
        return words.money(float(value))
    return f"{float(value):,.10g} {unit}".rstrip()


def _too_low(result: Any) -> list[Any]:
    """Rows of the claim whose invoice was billed too low by the schedule."""
    if result.claim.empty:
        return []
    return list(result.claim[result.claim["by_the_rules"] < -LEAST].itertuples())


def _against(result: Any, words: Words) -> list[str]:
    """What only counsel is told: invoices billed too low, a basis in favour of the site."""
    basis, rows = basis_values(result), _too_low(result)
    low = [
        words("letter.counsel.one", invoice=row.invoice, amount=-row.by_the_rules) for row in rows
    ]
    said = [words("letter.counsel.low", low=low, net=result.ledger.net)] if low else []
    if basis and basis["favour"] and not basis["fair"]:
        said.append(words("letter.counsel.favour", **basis))
    return said


def _requests(result: Any, words: Words) -> list[str]:
    asked = [text for text in result.next_proof if not text.startswith(OURS)]
    if not asked:
        return []
    listed = "\n".join(f"{number}. {text}" for number, text in enumerate(asked, start=1))
    return [words("letter.proposals"), listed, words("letter.safe")]
