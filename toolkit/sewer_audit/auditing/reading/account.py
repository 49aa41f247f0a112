"""What is known of the account beside its invoices: samples, payments, earlier use, neighbours."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sewer_audit.case import Case
from sewer_audit.charges import (
    HowRead,
    Payment,
    Sample,
    UsePeriod,
    read_earlier_use,
    read_invoice_facts,
    read_payments,
    read_samples,
)
from sewer_audit.records import InvoiceRecord, RegisterRecord, read_register


@dataclass(frozen=True)
class AccountRecord:
    """Everything read of the account.

    Units: samples [mg/L]; earlier_use [their unit]; neighbours [m3].
    """

    samples: tuple[Sample, ...] = ()
    earlier_use: tuple[UsePeriod, ...] = ()
    by_invoice: Mapping[str, dict[str, Any]] = field(default_factory=dict)
    payments: Mapping[str, tuple[Payment, ...]] | None = None
    neighbours: Mapping[str, RegisterRecord] = field(default_factory=dict)


def read_account(
    case: Case, invoices: InvoiceRecord | None, call: Callable[[Callable, Callable], Any]
) -> AccountRecord:
    """Read the files the tables [account], [claim] and [[neighbour]] name."""
    account, claim = case.data.account, case.data.claim
    names = None if invoices is None else tuple(invoices.frame["invoice"].astype(str))
    samples = account.samples and call(
        lambda read: f"{account.samples.file}: {len(read)} laboratory results",
        lambda: read_samples(*_named(case, account.samples), how=_how(account.samples)),
    )
    earlier = account.earlier_use and call(
        lambda read: (
            f"{account.earlier_use.file}: {len(read)} earlier periods, in "
            f"{account.earlier_use.unit or case.data.invoices.volume_unit}"
        ),
        lambda: read_earlier_use(
            *_named(case, account.earlier_use),
            _how(account.earlier_use),
            account.earlier_use.unit,
            _usual(case, invoices),
        ),
    )
    changing = account.by_invoice and call(
        lambda read: f"{account.by_invoice.file}: facts of {len(read)} invoices",
        lambda: read_invoice_facts(
            case.path(account.by_invoice.file),
            names,
            account.by_invoice.file,
            _how(account.by_invoice),
        ),
    )
    payments = None
    if claim.payments is not None:
        payments = call(
            lambda read: f"{claim.payments.file}: payments on {len(read)} invoices",
            lambda: read_payments(
                case.path(claim.payments.file), names, claim.payments.file, _how(claim.payments)
            ),
        )
    others = {each.account: _neighbour(case, each, call) for each in case.data.neighbour}
    return AccountRecord(
        samples or (),
        earlier or (),
        changing or {},
        payments,
        {k: v for k, v in others.items() if v is not None},
    )


def _usual(case: Case, invoices: InvoiceRecord | None) -> tuple[float, str] | None:
    """Volume of a usual day of the invoices, and its unit."""
    if invoices is None:
        return None
    frame = invoices.frame
    days = (frame["end"] - frame["start"]).dt.total_seconds() / 86400
    volumes = frame["billed_volume"].astype(float)
    usual = (volumes[days > 0] / days[days > 0]).median()
    return float(usual), case.data.invoices.volume_unit


def _named(case: Case, table: Any) -> tuple[Any, str]:
    return case.path(table.file), table.file


def _how(table: Any) -> HowRead:
    return HowRead(table.columns, table.day_first, table.decimal, table.sheet)


def _neighbour(case: Case, table: Any, call: Callable[[Callable, Callable], Any]) -> Any:
    return call(
        lambda read: f"{table.file}: {len(read.frame)} register reads of account {table.account}",
        lambda: read_register(
            case.path(table.file),
            zone=case.data.case.time_zone,
            unit=table.unit,
            multiplier=float(table.multiplier),
            digits=table.digits,
            columns=table.columns or None,
            day_first=table.day_first,
            read_hour=case.data.invoices.read_hour,
            shown_as=table.file,
        ),
    )
