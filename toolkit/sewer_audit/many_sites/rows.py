"""One site as a small record, and many of them as a ranked table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing import audit
from sewer_audit.auditing.findings import plain
from sewer_audit.auditing.quarterly.quarters import review
from sewer_audit.auditing.result import Audit
from sewer_audit.case import load_case
from sewer_audit.report.folder.manifest import json_text
from sewer_audit.uncertainty import TOO_HIGH, TOO_LOW, summarise

COLUMNS = (
    "rank",
    "site",
    "title",
    "status",
    "currency",
    "invoices",
    "billed_m3",
    "invoiced_total",
    "expected_recovery",
    "recovery_low",
    "recovery_high",
    "by_the_rules",
    "finding",
    "probability_overbilled",
    "too_high",
    "too_low",
    "first_to_pursue",
    "file",
    "problems",
)


def site_record(
    file: str, folder: str, quarter: str | None, draws: Any, seed: int, pages: bool
) -> dict[str, Any]:
    """Audit and review one case, write its findings, hand back what the summary needs."""
    case = load_case(file)
    result = audit(case, draws=draws, seed=seed)
    found = review(result, quarter) if quarter else None
    result = result if found is None else found.audit
    target = Path(folder)
    if pages:
        from sewer_audit.report import write_report

        given = {"quarter": quarter or ""}
        write_report(
            file, target, "quarterly_review", given, draws, seed, progress=False, name="review"
        )
    else:
        target.mkdir(parents=True, exist_ok=True)
        findings = found.findings() if found is not None else result.findings()
        (target / "findings.json").write_text(json_text(findings), encoding="utf-8")
    places = _places(result, quarter, found)
    return plain(
        {
            "title": case.title,
            "status": "reviewed",
            "file": "review.html" if pages else "findings.json",
            "currency": case.data.display.money,
            **_sums(result, places),
            **expected_recovery(result, places),
            "first_to_pursue": _first(found, result),
            "problems": [f.message for f in result.flags if f.severity == "stops verdict"],
        }
    )


def _places(result: Audit, quarter: str | None, found: Any) -> list[int]:
    if found is None or quarter is None:
        return list(range(len(result.invoices)))
    return list(found.places[quarter])


def _sums(result: Audit, places: Sequence[int]) -> dict[str, Any]:
    rows = result.invoices.iloc[list(places)]
    whole, named = len(rows) == len(result.invoices), set(rows["invoice"].astype(str))
    ends = [each[-1] in named for each in result.judged["invoices"]]
    findings = result.judged.loc[ends, "finding"]
    return {
        "invoices": len(rows),
        "billed_m3": float(rows["billed_m3"].sum()),
        "invoiced_total": float(rows["invoiced_total"].sum()),
        "finding": result.total["finding"] if whole else None,
        "probability_overbilled": result.total["probability_overbilled"] if whole else None,
        "too_high": int((findings == TOO_HIGH).sum()),
        "too_low": int((findings == TOO_LOW).sum()),
    }


def expected_recovery(result: Audit, places: Sequence[int]) -> dict[str, Any]:
    """What the invoices charge beyond what they should, inside the claim window, on balance.

    Notes
    -----
    The sums of the ledger over the invoices inside their window, and the ends of their interval.
    Where no read tells what any invoice should have charged, the invoiced total less the price of
    what the schedule should have billed on by the evidence. Undercharges count against it. An
    unfair basis is no recovery and is not counted.
    """
    claim, names = result.claim, set(result.invoices["invoice"].iloc[list(places)])
    blank = dict.fromkeys(("expected_recovery", "recovery_low", "recovery_high", "by_the_rules"))
    if result.pricing is None or claim.empty:
        return blank
    counted = claim[claim["invoice"].isin(names) & (claim["in_look_back"] != False)]  # noqa: E712
    inside = set(counted["invoice"])
    entries = [each for each in result.ledger.entries if each.invoice in inside]
    rows = [place for place in places if result.invoices["invoice"].iloc[place] in inside]
    basis, read = result.evidence.basis, [e.due is not None for e in result.pricing.series]
    if not any(read) and basis is not None and np.isfinite(basis[:, rows]).all():
        invoiced = result.invoices["invoiced_total"].to_numpy(dtype=float)[rows]
        draws = invoiced - result.pricing.amounts(basis)[:, rows]
        found = summarise(draws.sum(axis=1), result.rule.coverage)
        return {
            "expected_recovery": float(found.mean),
            "recovery_low": float(found.low),
            "recovery_high": float(found.high),
            "by_the_rules": float(counted["by_the_rules"].fillna(0.0).sum()),
        }
    return {
        "expected_recovery": float(sum(each.amount for each in entries)),
        "recovery_low": float(sum(each.low for each in entries)),
        "recovery_high": float(sum(each.high for each in entries)),
        "by_the_rules": float(counted["by_the_rules"].fillna(0.0).sum()),
    }


def _first(found: Any, result: Audit) -> str:
    """The first thing worth pursuing, else the next proof to obtain."""
    if found is not None and len(found.savings):
        return str(found.savings["what"].iloc[0])
    return result.next_proof[0] if result.next_proof else ""


def ranked_table(records: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Sites ranked by expected recovery within their currency; those without a figure come last."""
    rows = [
        {**dict.fromkeys(COLUMNS), **each, "problems": " ".join(each.get("problems", []))}
        for each in records
    ]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    table["currency"] = table["currency"].fillna("")
    amount = pd.to_numeric(table["expected_recovery"])
    order = pd.DataFrame(
        {"none": amount.isna(), "currency": table["currency"], "amount": -amount.fillna(0.0)}
    )
    failed = table["status"] != "reviewed"
    order.insert(0, "failed", failed)
    table = table.loc[
        order.sort_values(["failed", "currency", "none", "amount"], kind="stable").index
    ].reset_index(drop=True)
    known = pd.to_numeric(table["expected_recovery"]).notna()
    ranks = table[known].groupby("currency").cumcount() + 1
    table["rank"] = ranks.reindex(table.index).astype("Int64")
    return table
