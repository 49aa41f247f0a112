"""The result as JSON and as tables; one place that knows the keys of findings.json."""

from __future__ import annotations

import hashlib
import math
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.invoices.claim import claim_sums, ledger_table
from sewer_audit.auditing.invoices.signatures import signature_sheet
from sewer_audit.auditing.judgement.budget import loose_shares
from sewer_audit.auditing.result import Audit
from sewer_audit.auditing.volumes.further import network_table
from sewer_audit.auditing.volumes.uses import use_table
from sewer_audit.charges import chains_of

ESTIMATES = ("effluent", "balance", "reconciled", "basis", "audited")
MONEY = ("amount_in_question", "amount_by_discharge")
PARTS = ("mean", "standard_uncertainty", "low", "high")


def plain(value: Any) -> Any:
    """A value as JSON can hold it; what is not known is null.

    Parameters
    ----------
    value : any
        Number, text, stamp, frame or collection of those [-].

    Returns
    -------
    any
        Built of dict, list, str, int, float, bool and None [-].
    """
    if isinstance(value, pd.DataFrame):
        return [plain(row) for row in value.to_dict("records")]
    if isinstance(value, dict) or hasattr(value, "items"):
        return {str(name): _named(str(name), plain(part)) for name, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(part) for part in value]
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, Decimal):
        return float(value) if value.is_finite() else None
    if isinstance(value, (float, np.floating)):
        return float(f"{value:.12g}") if math.isfinite(value) else None
    if value is None or value is pd.NaT:
        return None
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def _named(name: str, figure: Any) -> Any:
    """A volume below a billionth of a cubic metre is the rounding of the machine: nothing."""
    small = isinstance(figure, float) and name.endswith("_m3") and abs(figure) < 1e-9
    return 0.0 if small else figure


def as_findings(result: Audit) -> dict[str, Any]:
    """The findings dictionary.

    Units: returns [SI, money].
    """
    rule = result.rule
    return plain(
        {
            "title": result.case.title,
            "inputs": _inputs(result),
            "draws": result.draws,
            "seed": result.seed,
            "coverage": rule.coverage,
            "rule": {
                "tolerance": rule.tolerance,
                "coverage": rule.coverage,
                "guard_factor": rule.guard_factor,
                "statement": rule.statement(len(result.judged)),
            },
            "questions": result.questions,
            "invoices": [_invoice(result, row) for row in range(len(result.invoices))],
            "runs": [_run(row) for row in result.judged.to_dict("records") if row["invoices"][1:]],
            "total": _nested(dict(result.total)),
            "basis": result.basis,
            "budget": result.budget,
            "causes": result.causes,
            "memory_or_judgement": loose_shares(result.budget, result.causes, result.evidence),
            "first_order": result.first_order,
            "opposing": result.opposing,
            "open_points": result.open_points,
            "stability": None if result.stability is None else vars(result.stability),
            "explanations": result.explanations,
            "ranking": dict(result.explanations.attrs),
            "uses": use_table(result.case, result.evidence),
            "signatures": result.signatures,
            "chain": _chain(result),
            "ledger": ledger_table(result.ledger),
            "claim": {"invoices": result.claim, **claim_sums(result.claim)},
            "agreement": _agreement(result),
            "further_balances": _further(result),
            "self_check": _self_check(result),
            "flags": [
                {"code": f.code, "severity": f.severity, "message": f.message, "data": f.data}
                for f in result.flags
            ],
            "next_proof": result.next_proof,
        }
    )


