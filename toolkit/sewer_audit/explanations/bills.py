"""Explanations that act on the bill: the record is right and the invoice is not.

Signatures are ratios and patterns an error leaves in the billed series, compared with what the
schedule should have billed.
"""

from __future__ import annotations

from sewer_audit.explanations import bill_actions as act
from sewer_audit.explanations import bill_forms as form
from sewer_audit.explanations.model import Explanation, Parameter

__all__ = ["BILL_EXPLANATIONS", "BY_THE_SCHEDULE"]

BY_THE_SCHEDULE = "billed by the schedule"
SIGNATURES = "error signatures of billing; ratios from exact unit definitions"

BILL_EXPLANATIONS: tuple[Explanation, ...] = (
    Explanation(BY_THE_SCHEDULE, "bill", 0.60, form.always, act.unchanged),
    Explanation(
        "unit mistaken", "bill", 0.04,
        form.mistaken_units, act.scale,
        evidence="the unit printed on the register's face beside the unit on the invoice",
        visit="photograph the register with its unit and painted zeros", source=SIGNATURES,
    ),
    Explanation(
        "register multiplier wrong", "bill", 0.03,
        form.wrong_multipliers, act.scale,
        evidence="the multiplier in the utility's meter file and the date of the last exchange",
        visit="time one turn of the lowest wheel against a known volume", source=SIGNATURES,
    ),
    Explanation(
        "billed share not applied as scheduled", "bill", 0.04,
        form.wrong_shares, act.scale,
        evidence="the schedule's share for this account beside the invoice's volume line",
        visit="none; the papers decide", source=SIGNATURES,
    ),
    Explanation(
        "two meters in series both billed", "bill", 0.01,
        form.two_meters, act.scale,
        evidence="the list of meters on the account and the plan of the pipes",
        visit="follow the pipe from one meter to the next; have a plumber close one valve, "
        "never one of a fire line, and watch both",
        source="double charge through two meters, a reported case",
    ),
    Explanation(
        "deduct credit missing or reversed", "bill", 0.05,
        form.missing_credits, act.leave_out_credit,
        evidence="the deduct reads the utility holds, invoice by invoice",
        visit="read the deduct meter and compare its number with the account", source=SIGNATURES,
    ),
    Explanation(
        "billed on the deduct meter", "bill", 0.01,
        form.deduct_meter, act.bill_deduct_meter,
        evidence="the meter number on the invoice",
        visit="compare the numbers on both meters", source=SIGNATURES, joins=False,
    ),
    Explanation(
        "estimated reads", "bill", 0.05,
        form.estimated_runs, act.estimate_run,
        evidence="the read type of every invoice, and a read of today",
        visit="read the register on a reading day", source="published account with 22 estimates",
    ),
    Explanation(
        "a period billed twice", "bill", 0.02,
        form.periods_twice, act.bill_twice,
        evidence="previous and current read and dates of neighbouring invoices",
        visit="none; the papers decide", source=SIGNATURES,
    ),
    Explanation(
        "one read wrong and set right by the next", "bill", 0.02,
        form.wrong_reads, act.misread_once,
        evidence="the reads themselves: an error of digits or of two digits swapped",
        visit="none after the next right read", source=SIGNATURES,
    ),
    Explanation(
        "reads on other dates than stated", "bill", 0.03,
        form.other_dates, act.shift_reads,
        Parameter("shift of the reads", 0.5, 20.0, "d", 1.0),
        evidence="the reading route's dates, and a daily record of the supply meter",
        visit="be there when the meter is read", source=SIGNATURES,
    ),
    Explanation(
        "days counted otherwise", "bill", 0.02,
        form.day_counts, act.scale_by_days,
        evidence="the schedule's rule for the length of a period",
        visit="none; the papers decide", source=SIGNATURES,
    ),
    Explanation(
        "low-flow register of a compound meter not billed", "bill", 0.01,
        form.always, act.drop_low_register,
        Parameter("share of the mean use", 0.01, 0.6),
        evidence="both registers of the compound meter on one day and a month later",
        visit="read both registers", source=SIGNATURES,
    ),
    Explanation(
        "billed on another account's reads", "bill", 0.02,
        form.other_accounts, act.bill_other_account,
        evidence="the meter number on the invoice beside the number on the meter",
        visit="compare the meter numbers of both properties", source=SIGNATURES, joins=False,
    ),
    Explanation(
        "roll-over of the register mishandled", "bill", 0.01,
        form.roll_overs, act.roll_over,
        evidence="previous read, current read and number of digits",
        visit="count the digits of the register", source=SIGNATURES,
    ),
    Explanation(
        "none of these (bill)", "bill", 0.04,
        form.any_bill, act.bill_anything,
        evidence="the utility's own working of every invoice",
        visit="read every meter on the account",
        source="broad prior, so that the listed ones are not overstated",
    ),
)  # fmt: skip
"""Every explanation that acts on the bill."""
