"""What the check of the invoices says in words."""

from __future__ import annotations

from typing import Any

from sewer_audit.auditing.invoices.looks import Looks
from sewer_audit.charges import OF_RUN
from sewer_audit.charges.chain.estimates import of_shared_read
from sewer_audit.report.show import Shown, bullets, tell
from sewer_audit.wording import Words, joined

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
    words, flags = Words.of(result), result.flags
    found = [flag.data for flag in flags if flag.code == "overlapping invoices"]
    return [words("bills.shared_days", **{"second": "", **data}) for data in found]


def true_ups(result: Any) -> list[tuple[str, Any]]:
    """Settled runs of estimates that cost something: their names, and the invoice they end with."""
    series = () if result.pricing is None else result.pricing.series
    return [(joined(each.run), each) for each in series if each.run_costs]


def true_up_words(result: Any, words: Words) -> dict[str, str]:
    """What settled runs of estimates cost, and the site's own reads that tell it."""
    told = {}
    for names, each in true_ups(result):
        misread = of_shared_read(each, result.pricing.series)
        told[words("bills.true_up.label", invoices=names, misread=misread)] = words(
            "bills.true_up.told",
            amount=abs(each.run_costs),
            over=each.run_costs > 0,
            spread=each.run_spread,
            read=read_between(result, each.run, words),
        )
    return told


def read_between(result: Any, run: tuple[str, ...], words: Words) -> str:
    """The site's own reads where a run has estimates."""
    looks, frame, told = Looks(result.case, result.inputs), result.inputs.invoices.frame, []
    for row, bill in enumerate(result.pricing.bills):
        look = looks.look(row, "end") if bill.invoice in run[:-1] else None
        if look is not None and bill.current_read is not None:
            told.append(
                words(
                    "bills.true_up.look",
                    count=round(look.count),
                    day=frame["end"].iloc[row],
                    printed=str(bill.current_read),
                )
            )
    return words("bills.true_up.read", told=told)


def summary(result: Any) -> Shown:
    """The answer in a few sentences."""
    words, count, pricing = Words.of(result), len(result.invoices), result.pricing
    if pricing is None:
        return tell(words, "bills.summary.no_schedule", invoices=count)
    amounts: dict[str, float] = {}
    for entry in result.ledger.entries:
        if entry.link != OF_RUN:
            amounts[entry.invoice] = amounts.get(entry.invoice, 0.0) + float(entry.amount)
    wrong = [amount for amount in amounts.values() if abs(amount) > CENT]
    over, under = (sum(max(sign * each, 0.0) for each in wrong) for sign in (1, -1))
    said = [
        words(
            "bills.summary.differ",
            wrong=len(wrong),
            invoices=count,
            over=over,
            under=under,
            net=over - under,
        )
        if wrong
        else words("bills.summary.all_follow", invoices=count)
    ]
    for label, told in true_up_words(result, words).items():
        said.append(words("bills.summary.true_up", label=label, told=told))
    due = zip(pricing.bills, pricing.due, strict=True)
    if unread := [bill.invoice for bill, volume in due if volume is None]:
        said.append(words("bills.summary.unread", invoices=unread))
    said += [words("bills.summary.shared_days", days=text) for text in shared_days(result)]
    return bullets([*said, *_named(result, words)], "")


def _named(result: Any, words: Words) -> list[str]:
    found = result.signatures
    if found.empty:
        return []
    known = found[found["exactness"] != "not explained"]
    left = found[found["exactness"] == "not explained"]
    said = []
    if len(known):
        alike = int((known["look_alikes"].map(len) > 0).sum())
        said.append(words("bills.summary.explained", count=len(known), alike=alike))
    if len(left):
        names = [name for each in left["invoices"] for name in each]
        said.append(words("bills.summary.not_explained", invoices=names))
    return said


def look_alikes(result: Any) -> Shown:
    """Errors that the figures cannot tell apart, and the evidence that would."""
    found, words = result.signatures, Words.of(result)
    alike = found[found["look_alikes"].map(len) > 0] if len(found) else found
    if alike.empty:
        return tell(words, "bills.no_look_alike")
    sentences = [
        words(
            "bills.look_alike",
            invoices=", ".join(row.invoices),
            code=row.code.replace("-", " "),
            others=[other.replace("-", " ") for other in row.look_alikes],
            evidence=row.evidence_needed,
        )
        for row in alike.itertuples()
    ]
    return bullets(sentences, "")


def claim_sentence(result: Any) -> Shown:
    """Sums of the claim in words: inside and outside the windows, paid, interest, deadline."""
    words, claim = Words.of(result), result.claim
    if claim.empty:
        return tell(words, "bills.claim.no_schedule")
    sums = claim.attrs["sums"]
    if not sums["over_invoiced"] and not sums["under_invoiced"]:
        return tell(words, "bills.claim.none")
    said = [words("bills.claim.sums", **sums), words("bills.claim.open", **sums)]
    if claim["paid"].notna().any():
        protested = claim["paid_under_protest"].sum()
        said.append(words("bills.claim.paid", protested=protested, **sums))
    if sums["interest"] is not None:
        said.append(words("bills.claim.interest", **sums))
    if sums["next_deadline"] is not None:
        said.append(words("bills.claim.deadline", **sums))
    return bullets(said, "")
