"""Amounts on a bill that may be a balance, a payment or a credit, and are asked before accused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal

import pandas as pd

from sewer_audit.case import Case
from sewer_audit.charges import Payment, Schedule
from sewer_audit.errors import Flag, InputRefused, Problem
from sewer_audit.records import InvoiceRecord
from sewer_audit.records.bills.carried import carried_role

__all__ = ["charge_columns", "with_asked"]

ZERO = Decimal(0)
IN_NO_COLUMN = "total"
"""Where a total holds more than its lines."""

FEWEST = 3
"""Bills that must all hold a column before it may be another service (judgement)."""

Payments = Mapping[str, Sequence[Payment]] | None


def charge_columns(schedule: Schedule) -> set[str]:
    """Columns of the bill that the schedule names."""
    return {charge.of_column for version in schedule.version for charge in version.charge}


def with_asked(
    case: Case, invoices: InvoiceRecord, schedule: Schedule, payments: Payments
) -> tuple[InvoiceRecord, list[Flag]]:
    """The invoices without what may be carried over, and the question about it.

    Notes
    -----
    A column that no schedule knows is no charge to be accused where its name is that of a carried
    amount; where one of its amounts is what an earlier bill asked, or a payment taken off; or
    where it stands only on bills before which one was left unpaid; where it takes off as much as it
    adds, as a rebate does; or where it stands on every bill and is another each time, as the water
    on a bill of several services. Neither is what a total holds beyond its lines if an earlier bill
    asked just that.
    """
    frame, lines = invoices.frame.copy(), invoices.lines.copy()
    charges = charge_columns(schedule) | set(case.data.invoices.charges)
    others = case.data.invoices.other_services
    if missing := [name for name in others if name not in lines.columns]:
        raise InputRefused([_no_column(case, name, list(lines.columns)) for name in missing])
    unknown = {
        name: {row: each for row, each in enumerate(lines[name]) if each}
        for name in lines.columns
        if name not in charges and name not in others
    }
    every = [name for name, amounts in unknown.items() if len(frame) == len(amounts) >= FEWEST]
    service = any(len(set(unknown[name].values())) > 1 for name in every)
    asked: dict[str, dict[int, Decimal]] = {}
    for name, amounts in unknown.items():
        if amounts and (
            carried_role(name)
            or (service and name in every)
            or sum(amounts.values()) <= 0
            or any(abs(each) in _earlier(frame, lines, row) for row, each in amounts.items())
            or any(-each in _paid(frame, payments, row) for row, each in amounts.items())
            or (
                len(set(amounts.values())) == len(amounts)
                and all(_left_unpaid(frame, payments, row) for row in amounts)
            )
        ):
            asked[name] = amounts
    more = {row: off for row in range(len(frame)) if (off := _beyond_lines(frame, lines, row))}
    if more:
        asked[IN_NO_COLUMN] = more
    if not asked and not others:
        return invoices, []
    known = {name: dict(enumerate(lines[name])) for name in others}
    for name, amounts in (asked | known).items():
        for row, each in amounts.items():
            whole = sum(lines.iloc[row], ZERO)
            held = name == IN_NO_COLUMN or _nearer(frame["total"].iloc[row], whole, each)
            for of in ("total", "amount_due") if held else ():
                frame.iat[row, frame.columns.get_loc(of)] -= each
        if name != IN_NO_COLUMN:
            lines = lines.drop(columns=name)
    services = every if service else []
    flags = [_question(case, frame, name, asked[name], name in services) for name in asked]
    return replace(invoices, frame=frame, lines=lines, flags=(*invoices.flags, *flags)), flags


def _nearer(total: Decimal, whole: Decimal, more: Decimal) -> bool:
    """Whether a total is nearer to all the lines than to them without an amount."""
    return abs(total - whole) <= abs(total - whole + more)


def _earlier(frame: pd.DataFrame, lines: pd.DataFrame, row: int) -> set[Decimal]:
    """What earlier bills asked, with all they print or for themselves."""
    before = frame.iloc[:row]
    found = {*before["total"], *before["amount_due"]}
    found |= {sum(lines.iloc[place], ZERO) for place in range(row)}
    return {abs(each) for each in found if each}


def _paid(frame: pd.DataFrame, payments: Payments, row: int) -> set[Decimal]:
    names = frame["invoice"].iloc[:row]
    return {each.amount for name in names for each in (payments or {}).get(name, ())}


def _left_unpaid(frame: pd.DataFrame, payments: Payments, row: int) -> bool:
    """Whether, by the payments the case states, a bill before was not wholly paid by this one."""
    if payments is None:
        return False
    issued = frame["bill_date"].iloc[row] or frame["end"].iloc[row].date()
    return any(
        sum((p.amount for p in payments.get(each.invoice, ()) if p.paid_on <= issued), ZERO)
        < each.total
        for each in frame.iloc[:row].itertuples()
    )


def _beyond_lines(frame: pd.DataFrame, lines: pd.DataFrame, row: int) -> Decimal:
    """What a total holds beyond its lines, where an earlier bill asked just that; else nothing."""
    bill = frame.iloc[row]
    if not bill["lines_printed"] or bill["previous_balance"] is not None or lines.empty:
        return ZERO
    off = bill["total"] - sum(lines.iloc[row], ZERO)
    return off if off > 0 and off in _earlier(frame, lines, row) else ZERO


def _no_column(case: Case, name: str, columns: list[str]) -> Problem:
    found = f"{name!r} is no column of amounts in {', '.join(case.data.invoices.files)}"
    remedy = f"Write one of {', '.join(map(repr, columns))}"
    return Problem(case.file.name, found, remedy, column="invoices.other_services")


def _question(
    case: Case, frame: pd.DataFrame, name: str, amounts: Mapping[int, Decimal], service: bool
) -> Flag:
    file = ", ".join(case.data.invoices.files)
    told = ", ".join(f"{frame['invoice'].iloc[row]} {each}" for row, each in amounts.items())
    if name == IN_NO_COLUMN:
        what = f"{file}, column total: totals hold more than their lines by what an earlier bill "
        what += f"asked ({told}). Is it a balance carried over? Then copy it into a column "
        what += "previous_balance"
    elif service:
        what = (
            f"{file}, column {name!r}: the schedule knows no such charge, and it stands on every "
        )
        what += f"bill ({told}). Is it of another service, such as water? Then write "
        what += f"other_services = [{name!r}] under [invoices]; if it is charged for the sewer, "
        what += f"charges = [{name!r}]"
    else:
        lowers = "credit" if sum(amounts.values()) <= 0 else "balance"
        role = carried_role(name) or lowers
        key = {"balance": "previous_balance"}.get(role, role)
        what = f"{file}, column {name!r}: the schedule knows no such charge, and it may be a "
        what += f"{role.replace('_', ' ')} carried over from other bills ({told}). Is it? Then "
        what += f"write columns = {{ {key} = {name!r} }} under [invoices]; if it is a charge of "
        what += f"its bill, charges = [{name!r}]"
    what += ". Nothing is claimed on it before that is answered."
    invoices = [str(frame["invoice"].iloc[row]) for row in amounts]
    return Flag("carried-or-charge", what, {"column": name, "invoices": invoices})
