"""An invoice as it was printed, a signature as it is found, and what separates look-alikes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from sewer_audit.charges.facts import InvoiceFacts

__all__ = [
    "BRIEFLY",
    "OF_LINES",
    "PROOFS",
    "BilledInvoice",
    "MeterExchange",
    "RegisterFace",
    "Signature",
    "SupplyMeter",
]


@dataclass(frozen=True)
class RegisterFace:
    """How the register of the billed meter is read.

    Parameters
    ----------
    per_count : Decimal
        Volume one count stands for, multiplier included [volume unit of the facts].
    digits : int
        Digits the register shows before it rolls over [-].
    """

    per_count: Decimal
    digits: int


@dataclass(frozen=True)
class MeterExchange:
    """The change of the billed meter that an invoice holds, or that came before it.

    Parameters
    ----------
    final_read, first_read : Decimal
        Last read of the old meter and first read of the new one [counts].
    old_per_count, new_per_count : Decimal
        Volume one count of each stands for, multiplier included [volume unit of the facts].
    inside : bool
        Whether the meter was changed in the period of this invoice; else before it [-].
    """

    final_read: Decimal
    first_read: Decimal
    old_per_count: Decimal
    new_per_count: Decimal
    inside: bool = True


@dataclass(frozen=True)
class SupplyMeter:
    """One of several meters whose volumes an invoice bills together.

    Parameters
    ----------
    name : str
        Its name, under which its volume stands in the facts [text].
    exchange : MeterExchange, optional
        Its change in the period of the invoice, or before it [-].
    reads : tuple of Decimal, optional
        Its reads at the ends of the period [counts].
    face : RegisterFace, optional
        Its dial, before the change [-].
    """

    name: str
    exchange: MeterExchange | None = None
    reads: tuple[Decimal, Decimal] | None = None
    face: RegisterFace | None = None


@dataclass(frozen=True)
class BilledInvoice:
    """One invoice as printed, beside what it should have been priced from.

    Parameters
    ----------
    facts : InvoiceFacts
        Dates, printed billed volume and what the meters registered by the site's own reads [-].
    lines : mapping
        Invoice column to printed amount [currency].
    total : Decimal
        Printed total [currency].
    read_type : str
        "actual" or "estimated" [text].
    previous_read, current_read : Decimal, optional
        Register reads as printed [counts].
    own_reads : tuple of Decimal, optional
        Register reads of the site itself at the same instants [counts].
    tolerance : Decimal
        Half width of the interval of the volume that should have been charged; zero where it
        follows exactly from reads. With several invoices take it so wide that no right one of
        the series is likely to lie outside [volume unit of the facts].
    uses : tuple of str
        Volumes of the facts that never reach the sewer and that the schedule does not deduct
        [text].
    shares_with : str
        Earlier invoice that holds some days of this one already; empty where none does [text].
    second_by : str
        What tells that the earlier one was issued first where both are for one period: "bill
        dates" or "numbers"; empty where nothing does [text].
    own : InvoiceFacts, optional
        Where days are shared: the same for the days no earlier invoice holds, from which the right
        amount is priced; None where no days are left [-].
    own_exact : bool
        Whether the volume of those days is known from reads, not from a share of days [-].
    exchange : MeterExchange, optional
        The last change of the billed meter up to the end of the period [-].
    meters : tuple of SupplyMeter
        The supply meters of the account where there are several; empty where there is one [-].
    read_of : str
        Of several, the one whose reads are printed; empty where it is not told [text].
    printed : mapping
        Further figures the bill prints, by role: "water_used", "deduct", "factor", "subtotal",
        "previous_balance", "payment", ... [as printed].
    amount_due : Decimal, optional
        Total as printed, with what is carried over; `total` holds the bill's own charges
        [currency].
    dates : mapping
        "bill_date" and "due_date" as printed [-].
    uncredited : Decimal
        What is left of an earlier bill of these days that this one was billed anew for and that a
        credit note took back in part only [currency].
    credit_note : str
        That credit note [text].
    own_spread : Decimal
        Half width of `own_reads` together [counts].
    starts_estimated : bool
        Whether the previous read is an estimate of the bill before [-].
    second : InvoiceFacts, optional
        Of a bill that rests on an estimate, the same with what the site's own reads give [-].
    second_tolerance : Decimal
        Half width of the charged volume that follows from it [volume unit of the facts].
    usage : Decimal, optional
        Usage as printed, where it is not the charged volume in `facts` [volume unit of the facts].
    usage_means : str
        What it states: "charged", "water" or "net of deducts" [text].
    registers : tuple of str
        Volumes of the facts that further registers of the billed meter add [text].
    segments : tuple of Decimal
        What each meter counted where the meter was changed more than once in the period
        [volume unit of the facts].
    before : BilledInvoice, optional
        The invoice before it, whose figures may have been used again [-].
    """

    facts: InvoiceFacts
    lines: Mapping[str, Decimal]
    total: Decimal
    read_type: str = "actual"
    previous_read: Decimal | None = None
    current_read: Decimal | None = None
    own_reads: tuple[Decimal, Decimal] | None = None
    tolerance: Decimal = Decimal(0)
    uses: tuple[str, ...] = ()
    shares_with: str = ""
    second_by: str = ""
    own: InvoiceFacts | None = None
    own_exact: bool = True
    exchange: MeterExchange | None = None
    meters: tuple[SupplyMeter, ...] = ()
    read_of: str = ""
    printed: Mapping[str, Decimal] = field(default_factory=dict)
    amount_due: Decimal | None = None
    dates: Mapping[str, date] = field(default_factory=dict)
    uncredited: Decimal = Decimal(0)
    credit_note: str = ""
    own_spread: Decimal = Decimal(0)
    starts_estimated: bool = False
    second: InvoiceFacts | None = None
    second_tolerance: Decimal = Decimal(0)
    usage: Decimal | None = None
    usage_means: str = "charged"
    registers: tuple[str, ...] = ()
    segments: tuple[Decimal, ...] = ()
    before: BilledInvoice | None = None

    @property
    def exact(self) -> bool:
        """Whether the volume that should have been charged follows from reads, not a tolerance."""
        return self.own_exact if self.shares_with else self.tolerance == 0

    @property
    def due_facts(self) -> InvoiceFacts | None:
        """What the right amount is priced from; None where nothing is due [-]."""
        return self.own if self.shares_with else self.facts

    @property
    def invoice(self) -> str:
        """Number of the invoice [text]."""
        return self.facts.invoice


@dataclass(frozen=True)
class Signature:
    """An error class that the figures of some invoices fit.

    An invoice may stand in two signatures, one for its volume and one for its lines; each states
    its whole correction, so that sums over signatures are taken per invoice.

    Parameters
    ----------
    code : str
        The class, such as "unit-swap" [text].
    invoices : tuple of str
        The invoices it explains [text].
    sentence : str
        What seems to have happened, with figures [text].
    evidence : mapping
        The figures that show it, by invoice [-].
    invoiced_amount, corrected_amount : Decimal
        Sum of these invoices as printed, and by the rules [currency].
    exactness : str
        "exact" where it reproduces the figures to their rounding, "within interval" where only
        inside the tolerance, "not explained" where nothing does [text].
    look_alikes : tuple of str
        Other classes these figures fit as well [text].
    chances : mapping
        Of this class, and of each look-alike, the share of wrong figures of any cause that it would
        fit by accident [-].
    evidence_that_separates : str
        What would show which of them it is, or settle the matter [text].
    """

    code: str
    invoices: tuple[str, ...]
    sentence: str
    evidence: Mapping[str, Any] = field(default_factory=dict)
    invoiced_amount: Decimal = Decimal(0)
    corrected_amount: Decimal = Decimal(0)
    exactness: Literal["exact", "within interval", "not explained"] = "exact"
    look_alikes: tuple[str, ...] = ()
    evidence_that_separates: str = ""
    chances: Mapping[str, float] = field(default_factory=dict)

    @property
    def difference(self) -> Decimal:
        """Invoiced less corrected: above zero, too much was charged [currency]."""
        return self.invoiced_amount - self.corrected_amount


PROOFS: Mapping[str, str] = MappingProxyType(
    {
        "unit-swap": "a photograph of the register face with its unit, and the unit on the invoice",
        "register-multiplier": "the meter exchange record and the multiplier in the account data",
        "rollover": "the number of wheels on the register face and the reads before and after",
        "exchange-use-missing": "the exchange record: the final read of the old meter, the first "
        "read of the new one, and the date",
        "exchange-as-one-meter": "the serial numbers of the meters both reads were taken from",
        "exchange-start-read": "the first read of the new meter in the exchange record, and a "
        "photograph of its register on that day",
        "exchange-multiplier": "the face and the nameplate of the new meter, and the multiplier in "
        "the account data since the exchange",
        "misread": "a photograph of the register, or the next actual read",
        "several-meter-changes": "the exchange records of all meters of the period",
        "register-left-out": "reads of every register of the meter, and the list of registers on "
        "the account",
        "last-bill-repeated": "the reading sheet of the period, and why the volume before stands",
        "deduct-of-another-period": "the reads of the deduct meter at both ends of the period",
        "balance-twice": "the statement of the account: balance, payments and this bill",
        "payment-not-credited": "the record of the payment, and the next statement",
        "credit-not-applied": "the credit note, and the next statement",
        "credit-too-small": "the cancelled bill beside its credit and its correction",
        "estimated-read": "the actual reads at both ends of the estimated run",
        "missing-true-up": "the first actual read after the estimates, and the bill that used it",
        "duplicate-period": "the payment record of both invoices",
        "overlapping-period": "the read dates in the meter reader's own log",
        "return-factor-missing": "the section of the schedule that states the factor, and the "
        "account's setting",
        "deduct-missing": "reads of the deduct meter for the period, and its registration",
        "never-reaches-sewer": "a plan of the piping that shows where the meter's water goes",
        "another-account": "the serial number of the meter on the invoice and on the site",
        "wrong-rate-version": "the schedule in force on the dates, and its rule for a change of "
        "rates inside a period",
        "wrong-class": "the class, meter size and location in the account data",
        "tier-misapplied": "the block table of the schedule, and the days its edges stand for",
        "minimum-on-top": "the wording of the minimum in the schedule",
        "surcharge-threshold": "the surcharge formula with its thresholds",
        "surcharge-sample": "the laboratory reports of the period and the averaging rule",
        "surcharge-basis": "the volume, unit constant and parameter used for the surcharge",
        "counted-twice": "the list of meters on the account and a plan of the pipes between them",
        "meter-missing": "the list of meters on the account, and the reads of each for the period",
        "transcription": "the working that the billed volume was copied from",
        "allowance-missing": "the section of the schedule that states the free volume",
        "winter-average-missing": "the earlier periods the average is taken from",
        "stale-winter-average": "the earlier periods the average is taken from, and the "
        "bill it was first charged on",
        "wrong-season": "the section of the schedule that states the factor of each month",
        "volume-rule-order": "the section of the schedule that states the order of factor and "
        "deduction",
        "volume-rule-step": "the section of the schedule that states the step",
        "equivalent-units": "the permit or the account data that state the units",
        "another-factor": "the account's setting of the factor, and the section of the schedule",
        "tax-on-tax": "the section of the ordinance that states what the tax is on",
        "tax-base": "the section of the ordinance that states what the tax is on",
        "late-fee-not-due": "the payment record of the bill said to be overdue",
        "other-count": "the record of what was counted",
        "base-twice": "the invoice itself beside the schedule",
        "unknown-charge": "the ordinance or contract the charge rests on",
        "other-rate": "the schedule in force, and any notice of another rate",
        "invoice-arithmetic": "the invoice itself: its lines can be added by anyone",
        "rounding": "the unrounded rate, which the printed one may hide",
        "period-length": "the rule for odd periods, and the number of days billed",
        "unexplained-volume": "the reads and the arithmetic the billed volume was made from",
        "unexplained-line": "the quantity and the rate the line was made from",
    }
)
"""What would show that an error is of its class."""

BRIEFLY: Mapping[str, str] = MappingProxyType(
    {
        "unit-swap": "one unit taken for another",
        "register-multiplier": "a wrong multiplier",
        "rollover": "a rollover of the register",
        "exchange-use-missing": "use left out at a change of meter",
        "exchange-as-one-meter": "reads of two meters subtracted at a change of meter",
        "exchange-start-read": "first read of a new meter not taken off",
        "exchange-multiplier": "multiplier of a new meter not entered",
        "misread": "a misread register",
        "several-meter-changes": "a meter left out between two changes",
        "register-left-out": "a register of the meter left out",
        "last-bill-repeated": "the volume of the bill before billed again",
        "deduct-of-another-period": "the deduct of another period",
        "balance-twice": "a carried balance added twice",
        "payment-not-credited": "a payment not taken off",
        "credit-not-applied": "a credit not taken off",
        "credit-too-small": "a bill cancelled in part only",
        "estimated-read": "an estimated read",
        "missing-true-up": "an estimate not made up for",
        "duplicate-period": "a period billed twice",
        "overlapping-period": "days billed twice",
        "return-factor-missing": "a wrong return factor",
        "deduct-missing": "the deduct meter not taken off",
        "never-reaches-sewer": "water that never reaches the sewer",
        "another-account": "reads of another account",
        "wrong-rate-version": "rates of another edition",
        "wrong-class": "another class or meter size",
        "tier-misapplied": "blocks of the rate misapplied",
        "minimum-on-top": "the minimum charged on top",
        "surcharge-threshold": "threshold of the surcharge",
        "surcharge-sample": "samples of the surcharge",
        "surcharge-basis": "volume or factor of the surcharge",
        "counted-twice": "a volume counted twice",
        "meter-missing": "a meter left out",
        "transcription": "digits copied wrongly",
        "allowance-missing": "the free volume not taken off",
        "winter-average-missing": "the winter average not used",
        "stale-winter-average": "the average of an earlier winter",
        "wrong-season": "the factor of another season",
        "volume-rule-order": "factor and deduction in the other order",
        "volume-rule-step": "a limit or a rounding of the volume left out",
        "equivalent-units": "another number of equivalent units",
        "another-factor": "another return factor",
        "tax-on-tax": "a tax taken on a tax",
        "tax-base": "a tax taken on other lines",
        "late-fee-not-due": "a late fee though none was due",
        "other-count": "another count",
        "base-twice": "a charge that stands twice",
        "unknown-charge": "a charge the schedule does not know",
        "other-rate": "another rate than the schedule's",
        "invoice-arithmetic": "lines added or copied wrongly",
        "rounding": "a rounded rate",
        "period-length": "a wrong number of days",
        "unexplained-volume": "a volume that no known error explains",
        "unexplained-line": "a line that no known error explains",
    }
)
"""Each class in a few words, for lists."""

OF_LINES = frozenset(
    {
        "wrong-rate-version",
        "wrong-class",
        "tier-misapplied",
        "minimum-on-top",
        "surcharge-threshold",
        "surcharge-sample",
        "surcharge-basis",
        "tax-on-tax",
        "tax-base",
        "late-fee-not-due",
        "other-count",
        "base-twice",
        "unknown-charge",
        "other-rate",
        "invoice-arithmetic",
        "rounding",
        "unexplained-line",
        "balance-twice",
        "payment-not-credited",
        "credit-not-applied",
        "credit-too-small",
    }
)
"""Classes that leave the billed volume as it is."""
