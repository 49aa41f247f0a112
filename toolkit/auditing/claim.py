"""What could be claimed for each invoice, inside which window, until when."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd

from toolkit.auditing.inputs import local_dates
from toolkit.auditing.pricing import Pricing
from toolkit.case import Case
from toolkit.charges.periods import months_before

__all__ = ["claim_table"]


def claim_table(case: Case, table: pd.DataFrame, pricing: Pricing | None) -> pd.DataFrame:
    """Amounts by invoice with the windows of the local code as the case states them.

    Parameters
    ----------
    case : Case
        For look-back, dispute days and the day the audit counts from [-].
    table : DataFrame
        One row per invoice [money].
    pricing : Pricing or None
        For the bill dates [-].

    Returns
    -------
    DataFrame
        invoice, bill date, by_the_rules (invoiced less recomputed), in_look_back, dispute_until,
        dispute_open; empty without a rate schedule [money].
    """
    columns = ["invoice", "billed_on", "by_the_rules", "in_look_back", "dispute_until", "open"]
    if pricing is None:
        return pd.DataFrame(columns=columns)
    rule = case.data.rule
    dates = local_dates(case, table)
    decided = rule.decided_on or max(dates["end"])
    first = months_before(decided, rule.look_back) if rule.look_back is not None else None
    rows = []
    for place, facts in enumerate(pricing.facts):
        billed = facts.bill_date or dates["end"].iloc[place]
        until = None if rule.dispute_days is None else billed + timedelta(days=rule.dispute_days)
        row = table.iloc[place]
        rows.append(
            {
                "invoice": row["invoice"],
                "billed_on": billed,
                "by_the_rules": round(row["invoiced_total"] - row["recomputed_total"], 2),
                "in_look_back": None if first is None else bool(billed >= first),
                "dispute_until": until,
                "open": None if until is None else bool(decided <= until),
            }
        )
    return pd.DataFrame(rows, columns=columns)


def claim_sums(claim: pd.DataFrame) -> dict[str, float]:
    """Sums of a claim, inside and outside the windows.

    Parameters
    ----------
    claim : DataFrame
        As :func:`claim_table` returns it [money].

    Returns
    -------
    dict of str to float
        over_invoiced, under_invoiced, net, in_look_back (net of invoices in the window),
        outside_look_back [money].
    """
    if claim.empty:
        return {}
    amount = claim["by_the_rules"].to_numpy(dtype=float)
    inside = np.array([each is not False for each in claim["in_look_back"]])
    return {
        "over_invoiced": round(float(amount[amount > 0].sum()), 2),
        "under_invoiced": round(float(-amount[amount < 0].sum()), 2),
        "net": round(float(amount.sum()), 2),
        "in_look_back": round(float(amount[inside].sum()), 2),
        "outside_look_back": round(float(amount[~inside].sum()), 2),
    }
