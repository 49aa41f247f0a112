"""Claim arithmetic: windows, deadlines, interest and payments."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from sewer_audit.charges import ClaimItem, ClaimRule, Payment, work_out_claim

D = Decimal


def item(name: str, billed: date, invoiced: str, due: str, *payments: Payment) -> ClaimItem:
    return ClaimItem(name, billed, billed, D(invoiced), D(due), payments or None)


@pytest.mark.parametrize(
    "months, inside",
    [(36, {"a", "b", "c"}), (24, {"b", "c"}), (12, {"c"}), (None, {"a", "b", "c"})],
)
def test_look_back_by_months(months, inside):
    """36 months: Phoenix AZ, City Code 28-41.3; 24: Anaheim CA; 12: Sebring FL (codes as read)."""
    items = [
        item("a", date(2023, 6, 1), "110", "100"),
        item("b", date(2024, 3, 31), "120", "100"),
        item("c", date(2025, 12, 1), "130", "100"),
    ]
    claim = work_out_claim(items, ClaimRule(date(2026, 3, 31), look_back_months=months))
    assert {line.invoice for line in claim.lines if line.in_window} == inside
    assert claim.overcharged_inside + claim.overcharged_outside == 60


def test_undercharges_have_their_own_window():
    """Skamania PUD, Washington: undercharges 24 months, overcharges the whole error period."""
    items = [
        item("old under", date(2020, 1, 1), "100", "150"),
        item("new under", date(2025, 6, 1), "100", "130"),
        item("old over", date(2020, 2, 1), "100", "60"),
    ]
    claim = work_out_claim(items, ClaimRule(date(2026, 1, 1), back_bill_months=24))
    assert claim.undercharged_outside == 50
    assert claim.undercharged_inside == 30
    assert claim.overcharged_inside == 40
    assert claim.net == 10


def test_interest_from_thirty_days_after_payment():
    """City of Unalaska, Alaska: within one year, 3.5 % a year from 30 days after payment."""
    paid = Payment(date(2024, 1, 10), D("1500"))
    rule = ClaimRule(
        date(2024, 12, 31), look_back_months=12, interest=D("0.035"), interest_after_days=30
    )
    claim = work_out_claim([item("x", date(2024, 1, 1), "1500", "500", paid)], rule)
    # 9 February to 31 December 2024 are 326 days
    assert claim.interest == D("31.26")
    assert claim.refund == 1000


def test_what_is_not_paid_is_credited_not_refunded():
    """Arithmetic: a refund cannot exceed what was paid beyond the due amount."""
    half = Payment(date(2025, 2, 1), D("90"))
    claim = work_out_claim(
        [item("x", date(2025, 1, 1), "150", "60", half)], ClaimRule(date(2025, 3, 1))
    )
    assert (claim.refund, claim.credit) == (30, 60)


def test_last_payment_made_the_overpayment():
    """Interest runs on the last payments first."""
    payments = (Payment(date(2024, 1, 1), D(60)), Payment(date(2025, 1, 1), D(90)))
    rule = ClaimRule(date(2026, 1, 1), interest=D("0.10"))
    claim = work_out_claim([item("x", date(2024, 1, 1), "150", "50", *payments)], rule)
    # 90 for 365 days and 10 for 731
    assert claim.interest == D("11.00")


def test_dispute_days_and_the_next_deadline():
    """30 days to dispute: Heppner, Oregon. A claim inside its window has a first day it is lost."""
    items = [
        item("closed", date(2026, 1, 5), "110", "100"),
        item("open", date(2026, 2, 20), "120", "100"),
    ]
    rule = ClaimRule(date(2026, 3, 10), look_back_months=6, dispute_days=30)
    claim = work_out_claim(items, rule)
    assert [line.dispute_open for line in claim.lines] == [False, True]
    assert claim.open_for_dispute == 20
    assert claim.next_deadline == date(2026, 3, 22)
    assert claim.lines[0].lapses_on == date(2026, 7, 6)


@pytest.mark.parametrize(
    "billed, lapses",
    [(date(2025, 8, 31), date(2026, 3, 1)), (date(2025, 8, 15), date(2026, 2, 16))],
)
def test_a_claim_lapses_the_day_after_its_last(billed, lapses):
    """Six months back from 28 February reach 28 August, so that 31 August stays in until March."""
    inside = ClaimRule(date.fromordinal(lapses.toordinal() - 1), look_back_months=6)
    after = ClaimRule(lapses, look_back_months=6)
    one = item("x", billed, "2", "1")
    assert work_out_claim([one], inside).lines[0].lapses_on == lapses
    assert work_out_claim([one], inside).overcharged_inside == 1
    assert work_out_claim([one], after).overcharged_outside == 1


def test_window_counted_on_the_payment():
    """A window may be counted on the day of payment instead of the bill."""
    paid = Payment(date(2025, 7, 1), D(110))
    items = [item("x", date(2024, 11, 1), "110", "100", paid)]
    by_bill = ClaimRule(date(2026, 1, 1), look_back_months=12)
    by_payment = ClaimRule(date(2026, 1, 1), look_back_months=12, counted_on="payment")
    assert work_out_claim(items, by_bill).overcharged_outside == 10
    assert work_out_claim(items, by_payment).overcharged_inside == 10
