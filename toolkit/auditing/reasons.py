"""Why an invoice differs from the rules, and which explanation fits the whole series."""

from __future__ import annotations

from dataclasses import asdict
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from toolkit.auditing.evidence import Evidence, credited
from toolkit.auditing.inputs import Inputs
from toolkit.auditing.pricing import Pricing
from toolkit.balance import as_periods
from toolkit.case import Case
from toolkit.charges import price
from toolkit.explanations import Observations, explain
from toolkit.units import from_si, to_si

__all__ = ["explanation_table", "signature_table"]

CENT = Decimal("0.005")
# ratio of billed to right volume: what it would be
RATIOS = {
    1.336806: "CCF taken as kgal",
    0.748052: "kgal taken as CCF",
    7.480519: "gallons taken as cubic feet",
    0.133681: "cubic feet taken as gallons",
    10.0: "multiplier ten times too high",
    0.1: "multiplier ten times too low",
    100.0: "multiplier a hundred times too high",
    0.01: "multiplier a hundred times too low",
}


def explanation_table(
    case: Case, inputs: Inputs, evidence: Evidence, table: pd.DataFrame
) -> pd.DataFrame:
    """Candidate explanations of the billed series, most probable first.

    Parameters
    ----------
    case : Case
        For the return factor [-].
    inputs : Inputs
        For the billing unit [-].
    evidence : Evidence
        Estimates as draws [m3].
    table : DataFrame
        One row per invoice [m3].

    Returns
    -------
    DataFrame
        One row per explanation: prior, posterior, likelihood, what would settle it; empty without
        an estimate [-].
    """
    effluent, balance = evidence.effluent, evidence.balance
    if effluent is None and balance is None:
        return pd.DataFrame()
    told: dict[str, Any] = {}
    for name, draws in (
        ("effluent", None if effluent is None else effluent.volumes),
        ("balance", None if balance is None else balance.draws),
    ):
        if draws is not None and np.isfinite(draws).all():
            told[f"{name}_mean"] = draws.mean(axis=0)
            told[f"{name}_cov"] = np.atleast_2d(np.cov(draws.T))
    if evidence.basis is not None and case.data.case.basis == "intake":
        told["basis_m3"] = evidence.basis.mean(axis=0)
        told["basis_cov"] = np.atleast_2d(np.cov(evidence.basis.T))
        told["return_factor"] = case.data.case.return_factor
        told |= _registered(case, evidence)
    if effluent is not None and effluent.model.zero is not None:
        told["head_sensitivity"] = effluent.sensitivity
    step = max(-volume.as_tuple().exponent for volume in inputs.invoices.frame["billed_volume"])
    unit = case.data.invoices.volume_unit
    seen = Observations(
        billed_m3=table["billed_m3"].to_numpy(),
        billed_step_m3=float(to_si(10.0**-step, unit, "volume")),
        days=as_periods(table[["start", "end"]]).days,
        year_fraction=(
            (table["start"] + (table["end"] - table["start"]) / 2).dt.day_of_year / 365
        ).to_numpy(),
        **told,
    )
    ranking = explain(seen, pairs=False)
    rows = pd.DataFrame([asdict(row) for row in ranking.rows[:12]])
    rows["components"] = [" + ".join(each) for each in rows["components"]]
    rows.attrs["statement"] = ranking.statement
    return rows


def _registered(case: Case, evidence: Evidence) -> dict[str, np.ndarray]:
    data = case.data
    supply = [i.meter for i in data.intake if i.role == "supply"]
    deducts = [u.name for u in data.use if credited(u) and u.name in evidence.registers]
    zero = np.zeros(len(evidence.periods.names))
    return {
        "intake_m3": sum((evidence.registers[n].volume_m3 for n in supply), zero),
        "deducts_m3": sum((evidence.registers[n].volume_m3 for n in deducts), zero),
    }


def signature_table(
    case: Case, inputs: Inputs, evidence: Evidence, pricing: Pricing | None
) -> pd.DataFrame:
    """Invoices that differ from the rules, with the error class their figures fit.

    Parameters
    ----------
    case : Case
        For units and return factor [-].
    inputs : Inputs
        Invoices as read [-].
    evidence : Evidence
        Registered volumes [m3].
    pricing : Pricing or None
        Recomputed invoices [money].

    Returns
    -------
    DataFrame
        code, invoices, sentence, difference (invoiced less by the rules) [money].
    """
    columns = ["code", "invoices", "sentence", "difference"]
    if pricing is None:
        return pd.DataFrame(columns=columns)
    rows = []
    previous_estimated = False
    for place, right in enumerate(pricing.recomputed):
        invoice = inputs.invoices.frame.iloc[place]
        difference = invoice["total"] - right.total
        if abs(difference) > CENT:
            code, sentence = _classify(case, inputs, evidence, pricing, place, previous_estimated)
            rows.append([code, [str(invoice["invoice"])], sentence, float(difference)])
        previous_estimated = invoice["read_type"] == "estimated"
    return pd.DataFrame(rows, columns=columns)


def _classify(
    case: Case,
    inputs: Inputs,
    evidence: Evidence,
    pricing: Pricing,
    place: int,
    after_estimate: bool,
) -> tuple[str, str]:
    invoice = inputs.invoices.frame.iloc[place]
    name, stated, right = invoice["invoice"], pricing.stated[place], pricing.by_rules[place]
    rows = pricing.lines[pricing.lines["invoice"] == name]
    wrong = [r.line for r in rows.itertuples() if r.difference is not None and r.difference != 0]
    if wrong == ["total"]:
        return "sum-of-lines", f"{name}: every line follows the schedule, their sum does not."
    if invoice["read_type"] == "estimated":
        return "estimated-read", f"{name}: ends with an estimated read, not an actual one."
    if after_estimate:
        return "true-up", f"{name}: makes up for the estimated read before it."
    if right is not None:
        billed = float(invoice["billed_volume"])
        due = sum(float(volume.value) for volume in right.volumes)
        ratio = billed / due if due else np.nan
        for factor, words in RATIOS.items():
            if abs(ratio / factor - 1) < 2e-4:
                return "unit-or-multiplier", f"{name}: billed is {ratio:.4f} of the due: {words}."
        if _deduct_left_out(case, evidence, place, billed):
            return "deduct-missing", f"{name}: the volume is that without the deduct meter."
    other = _other_version(pricing, place, invoice["total"])
    if other:
        return "other-rate-version", f"{name}: the total is that of the rates {other}."
    if abs(invoice["total"] - stated.total) > CENT:
        return "not-by-the-schedule", f"{name}: lines {', '.join(wrong)} do not follow."
    return "volume-not-by-the-reads", f"{name}: the billed volume does not follow from the reads."


def _deduct_left_out(case: Case, evidence: Evidence, place: int, billed: float) -> bool:
    registered = _registered(case, evidence)
    whole = registered["intake_m3"][place] * case.data.case.return_factor
    volume = float(from_si(whole, case.data.invoices.volume_unit, "volume"))
    return bool(registered["deducts_m3"][place] > 0 and abs(billed / volume - 1) < 2e-4)


def _other_version(pricing: Pricing, place: int, total: Decimal) -> str:
    """Name of the one other version of the rates that gives the invoiced total, or nothing."""
    for version in pricing.schedule.version:
        single = version.model_copy(update={"effective": pricing.schedule.version[0].effective})
        alone = pricing.schedule.model_copy(update={"version": (single,)})
        try:
            again = price(alone, pricing.facts[place]).total
        except ValueError:
            continue
        if abs(again - total) <= CENT:
            return version.name or version.effective.isoformat()
    return ""
