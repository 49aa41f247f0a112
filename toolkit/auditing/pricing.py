"""Question 1: was each invoice made by the rules, to the cent, and what is in question?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from toolkit.auditing.evidence import Evidence
from toolkit.auditing.facts import Known, known_of
from toolkit.auditing.inputs import Inputs
from toolkit.case import Case
from toolkit.charges import InvoiceFacts, PricedInvoice, Schedule, price, price_draws
from toolkit.units import to_si

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
    known : tuple of Known
        Reads and tolerance behind the facts of each [-].
    """

    facts: tuple[InvoiceFacts, ...]
    stated: tuple[PricedInvoice, ...]
    by_rules: tuple[PricedInvoice | None, ...]
    lines: pd.DataFrame
    schedule: Schedule
    known: tuple[Known, ...]

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
    known = known_of(case, inputs, evidence)
    facts = [each.facts for each in known]
    stated = [price(inputs.schedule, each) for each in facts]
    by_rules = [
        _by_rules(inputs.schedule, each, printed)
        for each, printed in zip(known, stated, strict=True)
    ]
    lines = pd.concat(
        [
            _lines(inputs, row, stated[row], by_rules[row])
            for row in range(len(inputs.invoices.frame))
        ],
        ignore_index=True,
    )
    return Pricing(
        tuple(facts), tuple(stated), tuple(by_rules), lines, inputs.schedule, tuple(known)
    )


def _by_rules(schedule: Schedule, known: Known, stated: PricedInvoice) -> PricedInvoice | None:
    """Priced from the reads; the stated volume stands where the reads cannot tell it from theirs.

    Reads at other instants than the invoice's give its volume to a tolerance only, and a right
    invoice is not corrected by interpolation.
    """
    facts = known.facts
    if not facts.volumes:
        return None
    again = price(schedule, facts.but(billed_volume=None))
    if known.tolerance == 0 or facts.billed_volume is None:
        return again
    low, high = (
        sum(float(v.value) for v in price(schedule, _shifted(facts, shift)).volumes)
        for shift in (-known.tolerance, known.tolerance)
    )
    billed = sum(float(volume.value) for volume in stated.volumes)
    return stated if low <= billed <= high else again


def _shifted(facts: InvoiceFacts, shift: Decimal) -> InvoiceFacts:
    name = "discharge" if "discharge" in facts.volumes else "intake"
    moved = max(facts.volumes[name] + shift, Decimal(0))
    return facts.but(billed_volume=None, volumes={**facts.volumes, name: moved})


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
