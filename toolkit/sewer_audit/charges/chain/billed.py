"""An invoice as it was printed, a signature as it is found, and what separates look-alikes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.facts import InvoiceFacts


Exactness = Literal["exact", "one of several", "within interval", "not explained"]


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
        That credit note, or the last one that was netted into this bill [text].
    unposted : Decimal
        What was paid on earlier bills before this one was made and no bill credits yet [currency].
    own_spread : Decimal
        Half width of `own_reads` together [counts].
    doubted : tuple of Decimal
        What the site's own read says at either end where the printed one is as likely [counts].
    ahead : Decimal
        By how much the dial of the bills stands before the site's on every bill [counts].
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
    unposted: Decimal = Decimal(0)
    own_spread: Decimal = Decimal(0)
    doubted: tuple[Decimal | None, Decimal | None] = (None, None)
    ahead: Decimal = Decimal(0)
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
        "exact" where it alone reproduces the figures to their rounding, "one of several" where
        other classes do as well, "within interval" where it does only inside the tolerance,
        "not explained" where nothing does [text].
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
    exactness: Exactness = "exact"
    look_alikes: tuple[str, ...] = ()
    evidence_that_separates: str = ""
    chances: Mapping[str, float] = field(default_factory=dict)

    @property
    def difference(self) -> Decimal:
        """Invoiced less corrected: above zero, too much was charged [currency]."""
        return self.invoiced_amount - self.corrected_amount
