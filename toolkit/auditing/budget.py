"""Share of variance by cause, and the list of every uncertain input with its source."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from toolkit.auditing.evidence import Evidence
from toolkit.effluent import OFFSET
from toolkit.uncertainty import BudgetTable, Cause, Draws, variance_budget

__all__ = ["budget_table", "cause_table"]


def budget_table(evidence: Evidence, draws: Draws) -> pd.DataFrame:
    """Variance budgets of both estimates, per invoice and for the total.

    Parameters
    ----------
    evidence : Evidence
        Estimates and the models behind them [m3].
    draws : Draws
        Number and seed [-].

    Returns
    -------
    DataFrame
        estimate, invoice ("total" for the sum), cause, share, standard_uncertainty_m3,
        persistence; the remainder is what interactions add [-].
    """
    rows = [
        {"estimate": estimate, "invoice": invoice, **line}
        for estimate, invoice, line in _lines(evidence, draws)
    ]
    columns = ["estimate", "invoice", "cause", "share", "standard_uncertainty_m3", "persistence"]
    return pd.DataFrame(rows, columns=columns)


def _lines(evidence: Evidence, draws: Draws) -> Iterator[tuple[str, str, dict]]:
    lasting = {c.name: c.persistence for c in (*evidence.causes, *_effluent_causes(evidence))}
    lasting[OFFSET] = "between visits"
    budgets = []
    if evidence.effluent is not None:
        model = evidence.effluent.model
        own = variance_budget(
            lambda only: model.draw(draws, only), model.names, all_draws=evidence.effluent.volumes
        )
        budgets.append(("effluent", own))
    if evidence.balance is not None and evidence.balance_of is not None:
        known = np.isfinite(evidence.balance.draws).all()
        if known and evidence.balance.causes:
            own = variance_budget(
                evidence.balance_of, evidence.balance.causes, all_draws=evidence.balance.draws
            )
            budgets.append(("balance", own))
    for estimate, budget in budgets:
        named = [*zip(evidence.periods.names, budget.invoices, strict=True)]
        for invoice, table in [*named, ("total", budget.total)]:
            yield from ((estimate, invoice, line) for line in _of(table, lasting))


def _of(table: BudgetTable, lasting: dict[str, str]) -> Iterator[dict]:
    for line in table.lines:
        yield {
            "cause": line.name,
            "share": line.share,
            "standard_uncertainty_m3": line.standard_uncertainty,
            "persistence": lasting.get(line.name, "each reading"),
        }
    yield {
        "cause": "interactions",
        "share": table.remainder,
        "standard_uncertainty_m3": np.nan,
        "persistence": "",
    }


def _effluent_causes(evidence: Evidence) -> list[Cause]:
    if evidence.effluent is None:
        return []
    own = [each.cause for each in evidence.effluent.model.independent]
    return [*evidence.effluent.causes.all, *own]


def cause_table(evidence: Evidence) -> pd.DataFrame:
    """Every uncertain input with its figure, shape, persistence and source.

    Parameters
    ----------
    evidence : Evidence
        What was gathered [m3].

    Returns
    -------
    DataFrame
        estimate, cause, value, standard, unit, shape, persistence, default, source [SI].
    """
    named = [("effluent", c) for c in _effluent_causes(evidence)]
    named += [("balance", c) for c in evidence.causes]
    rows = [
        {
            "estimate": estimate,
            "cause": cause.name,
            "value": cause.value,
            "standard": cause.standard,
            "unit": cause.unit,
            "shape": cause.shape,
            "persistence": cause.persistence,
            "default": cause.default,
            "source": cause.source,
        }
        for estimate, cause in dict.fromkeys(named)
    ]
    columns = ["estimate", "cause", "value", "standard", "unit", "shape", "persistence"]
    return pd.DataFrame(rows, columns=[*columns, "default", "source"])
