"""Question 1: was each invoice made by the rules, to the cent, and what is in question?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from toolkit.auditing.evidence import Evidence, credited
from toolkit.auditing.inputs import Inputs, local_dates
from toolkit.case import Case
from toolkit.charges import InvoiceFacts, PricedInvoice, Schedule, price, price_draws
from toolkit.units import from_si, to_si

__all__ = ["Pricing", "price_invoices"]


@dataclass(frozen=True)
class Pricing:
    """Every invoice recomputed from the rate schedule.

    Parameters
    ----------
    facts : tuple of InvoiceFacts
        What each is priced from [-].
    stated : tuple of PricedInvoice
        Priced on the volume the invoice states [money].
    by_rules : tuple of PricedInvoice or None
        Priced from the reads, as the schedule says; None without reads [money].
    lines : DataFrame
        One row per invoice and charge line: invoiced, recomputed on the stated volume, recomputed
        by the rules, differences [money].
    schedule : Schedule
        The rates [-].
    """

    facts: tuple[InvoiceFacts, ...]
    stated: tuple[PricedInvoice, ...]
    by_rules: tuple[PricedInvoice | None, ...]
    lines: pd.DataFrame
    schedule: Schedule

    @property
    def recomputed(self) -> list[PricedInvoice]:
        """By the rules where there are reads, else on the stated volume [money]."""
        return [r or s for r, s in zip(self.by_rules, self.stated, strict=True)]

    def amounts(self, volumes: np.ndarray) -> np.ndarray:
        """Totals of draws of the charged volume.

        Parameters
        ----------
        volumes : array (draws, invoices)
            Charged volume [m3].

        Returns
        -------
        array (draws, invoices)
            Total of each invoice, through every rule of the schedule [money].
        """
        columns = [
            price_draws(self.schedule, facts, np.maximum(volumes[:, k], 0.0), meaning="billed")
            for k, facts in enumerate(self.facts)
        ]
        return np.column_stack(columns)


def price_invoices(case: Case, inputs: Inputs, evidence: Evidence) -> Pricing | None:
    """Recompute every invoice from the schedule.

    Parameters
    ----------
    case : Case
        Validated case [-].
    inputs : Inputs
        Invoices, reads and schedule [-].
    evidence : Evidence
        For the registered volumes [m3].

    Returns
    -------
    Pricing or None
        None without a schedule [money].
    """
    if inputs.schedule is None:
        return None
    facts = [_facts(case, inputs, evidence, row) for row in range(len(inputs.invoices.frame))]
    stated = [price(inputs.schedule, each) for each in facts]
    by_rules = [
        price(inputs.schedule, each.but(billed_volume=None)) if each.volumes else None
        for each in facts
    ]
    lines = pd.concat(
        [
            _lines(inputs, row, stated[row], by_rules[row])
            for row in range(len(inputs.invoices.frame))
        ],
        ignore_index=True,
    )
    return Pricing(tuple(facts), tuple(stated), tuple(by_rules), lines, inputs.schedule)


def _facts(case: Case, inputs: Inputs, evidence: Evidence, row: int) -> InvoiceFacts:
    frame, unit = inputs.invoices.frame, case.data.invoices.volume_unit
    invoice = frame.iloc[row]
    dates = local_dates(case, frame).iloc[row]
    return InvoiceFacts(
        invoice=str(invoice["invoice"]),
        start=dates["start"],
        end=dates["end"],
        volume_unit=unit,
        volumes=_volumes(case, evidence, row, unit),
        billed_volume=invoice["billed_volume"],
        bill_date=_bill_date(invoice, dates["end"]),
    )


def _bill_date(invoice: pd.Series, end: date) -> date:
    stated = invoice.get("bill_date")
    return stated if isinstance(stated, date) else end


def _volumes(case: Case, evidence: Evidence, row: int, unit: str) -> dict[str, Decimal]:
    """Registered volumes of a period in the billing unit, to the register's own resolution."""
    data = case.data

    def registered(name: str) -> float:
        return float(evidence.registers[name].volume_m3[row])

    if data.case.basis == "discharge":
        return {}
    supply = [registered(i.meter) for i in data.intake if i.role == "supply"]
    deducts = [
        registered(use.name) for use in data.use if credited(use) and use.name in evidence.registers
    ]
    if not supply or not np.all(np.isfinite(supply + deducts)):
        return {}

    def exact(volume_m3: float) -> Decimal:
        return Decimal(repr(round(float(from_si(volume_m3, unit, "volume")), 6)))

    found = {"intake": exact(sum(supply))}
    found["deduct"] = exact(sum(deducts))
    return found


def _lines(
    inputs: Inputs, row: int, stated: PricedInvoice, by_rules: PricedInvoice | None
) -> pd.DataFrame:
    invoice = inputs.invoices.frame.iloc[row]
    invoiced = {
        name: value
        for name, value in inputs.invoices.lines.iloc[row].items()
        if isinstance(value, Decimal)
    }
    amounts, ruled = stated.by_column, {} if by_rules is None else by_rules.by_column
    first = {line.column: line for line in reversed(stated.lines)}
    rows: list[dict[str, Any]] = []
    for name in dict.fromkeys([*invoiced, *amounts]):
        line, billed, again = first.get(name), invoiced.get(name), amounts.get(name)
        single = line is not None and sum(each.column == name for each in stated.lines) == 1
        known = billed is not None and again is not None
        rows.append(
            {
                "invoice": invoice["invoice"],
                "line": name,
                "quantity": line.quantity if single else None,
                "unit": "" if line is None else line.unit,
                "rate": line.rate if single else None,
                "invoiced": billed,
                "on_stated_volume": again,
                "difference": billed - again if known else None,
                "by_the_rules": ruled.get(name),
                "rounding": "" if line is None else line.rounding,
            }
        )
    rows.append(
        {
            "invoice": invoice["invoice"],
            "line": "total",
            "invoiced": invoice["total"],
            "on_stated_volume": stated.total,
            "difference": invoice["total"] - stated.total,
            "by_the_rules": None if by_rules is None else by_rules.total,
        }
    )
    return pd.DataFrame(rows)


def charged_by_rules(pricing: Pricing, unit: str) -> np.ndarray:
    """Volume each invoice should have charged by the rules.

    Parameters
    ----------
    pricing : Pricing
        Recomputed invoices [money].
    unit : str
        Billing unit [text].

    Returns
    -------
    array (invoices,)
        NaN where there are no reads [m3].
    """
    volumes: Sequence[float] = [
        np.nan if priced is None else sum(float(v.value) for v in priced.volumes)
        for priced in pricing.by_rules
    ]
    return np.asarray(to_si(np.array(volumes), unit, "volume"))
