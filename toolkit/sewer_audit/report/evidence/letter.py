"""The draft of a cover letter with the figures filled in and blanks for names."""

from __future__ import annotations

from datetime import date
from typing import Any

from sewer_audit.charges import BRIEFLY, OF_RUN, chains_of
from sewer_audit.charges.chain.estimates import of_shared_read
from sewer_audit.charges.chain.ledger import VOLUME
from sewer_audit.report.evidence.invoice_words import read_between, shared_days, true_ups
from sewer_audit.report.evidence.verdict import questions
from sewer_audit.report.show import Shown, markdown_text
from sewer_audit.report.words import Words, counted, joined

__all__ = ["cover_letter"]

BLANKS = "[date]\n\n[name and office of the billing authority]\n\n[address]"
OPENING = """Concerning: sewer account [account number], invoices of {first} to {last}

Dear [name],

We have audited {count} of this account against {sources}. The enclosed evidence holds every \
input, every step and the uncertainty of every figure, so that your engineer can recompute it."""
LAW = (
    "This letter is written to settle figures between engineers. It states no legal position; "
    "time limits, form and every legal step are for counsel of both sides."
)
COUNSEL = "FOR YOUR OWN COUNSEL. Not to be sent: it also names what speaks against you."
LEAST = 1.0
"""Amounts below one unit of the currency are rounding and no matter for a letter [currency]."""
OURS = ("Ask ", "The two estimates conflict", "The further balances do not close")
"""How proposals begin that are for the facility alone; the letter asks in its own words [text]."""
SAFE = (
    "Work at a manhole, a meter pit, a vault or pipes follows the local rules on confined spaces, "
    "traffic, electricity and licensed trades; nobody enters one alone or untrained."
)
CLOSING = "Yours sincerely,\n\n[name], [position], [telephone]"


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
    first = (COUNSEL,) if counsel else ()
    paragraphs = [*first, BLANKS, *_body(result, counsel), LAW, CLOSING]
    plain = "\n\n".join(paragraphs)
    quoted = [f"> {markdown_text(line)}" if line else ">" for line in plain.split("\n")]
    return Shown("\n".join(quoted), plain, "text/markdown")


def _body(result: Any, counsel: bool) -> list[str]:
    words = Words.of(result)
    table = result.invoices
    sources = [
        name
        for name, there in (
            ("the rate schedule", result.pricing is not None),
            ("the effluent record", result.evidence.effluent is not None),
            ("the reads of the supply meters", result.evidence.balance is not None),
        )
        if there
    ]
    opening = OPENING.format(
        first=words.day(table["start"].min()),
        last=words.day(table["end"].max()),
        count=counted(len(table), "invoice"),
        sources=joined(sources) or "themselves",
    )
    return [
        opening,
        *_errors(result, words),
        *_true_ups(result, words),
        *(_too_low(result, words) if counsel else ()),
        *_on_two_invoices(result),
        *_basis(result, words),
        *_estimated(result),
        *_requests(result),
    ]


def _errors(result: Any, words: Words) -> list[str]:
    """Bill by bill: where it leaves the schedule, printed and right figure, amount, proof."""
    claim = result.claim
    if claim.empty:
        return []
    open_questions = questions(result)
    if open_questions:
        return [f"[Not to be sent before this is answered: {text}]" for text in open_questions]
    amounts = {name: _own_errors(result, name) for name in claim["invoice"]}
    amounts = {name: amount for name, amount in amounts.items() if amount > LEAST}
    asked = claim[claim["invoice"].isin(amounts)]
    if asked.empty:
        return ["We found no invoice billed beyond the reads and the schedule."]
    told = [
        f"{number}. {_one_bill(result, words, row.invoice, amounts[row.invoice])}"
        for number, row in enumerate(asked.itertuples(), start=1)
    ]
    source = result.pricing.schedule.schedule.source
    head = "These invoices do not follow from the reads and the rate schedule"
    head += f" ({source})" if source else " [section and page of the schedule]"
    text = f"Together they are too high by {words.money(sum(amounts.values()))}"
    entries = [each for each in result.ledger.entries if each.invoice in amounts]
    low, high = (float(sum(getattr(each, end) for each in entries)) for end in ("low", "high"))
    if low < high:
        text += f" (known to lie between {words.money(low)} and {words.money(high)})"
    text += ". "
    text += "Please correct them, or show us the reading sheet and the calculation they rest on."
    outside = claim.attrs["sums"]["outside_look_back"]
    if outside > LEAST:
        text += f" Of it {words.money(outside)} lie outside the look-back, named for completeness."
    text += _by_when(asked)
    before = [flag.message for flag in result.flags if flag.code == "alike-in-every-bill"]
    return [
        *(f"[Not to be sent before this is looked at: {text}]" for text in before),
        f"{head}; each is given with the first figure that departs, as printed and right:",
        "\n".join(told),
        text,
    ]


def _entries(result: Any, invoice: str) -> list[Any]:
    """What departs from the schedule by the invoice's own figures."""
    return [e for e in result.ledger.entries if e.invoice == invoice and e.link != OF_RUN]


def _own_errors(result: Any, invoice: str) -> float:
    return float(sum(entry.amount for entry in _entries(result, invoice)))


