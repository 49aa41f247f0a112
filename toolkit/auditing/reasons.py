"""Which explanation fits the whole billed series."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from toolkit.auditing.evidence import Evidence
from toolkit.auditing.inputs import Inputs
from toolkit.balance import as_periods
from toolkit.case import Case
from toolkit.explanations import Observations, explain
from toolkit.units import to_si

__all__ = ["explanation_table"]


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
    zero = np.zeros(len(evidence.periods.names))
    return {
        "intake_m3": sum((evidence.registers[n].volume_m3 for n in supply), zero),
        "deducts_m3": sum(evidence.credits.values(), zero),
    }
