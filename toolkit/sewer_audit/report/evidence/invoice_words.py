"""What the check of the invoices says in words."""

from __future__ import annotations

from typing import Any

import pandas as pd

from sewer_audit.auditing.invoices.looks import Looks
from sewer_audit.charges import OF_RUN
from sewer_audit.charges.chain.estimates import of_shared_read
from sewer_audit.report.show import Shown, bullets, say
from sewer_audit.report.words import Words, counted, joined

__all__ = [
    "claim_sentence",
    "look_alikes",
    "read_between",
    "shared_days",
    "summary",
    "true_up_words",
    "true_ups",
]

CENT = 0.005


def shared_days(result: Any) -> list[str]:
    """What is said of invoices that cover days which an earlier one holds already."""
    said = []
    for flag in result.flags:
        if flag.code != "overlapping invoices":
            continue
        data = flag.data
        days = f"{data['days']:.4g} {'day' if data['days'] == 1 else 'days'}"
        rest = (
            f"its other {data['own_days']:.4g} are its own"
            if data["own_days"]
            else "none is left for it, and nothing is due on it"
        )
        if data.get("second"):
            rest = "which of the two is once too many neither bill dates nor numbers tell"
        said.append(
            f"{data['invoice']} covers {days} that {data['shares_with']} holds already; {rest}"
        )
    return said


def true_ups(result: Any) -> list[tuple[str, Any]]:
    """Settled runs of estimates that cost something: their names, and the invoice they end with."""
    series = () if result.pricing is None else result.pricing.series
    return [(joined(list(each.run)), each) for each in series if each.run_costs]


def true_up_words(result: Any, words: Words) -> dict[str, str]:
    """What settled runs of estimates cost, and the site's own reads that tell it."""
    return {
        f"{names}: {_made_good(result, each)} made good at another price": (
            f"{words.money(float(abs(each.run_costs)))} too "
            f"{'high' if each.run_costs > 0 else 'low'}, give or take "
            f"{words.money(float(each.run_spread))}, by the site's own "
            f"{read_between(result, each.run, words)}; the true read of that day would settle it"
        )
        for names, each in true_ups(result)
    }


def _made_good(result: Any, each: Any) -> str:
    """What a later bill made good."""
    return "a wrong read" if of_shared_read(each, result.pricing.series) else "estimates"


def read_between(result: Any, run: tuple[str, ...], words: Words) -> str:
    """The site's own reads where a run has estimates."""
    looks, frame, told = Looks(result.case, result.inputs), result.inputs.invoices.frame, []
    for row, bill in enumerate(result.pricing.bills):
        look = looks.look(row, "end") if bill.invoice in run[:-1] else None
        if look is not None and bill.current_read is not None:
            day = words.day(frame["end"].iloc[row])
            told.append(f"{round(look.count)} on {day}, where {bill.current_read} is printed")
    return f"read {joined(told)}" if told else "reads"


def summary(result: Any) -> Shown:
    """The answer in a few sentences."""
    count = counted(len(result.invoices), "invoice")
    if result.pricing is None:
        return say("The case names no rate schedule, so {count} cannot be recomputed.", count=count)
    words = Words.of(result)
    own = [entry for entry in result.ledger.entries if entry.link != OF_RUN]
    amounts = pd.Series({e.invoice: 0.0 for e in own})
    for entry in own:
        amounts[entry.invoice] += float(entry.amount)
    wrong = amounts[amounts.abs() > CENT]
    if wrong.empty:
        sentences = [f"{count}: every one follows from the schedule to the cent."]
    else:
        over, under = wrong[wrong > 0].sum(), -wrong[wrong < 0].sum()
        text = f"{len(wrong)} of {count} differ from the rules: {words.money(over)} too much"
        sentences = [f"{text}, {words.money(under)} too little, {words.money(over - under)} net."]
    sentences += [f"{names}: {text}." for names, text in true_up_words(result, words).items()]
    unread = [
        b.invoice
        for b, d in zip(result.pricing.bills, result.pricing.due, strict=True)
        if d is None
    ]
    if unread:
        sentences.append(
            f"No reads tell the volume of {joined(unread)}: rates and sums are checked on the "
            "volume as printed."
        )
    shared = [f"{text}." for text in shared_days(result)]
    return bullets([*sentences, *shared, *_named(result)], "")


def _named(result: Any) -> list[str]:
    found = result.signatures
    if found.empty:
        return []
    known = found[found["exactness"] != "not explained"]
    left = found[found["exactness"] == "not explained"]
    sentences = []
    if len(known):
        alike = int((known["look_alikes"].map(len) > 0).sum())
        tail = f"; for {alike} of them another one fits as well" if alike else ""
        sentences.append(f"Known errors explain them as {counted(len(known), 'finding')}{tail}.")
    if len(left):
        names = [name for each in left["invoices"] for name in each]
        sentences.append(f"No known error explains {joined(names)}.")
    return sentences


def look_alikes(result: Any) -> Shown:
    """Errors that the figures cannot tell apart, and the evidence that would."""
    found = result.signatures
    alike = found[found["look_alikes"].map(len) > 0] if len(found) else found
    if alike.empty:
        return say("No named error has a look-alike: the figures tell them apart.")
    sentences = [
        f"{', '.join(row.invoices)}: {row.code.replace('-', ' ')}, or "
        f"{joined([other.replace('-', ' ') for other in row.look_alikes])}. What would separate "
        f"them: {row.evidence_needed}."
        for row in alike.itertuples()
    ]
    return bullets(sentences, "")


def claim_sentence(result: Any) -> Shown:
    """Sums of the claim in words: inside and outside the windows, paid, interest, deadline."""
    if result.claim.empty:
        return say("Without a rate schedule no amount can be stated.")
    words, sums = Words.of(result), result.claim.attrs["sums"]
    if not sums["over_invoiced"] and not sums["under_invoiced"]:
        return say("No amount is in question by the rules of the schedule.")
    sentences = [
        f"Too much was billed by {words.money(sums['over_invoiced'])}, too little by "
        f"{words.money(sums['under_invoiced'])}; net {words.money(sums['net'])}, of which "
        f"{words.money(sums['in_look_back'])} lie inside their windows.",
        f"On invoices that may still be disputed: {words.money(sums['open_for_dispute'])}.",
    ]
    if result.claim["paid"].notna().any():
        text = f"Of what was billed too high inside the window, {words.money(sums['refund'])} was "
        text += f"paid and would be refunded, {words.money(sums['credit'])} is still open."
        protested = result.claim["paid_under_protest"].sum()
        if protested:
            text += (
                f" {words.money(protested)} was paid under protest, which keeps the claim to it "
            )
            text += "where the local code asks for that."
        sentences.append(text)
    if sums["interest"] is not None:
        interest = words.money(sums["interest"])
        sentences.append(f"Interest at the stated rate, to {sums['decided_on']}: {interest}.")
    if sums["next_deadline"] is not None:
        sentences.append(
            "The first of these amounts leaves the window the case states on "
            f"{sums['next_deadline']}."
        )
    return bullets(sentences, "")
