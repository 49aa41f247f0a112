"""What may be claimed, for which invoices, until when: windows, deadlines, interest, payments.

Windows and rates are those the case states from its local code. Whether a claim lies, and whether
time runs from the bill, the payment or the discovery, is a question of law and for counsel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Literal

from sewer_audit.charges.schedule.figures import CENTS, CONTEXT, EXACT
from sewer_audit.charges.schedule.periods import months_before

ZERO = Decimal(0)


@dataclass(frozen=True)
class Payment:
    """A payment on one invoice.

    Parameters
    ----------
    paid_on : date
        Day of payment [-].
    amount : Decimal
        What was paid [currency].
    under_protest : bool
        Whether it was marked so [-].
    """

    paid_on: date
    amount: Decimal
    under_protest: bool = False


@dataclass(frozen=True)
class ClaimItem:
    """One invoice and what should have been invoiced.

    Parameters
    ----------
    invoice : str
        Its number [text].
    bill_date, period_end : date
        Day it was rendered, and last read date [-].
    invoiced, due : Decimal
        As printed, and by the rules [currency].
    payments : tuple of Payment, optional
        None where it is not known what was paid: paid in full on the bill date is then assumed for
        amounts, and no interest is worked out [-].
    """

    invoice: str
    bill_date: date
    period_end: date
    invoiced: Decimal
    due: Decimal
    payments: tuple[Payment, ...] | None = None


@dataclass(frozen=True)
class ClaimRule:
    """The windows and the interest that a local code states.

    Parameters
    ----------
    decided_on : date
        Day the windows are counted from: of the complaint or the discovery [-].
    look_back_months : int, optional
        How far overcharges reach back; None without a limit [months].
    back_bill_months : int, optional
        How far undercharges may be billed back; None without a limit [months].
    counted_on : str
        Which date must lie in the window: "bill date", "period end" or "payment" [text].
    dispute_days : int, optional
        Days after the bill date within which it may be disputed [d].
    interest : Decimal, optional
        Simple rate a year, such as 0.035 [1/year].
    interest_after_days : int
        Days after payment from which interest runs [d].
    """

    decided_on: date
    look_back_months: int | None = None
    back_bill_months: int | None = None
    counted_on: Literal["bill date", "period end", "payment"] = "bill date"
    dispute_days: int | None = None
    interest: Decimal | None = None
    interest_after_days: int = 0


@dataclass(frozen=True)
class ClaimLine:
    """What one invoice comes to.

    Parameters
    ----------
    invoice : str
        Its number [text].
    difference : Decimal
        Invoiced less due: above zero an overcharge [currency].
    refund, credit : Decimal
        Of an overcharge inside its window, the part already paid and the part still open
        [currency].
    in_window : bool
        Whether it lies inside the look-back, or the back-billing window if undercharged [-].
    dispute_until : date, optional
        Last day to dispute it [-].
    dispute_open : bool, optional
        Whether that day has not passed [-].
    lapses_on : date, optional
        First day on which it falls out of its window [-].
    interest : Decimal, optional
        On the refund, to the day of decision; None where rate or payments are not known
        [currency].
    """

    invoice: str
    difference: Decimal
    refund: Decimal
    credit: Decimal
    in_window: bool
    dispute_until: date | None
    dispute_open: bool | None
    lapses_on: date | None
    interest: Decimal | None


@dataclass(frozen=True)
class Claim:
    """A claim over several invoices.

    Parameters
    ----------
    lines : tuple of ClaimLine
        One for each invoice [currency].
    overcharged_inside, overcharged_outside : Decimal
        Overcharges inside and outside their window [currency].
    undercharged_inside, undercharged_outside : Decimal
        Undercharges that may still be billed, and those that may not [currency].
    open_for_dispute : Decimal
        Overcharges on invoices whose dispute window is open; an invoice may be open for dispute and
        outside the look-back, or the other way round [currency].
    refund, credit, interest : Decimal
        Of the overcharges inside: already paid, still open, interest [currency].
    next_deadline : date, optional
        First day on which an overcharge is lost, by dispute or look-back [-].
    rule : ClaimRule
        The windows [-].
    """

    lines: tuple[ClaimLine, ...]
    overcharged_inside: Decimal
    overcharged_outside: Decimal
    undercharged_inside: Decimal
    undercharged_outside: Decimal
    open_for_dispute: Decimal
    refund: Decimal
    credit: Decimal
    interest: Decimal
    next_deadline: date | None
    rule: ClaimRule

    @property
    def net(self) -> Decimal:
        """Overcharges less undercharges that may still be billed, inside the windows [currency]."""
        return self.overcharged_inside - self.undercharged_inside

    @property
    def only_in_look_back(self) -> Decimal:
        """Overcharges inside their look-back, not or no more open for dispute [currency]."""
        return sum((n.difference for n in self._over if n.in_window and not n.dispute_open), ZERO)

    @property
    def barred(self) -> Decimal:
        """Overcharges outside their look-back that may not be disputed any more [currency]."""
        return sum((n.difference for n in self._over if not (n.in_window or n.dispute_open)), ZERO)

    @property
    def _over(self) -> list[ClaimLine]:
        return [line for line in self.lines if line.difference > 0]


def work_out_claim(items: Sequence[ClaimItem], rule: ClaimRule) -> Claim:
    """Put amounts inside and outside the windows, with deadlines and interest.

    Parameters
    ----------
    items : sequence of ClaimItem
        The invoices [currency].
    rule : ClaimRule
        Windows and interest of the local code [-].

    Notes
    -----
    Interest is simple: refund times rate times days over 365, from so many days after the payment,
    on the last payments first, because they made the overpayment.
    Windows and interest are those of the local code: one city asks for a complaint about a utility
    bill within 30 days of its due date, and its rule of refunds with interest is one of sales tax.

    References
    ----------
    City of Unalaska, Alaska, Code of Ordinances 10.04.050(B)(2) (utility bills) and 6.40.050(B)
    (sales tax), read.
    """
    lines = tuple(_line(item, rule) for item in items)
    over = [line for line in lines if line.difference > 0]
    under = [line for line in lines if line.difference < 0]
    inside = [line for line in over if line.in_window]
    deadlines = [
        day
        for line in over
        for day in (line.dispute_until if line.dispute_open else None, line.lapses_on)
        if day is not None
    ]
    return Claim(
        lines=lines,
        overcharged_inside=sum((line.difference for line in inside), ZERO),
        overcharged_outside=sum((ln.difference for ln in over if not ln.in_window), ZERO),
        undercharged_inside=-sum((ln.difference for ln in under if ln.in_window), ZERO),
        undercharged_outside=-sum((ln.difference for ln in under if not ln.in_window), ZERO),
        open_for_dispute=sum((line.difference for line in over if line.dispute_open), ZERO),
        refund=sum((line.refund for line in inside), ZERO),
        credit=sum((line.credit for line in inside), ZERO),
        interest=sum((line.interest or ZERO for line in inside), ZERO),
        next_deadline=min(deadlines, default=None),
        rule=rule,
    )


def _line(item: ClaimItem, rule: ClaimRule) -> ClaimLine:
    difference = item.invoiced - item.due
    paid = (
        item.invoiced
        if item.payments is None
        else sum((payment.amount for payment in item.payments), ZERO)
    )
    months = rule.look_back_months if difference >= 0 else rule.back_bill_months
    counted = _counted(item, rule)
    inside = months is None or counted >= months_before(rule.decided_on, months)
    over = max(difference, ZERO) if inside else ZERO  # outside its window nothing is refunded
    refund = min(over, max(paid - item.due, ZERO))
    until = None
    if rule.dispute_days is not None:
        until = item.bill_date + timedelta(days=rule.dispute_days)
    return ClaimLine(
        invoice=item.invoice,
        difference=difference,
        refund=refund,
        credit=over - refund,
        in_window=inside,
        dispute_until=until,
        dispute_open=None if until is None else rule.decided_on <= until,
        lapses_on=None if months is None or not inside else _lapse(counted, months),
        interest=_interest(item, refund, rule),
    )


def _counted(item: ClaimItem, rule: ClaimRule) -> date:
    if rule.counted_on == "period end":
        return item.period_end
    if rule.counted_on == "payment" and item.payments:
        return max(payment.paid_on for payment in item.payments)
    return item.bill_date


def _lapse(counted: date, months: int) -> date:
    """First day from which looking back no longer reaches the counted date."""
    day = months_before(counted, -months)
    while months_before(day, months) <= counted:
        day += timedelta(days=1)
    while months_before(day - timedelta(days=1), months) > counted:
        day -= timedelta(days=1)
    return day


def _interest(item: ClaimItem, refund: Decimal, rule: ClaimRule) -> Decimal | None:
    """Simple interest on the refund; the last payments made the overpayment."""
    if rule.interest is None or item.payments is None:
        return None
    left, total = refund, ZERO
    for payment in sorted(item.payments, key=lambda each: each.paid_on, reverse=True):
        part = min(left, payment.amount)
        begin = payment.paid_on + timedelta(days=rule.interest_after_days)
        days = max((rule.decided_on - begin).days, 0)
        total += CONTEXT.divide(part * rule.interest * days, Decimal(365))
        left -= part
    return EXACT.rounded(total, CENTS)
