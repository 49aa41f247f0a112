"""One printed invoice beside its recomputation, and a signature made of such."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.chain.billed import BilledInvoice, Signature
from sewer_audit.charges.chain.classes import PROOFS
from sewer_audit.charges.chain.volume_guesses import due_volume, step_of
from sewer_audit.charges.pricing.comparing import compare
from sewer_audit.charges.pricing.price import price
from sewer_audit.charges.schedule.facts import InvoiceFacts
from sewer_audit.charges.schedule.figures import to_the_cent

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.versions import Schedule

ZERO = Decimal(0)


@dataclass(frozen=True)
class Recomputed:
    """One printed invoice with its recomputations.

    Parameters
    ----------
    bill : BilledInvoice
        As printed [-].
    due : Decimal, optional
        Volume that should have been charged [volume unit of the facts].
    by_rules : Decimal
        Total by the rules; on the stated volume where the due one is not known [currency].
    volume_agrees : bool
        Whether the billed volume is the due one, to rounding and tolerance, or the difference
        changes no line [-].
    stands : bool
        Whether the billed volume is kept: it agrees, and the due one has a tolerance, or it lies
        in a run of estimates that is settled [-].
    lines_off : mapping, optional
        Lines that differ from the schedule at the billed volume, invoiced less recomputed
        [currency].
    priced_from : InvoiceFacts, optional
        What `by_rules` is the price of; None where nothing is due [-].
    run : tuple of str
        Invoices between two actual reads that rest on estimates, this one among them [text].
    run_costs : Decimal
        What the estimates of a settled run cost through blocks, minimums and a change of rates;
        it stands on the last invoice of the run and is taken off `by_rules` [currency].
    run_spread : Decimal
        Half width of that [currency].
    """

    bill: BilledInvoice
    due: Decimal | None
    by_rules: Decimal
    volume_agrees: bool
    stands: bool = False
    lines_off: Mapping[str, Decimal] | None = None
    priced_from: InvoiceFacts | None = None
    run: tuple[str, ...] = ()
    run_costs: Decimal = ZERO
    run_spread: Decimal = ZERO

    @property
    def billed(self) -> Decimal | None:
        """Billed volume as printed [volume unit of the facts]."""
        return self.bill.facts.billed_volume


def recompute(schedule: Schedule, bill: BilledInvoice) -> Recomputed:
    """Price an invoice by the rules and hold its billed volume against the due one."""
    if bill.shares_with:
        return _of_own_days(schedule, bill)
    due = due_volume(schedule, bill)
    billed = bill.facts.billed_volume
    if due is None:
        total = price(schedule, bill.facts).total
        return Recomputed(bill, None, total, True, priced_from=bill.facts)
    agrees = billed is None or abs(billed - due) <= bill.tolerance + step_of(schedule, bill)
    # inside the tolerance the printed volume stands: a clean invoice is not corrected by noise
    stands = agrees and billed is not None and bill.tolerance > 0
    facts = bill.facts if stands else bill.facts.but(billed_volume=None)
    priced = price(schedule, facts)
    if not agrees:  # a difference that reaches no line accuses nobody
        agrees = compare(priced, bill.lines or priced.by_column, bill.total).agrees
    return Recomputed(bill, due, priced.total, agrees, stands, priced_from=facts)


def _of_own_days(schedule: Schedule, bill: BilledInvoice) -> Recomputed:
    """By the rules for the days that no earlier invoice holds; nothing where none are left."""
    if bill.own is None:
        return Recomputed(bill, ZERO, ZERO, False)
    due = bill.own.billed_volume
    if due is None:
        due = due_volume(schedule, replace(bill, facts=bill.own))
    return Recomputed(bill, due, price(schedule, bill.own).total, False, priced_from=bill.own)


def signature_of(
    code: str,
    members: Sequence[Recomputed],
    sentence: str,
    evidence: Mapping[str, Mapping[str, Any]],
    corrected: Decimal | None = None,
    **more: Any,
) -> Signature:
    """A signature of some invoices; corrected by the rules unless another amount is given.

    Units: **more [as the field].
    """
    told = {
        each.bill.invoice: {
            "invoiced": to_the_cent(each.bill.total),
            "by the rules": str(each.by_rules if corrected is None else corrected),
            **evidence[each.bill.invoice],
        }
        for each in members
    }
    return Signature(
        code=code,
        invoices=tuple(each.bill.invoice for each in members),
        sentence=sentence,
        invoiced_amount=sum((each.bill.total for each in members), Decimal(0)),
        corrected_amount=(
            sum((each.by_rules for each in members), Decimal(0)) if corrected is None else corrected
        ),
        evidence=told,
        evidence_that_separates=PROOFS[code],
        **more,
    )