def _true_ups(result: Any, words: Words) -> list[str]:
    """What estimates cost that were made good: the invoices follow their own figures."""
    if questions(result):
        return []
    return [
        f"Apart from these, {_which(result, names, each)} made good at another price. By our own "
        f"{read_between(result, each.run, words)}, that is "
        f"{words.money(float(each.run_costs))} too high, give or take "
        f"{words.money(float(each.run_spread))}. Please tell us your true read of that day."
        for names, each in true_ups(result)
        if each.run_costs > LEAST
    ]


def _which(result: Any, names: str, each: Any) -> str:
    if of_shared_read(each, result.pricing.series):
        return f"a wrong read between {names} was"
    return f"the estimates of {names} were"


def _one_bill(result: Any, words: Words, invoice: str, amount: float) -> str:
    entries = _entries(result, invoice)
    codes = list(dict.fromkeys(entry.code for entry in entries))
    named = result.signatures
    named = [each for each in named.itertuples() if invoice in each.invoices and each.code in codes]
    text = f"{invoice}: {joined([BRIEFLY.get(code, code) for code in codes])}."
    if any("which is the second" in each.evidence.get(invoice, {}) for each in named):
        text = " ".join(each.sentence for each in named)
    links = next(c for c in _chains(result) if c.invoice == invoice).links
    broken = next((link for link in links if link.agrees is False), None)
    if broken is not None:
        printed, right = (
            _figure(words, value, broken.unit) for value in (broken.printed, broken.right)
        )
        text += f" {broken.name.capitalize()} as printed {printed}, by the schedule {right}."
    exact = all(entry.exactness == "exact" for entry in entries)
    run = next(each.run for each in result.pricing.series if each.bill.invoice == invoice)
    if run[1:] and any(entry.link == VOLUME for entry in entries):
        text += f" {joined(list(run))} are taken together, between two reads that are right."
    text += f" Too high by {words.money(amount)}{'' if exact else ', known within an interval'}."
    for each in named:
        if each.look_alikes:
            others = joined([BRIEFLY.get(other, other) for other in each.look_alikes])
            text += f" The figures also fit {others}."
    proofs = list(dict.fromkeys(each.evidence_needed for each in named if each.evidence_needed))
    return text + (f" What shows it: {'; '.join(proofs)}." if proofs else "")


def _chains(result: Any) -> tuple[Any, ...]:
    return tuple(chains_of(result.pricing.schedule, result.pricing.series))


def _figure(words: Words, value: Any, unit: str) -> str:
    if isinstance(value, date):
        return str(value)
    if unit == words.currency:
        return words.money(float(value))
    return f"{float(value):,.10g} {unit}".rstrip()


def _by_when(asked: Any) -> str:
    days = [row.dispute_until for row in asked.itertuples() if row.open is True]
    if not days:
        return " Please answer by [date, such as 30 days from this letter]."
    return f" The first of them can be disputed until {min(days)}; please answer before."


def _too_low(result: Any, words: Words) -> list[str]:
    low = result.claim[result.claim["by_the_rules"] < -LEAST] if len(result.claim) else []
    if not len(low):
        return ["For counsel: no invoice was found to be too low by the schedule."]
    named = [f"{row.invoice} by {words.money(-row.by_the_rules)}" for row in low.itertuples()]
    return [
        f"For counsel: by the schedule these invoices were too low: {joined(named)}. "
        f"The net of all is {words.money(float(result.ledger.net))}. A dispute can raise the bill; "
        "whether and how this is said is for counsel."
    ]


def _on_two_invoices(result: Any) -> list[str]:
    shared = shared_days(result)
    if not shared:
        return []
    return [
        f"Some days stand on two invoices: {'; '.join(shared)}. Please tell us which one is to "
        "stand for these days, and cancel or correct the other. Each day counts here once, for the "
        "earliest invoice that holds it."
    ]


def _basis(result: Any, words: Words) -> list[str]:
    basis = result.basis
    if not basis.get("answered") or basis["fair"]:
        return []
    share, factor = words.share(basis["share_mean"]), words.share(basis["return_factor"])
    low, high = words.share(basis["share_low"]), words.share(basis["share_high"])
    text = (
        f"Apart from errors, the schedule bills {factor} of the net intake. On this site {share} "
        f"reached the sewer ({low} to {high}, {words.interval_name}). "
    )
    if basis["share_mean"] > basis["return_factor"]:
        return [text + "We ask for no other basis."]
    return [
        text + "We ask which credit, deduct meter or other basis your code provides for such a "
        "site, and from when."
    ]


def _estimated(result: Any) -> list[str]:
    if not (result.invoices["read_type"] == "estimated").any():
        return []
    return ["Where a read was estimated, please take an actual one and true the invoices up."]


def _requests(result: Any) -> list[str]:
    asked = [text for text in result.next_proof if not text.startswith(OURS)]
    if not asked:
        return []
    listed = "\n".join(f"{number}. {text}" for number, text in enumerate(asked, start=1))
    head = "To settle what a calculation cannot, we propose these steps, and invite you to attend:"
    return [head, listed, SAFE]
