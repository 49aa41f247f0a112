"""The draft of a cover letter with the figures filled in and blanks for names."""

from __future__ import annotations

from typing import Any

from sewer_audit.report.invoice_words import shared_days
from sewer_audit.report.show import Shown, markdown_text
from sewer_audit.report.verdict import questions
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
OURS = ("Ask ", "The two estimates conflict", "The further balances do not close")
"""How proposals begin that are for the facility alone; the letter asks in its own words [text]."""
SAFE = (
    "Work at a manhole, a meter pit, a vault or pipes follows the local rules on confined spaces, "
    "traffic, electricity and licensed trades; nobody enters one alone or untrained."
)
CLOSING = "Yours sincerely,\n\n[name], [position], [telephone]"


def cover_letter(result: Any) -> Shown:
    """A draft to be read, corrected and signed by a person.

    Parameters
    ----------
    result : Audit
        The audit [m3, money].

    Returns
    -------
    Shown
        Paragraphs with blanks in square brackets [text].
    """
    paragraphs = [BLANKS, *_body(result), LAW, CLOSING]
    plain = "\n\n".join(paragraphs)
    quoted = [f"> {markdown_text(line)}" if line else ">" for line in plain.split("\n")]
    return Shown("\n".join(quoted), plain, "text/markdown")


def _body(result: Any) -> list[str]:
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
        *_on_two_invoices(result),
        *_basis(result, words),
        *_estimated(result),
        *_requests(result),
    ]


def _errors(result: Any, words: Words) -> list[str]:
    if result.claim.empty:
        return []
    asked = questions(result)
    if asked:
        return [f"[Not to be sent before this is answered: {text}]" for text in asked]
    wrong = result.claim[result.claim["by_the_rules"].abs() > 0.005]
    if wrong.empty:
        return ["We found no invoice that departs from the reads and the schedule."]
    named = [f"{row.invoice}: {words.money(row.by_the_rules)}" for row in wrong.itertuples()]
    sums = result.claim.attrs["sums"]
    net = words.money(sums["net"])
    low = wrong[wrong["by_the_rules"] < 0]
    text = (
        "These invoices do not follow from the reads and the schedule (billed less recomputed): "
        f"{'; '.join(named)}. The net amount is {net}. Please correct them, or show us the reading "
        "sheet and the calculation they rest on."
    )
    if sums["outside_look_back"]:
        outside = words.money(sums["outside_look_back"])
        text += f" Of it {outside} lie outside the look-back and are named for completeness."
    if len(low):
        text += " We name the errors in our own favour as plainly as the others."
    return [text]


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
