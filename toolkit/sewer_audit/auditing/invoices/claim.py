"""What could be claimed for each invoice, inside which window, until when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from datetime import date
from decimal import Decimal
from typing import Any

import pandas as pd

from sewer_audit.auditing.invoices.pricing import Pricing
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.case import Case
from sewer_audit.charges import (
    Claim,
    ClaimItem,
    ClaimLine,
    ClaimRule,
    Entry,
    Ledger,
    Signature,
    ledger_of,
    work_out_claim,
)

COLUMNS = (
    "invoice",
    "billed_on",
    "by_the_rules",
    "exact",
    "in_look_back",
    "lapses_on",
    "dispute_until",
    "open",
    "paid",
    "paid_under_protest",
    "refund",
    "credit",
    "interest",
)
DAY = 86400.0


def claim_of(
    case: Case, inputs: Inputs, pricing: Pricing | None, signatures: Sequence[Signature]
) -> tuple[Ledger, pd.DataFrame]:
    """The ledger, and its amounts by invoice with the windows of the local code."""
    if pricing is None:
        return Ledger(), pd.DataFrame(columns=list(COLUMNS))
    rule = _rule(case, pricing)
    ledger = ledger_of(pricing.schedule, pricing.series, signatures)
    items = [_item(inputs, pricing, ledger, place) for place in range(len(pricing.facts))]
    claim = work_out_claim(items, rule)
    ledger = ledger.within(claim)
    pairs = zip(items, claim.lines, pricing.bills, strict=True)
    rows = [
        _row(item, line, rule, ledger.exact(item.invoice) if line.difference else bill.exact)
        for item, line, bill in pairs
    ]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    table.attrs["sums"] = _sums(claim, rule, ledger)
    return ledger, table


def ledger_table(ledger: Ledger) -> pd.DataFrame:
    """One row per entry of the ledger.

    Units: ledger [money]; returns [money].
    """
    names = [each.name for each in fields(Entry)]
    rows = [{name: getattr(each, name) for name in names} for each in ledger.entries]
    frame = pd.DataFrame(rows, columns=names)
    for name in ("amount", "low", "high"):
        frame[name] = frame[name].astype(float)
    return frame.rename(columns={"low": "amount_low", "high": "amount_high"})


def _rule(case: Case, pricing: Pricing) -> ClaimRule:
    rule, claim = case.data.rule, case.data.claim
    rate = rule.interest_per_year if claim.interest_per_year is None else claim.interest_per_year
    return ClaimRule(
        decided_on=rule.decided_on or max(facts.end for facts in pricing.facts),
        look_back_months=rule.look_back,
        back_bill_months=claim.back_bill,
        counted_on=claim.counted_on,
        dispute_days=rule.dispute_days,
        interest=Decimal(repr(round(rate, 10))) if rate else None,
        interest_after_days=round(claim.interest_after / DAY),
    )


def _item(inputs: Inputs, pricing: Pricing, ledger: Ledger, place: int) -> ClaimItem:
    facts, payments = pricing.facts[place], inputs.account.payments
    bill = pricing.bills[place]
    invoiced = bill.total + bill.uncredited + ledger.carried(bill.invoice)
    return ClaimItem(
        invoice=facts.invoice,
        bill_date=facts.bill_date or facts.end,
        period_end=facts.end,
        invoiced=invoiced,
        due=invoiced - ledger.of(facts.invoice),
        payments=None if payments is None else payments.get(facts.invoice, ()),
    )


def _row(item: ClaimItem, line: ClaimLine, rule: ClaimRule, exact: bool) -> dict[str, Any]:
    over = line.difference >= 0
    window = rule.look_back_months if over else rule.back_bill_months
    paid, protested = (
        None if item.payments is None else sum((p.amount for p in kept), Decimal(0))
        for kept in (
            item.payments or (),
            [p for p in item.payments or () if p.under_protest],
        )
    )
    return {
        "invoice": item.invoice,
        "billed_on": item.bill_date,
        "by_the_rules": float(line.difference),
        "exact": exact,
        "in_look_back": None if window is None else line.in_window,
        "lapses_on": line.lapses_on if line.difference else None,
        "dispute_until": line.dispute_until,
        "open": line.dispute_open,
        "paid": _money(paid),
        "paid_under_protest": _money(protested),
        "refund": float(line.refund),
        "credit": float(line.credit),
        "interest": _money(line.interest),
    }


def _money(value: Decimal | None) -> float:
    return float("nan") if value is None else float(value)


def _sums(claim: Claim, rule: ClaimRule, ledger: Ledger) -> dict[str, Any]:
    inside, outside = claim.overcharged_inside, claim.overcharged_outside
    under_in, under_out = claim.undercharged_inside, claim.undercharged_outside
    known: date | None = claim.next_deadline
    return {
        "decided_on": rule.decided_on,
        "over_invoiced": float(inside + outside),
        "under_invoiced": float(under_in + under_out),
        "net": float(ledger.net),
        "net_low": float(ledger.low),
        "net_high": float(ledger.high),
        "in_look_back": float(inside - under_in),
        "outside_look_back": float(outside - under_out),
        "open_for_dispute": float(claim.open_for_dispute),
        "only_in_look_back": float(claim.only_in_look_back),
        "barred": float(claim.barred),
        "refund": float(claim.refund),
        "credit": float(claim.credit),
        "interest": float(claim.interest) if _has_interest(claim, rule) else None,
        "next_deadline": known,
    }


def _has_interest(claim: Claim, rule: ClaimRule) -> bool:
    return rule.interest is not None and any(line.interest is not None for line in claim.lines)


def claim_sums(claim: pd.DataFrame) -> dict[str, Any]:
    """Sums of a claim, inside and outside the windows."""
    return dict(claim.attrs.get("sums", {}))