def _inputs(result: Audit) -> list[dict[str, str]]:
    case = result.case
    named = [("case", case.file.name, case.file)]
    named += [(key, name, case.path(name)) for key, name in case.named_files]
    return [
        {"key": key, "file": name, "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
        for key, name, path in named
    ]


def _invoice(result: Audit, row: int) -> dict[str, Any]:
    figures = _nested(result.invoices.iloc[row].to_dict())
    figures["line_differences"] = _line_differences(result, figures["invoice"])
    return figures


def _nested(flat: dict[str, Any]) -> dict[str, Any]:
    """Four columns of one estimate become one entry; null where it is not known."""
    found = dict(flat)
    for name in (*ESTIMATES, *MONEY):
        parts = {part: found.pop(f"{name}_{part}", None) for part in PARTS}
        mean = parts["mean"]
        key = name if name in MONEY else f"{name}_m3"
        found[key] = None if mean is None or not math.isfinite(mean) else parts
    return found


def _run(row: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in _nested(row).items() if name not in MONEY}


def _line_differences(result: Audit, invoice: str) -> dict[str, Any]:
    if result.pricing is None:
        return {}
    lines = result.pricing.lines
    rows = lines[(lines["invoice"] == invoice) & lines["difference"].notna()]
    return {row.line: row.difference for row in rows.itertuples() if row.difference != 0}


def _chain(result: Audit) -> list[dict[str, Any]]:
    """The links of every bill, and the first that does not follow from those before it."""
    if result.pricing is None:
        return []
    return [
        {
            "invoice": chain.invoice,
            "broken": None if chain.broken is None else chain.broken.name,
            "links": [{**vars(link), "agrees": link.agrees} for link in chain.links],
        }
        for chain in chains_of(result.pricing.schedule, result.pricing.series)
    ]


def _agreement(result: Audit) -> dict[str, Any] | None:
    joined = result.evidence.reconciliation
    if joined is None:
        return None
    names = ("agree", "chi_square", "dof", "p_value", "total_difference", "total_z")
    return {name: getattr(joined, name) for name in (*names, "total_p_value")}


def _further(result: Audit) -> dict[str, Any] | None:
    """Every stream of the further balances, with the tests; null where the case states none."""
    found = result.evidence.network
    if found is None:
        return None
    names = ("agree", "chi_square", "dof", "p_value", "total_chi_square", "total_dof")
    invoices = result.invoices["invoice"].astype(str)
    told = {name: getattr(found, name) for name in (*names, "total_p_value", "critical_z")}
    closing = [
        {"balance": name, "imbalance_m3": gap, "imbalance_z": z}
        for name, gap, z in zip(found.balances, found.imbalance, found.balance_z, strict=True)
    ]
    adjusted = None
    if found.by_invoice is not None:
        rows = zip(found.streams, found.by_invoice.tolist(), strict=True)
        adjusted = {name: dict(zip(invoices, each, strict=True)) for name, each in rows}
    return {
        **told,
        "invoices": list(invoices[found.counted]),
        "balances": closing,
        "streams": network_table(found, result.case),
        "adjusted_m3": adjusted,
        "named": found.named,
        "possible": found.possible,
    }


def _self_check(result: Audit) -> dict[str, Any] | None:
    effluent = result.evidence.effluent
    if effluent is None:
        return None
    value, covariance = effluent.model.first_order()
    drawn = effluent.volumes
    linear = float(np.sqrt(covariance.sum()))
    return {
        "largest_disagreement_with_brute_force": effluent.check.largest,
        "draws_checked": effluent.check.draws,
        "stretches_checked": effluent.check.stretches,
        "total_first_order": {"mean": float(value.sum()), "standard_uncertainty": linear},
        "total_draws": {
            "mean": float(drawn.sum(axis=1).mean()),
            "standard_uncertainty": float(drawn.sum(axis=1).std(ddof=1)),
        },
        "noise_bias_removed_m3": float(effluent.noise_bias.sum()),
    }


def as_tables(result: Audit) -> dict[str, pd.DataFrame]:
    """Every table of the result by the name of its sheet.

    Units: returns [SI, money].
    """
    tables = {
        "invoices": result.invoices,
        "ledger": ledger_table(result.ledger),
        "claim": result.claim,
        "signatures": signature_sheet(result.signatures),
        "explanations": result.explanations,
        "budget": result.budget,
        "causes": result.causes,
        **_first_order(result.first_order),
    }
    if result.evidence.effluent is not None:
        tables["record quality"] = result.evidence.effluent.quality
        tables["gaps"] = result.evidence.effluent.gaps
    if result.inputs.logger is not None and result.inputs.logger.screening is not None:
        tables["screening"] = result.inputs.logger.screening
    tables["uses"] = use_table(result.case, result.evidence)
    if result.evidence.network is not None:
        tables["further balances"] = network_table(result.evidence.network, result.case)
    if result.evidence.balance is not None:
        tables["balance"] = balance_frame(result)
    tables["notes"] = pd.DataFrame(
        [{"code": f.code, "severity": f.severity, "message": f.message} for f in result.flags]
    )
    return {name: table for name, table in tables.items() if not table.empty}


def _first_order(table: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Volumes and amounts apart, with the unit in the heads as every other table has it."""
    money = table["unit"] == "money"
    ends = ("standard_uncertainty", "low", "high", "mean")
    volumes, amounts = {}, {}
    for name in table.columns:
        if pd.api.types.is_float_dtype(table[name]):
            volumes[name] = f"{name}_m3"
            end = next((f"_{each}" for each in ends if name.endswith(each)), "")
            amounts[name] = f"{name.removesuffix(end)}_amount{end}"
    return {
        "first order, volumes": table[~money].drop(columns="unit").rename(columns=volumes),
        "first order, amounts": table[money].drop(columns="unit").rename(columns=amounts),
    }


def balance_frame(result: Audit) -> pd.DataFrame:
    """Mean and standard uncertainty of every term of the balance.

    Units: result [m3]; returns [m3].
    """
    balance = result.evidence.balance
    assert balance is not None
    terms = [*balance.components.items(), ("expected discharge", balance.draws)]
    rows = [
        {
            "invoice": invoice,
            "term": name,
            "role": balance.roles.get(name, "result"),
            "mean_m3": float(draws[:, place].mean()),
            "standard_uncertainty_m3": float(draws[:, place].std(ddof=1)),
        }
        for place, invoice in enumerate(result.invoices["invoice"])
        for name, draws in terms
    ]
    return pd.DataFrame(rows)
