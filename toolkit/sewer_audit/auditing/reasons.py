"""Which explanation fits the whole billed series, and what each would change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from sewer_audit.auditing.evidence import Evidence
from sewer_audit.auditing.exchanges import read_meter
from sewer_audit.auditing.inputs import Inputs
from sewer_audit.auditing.observed import observations_of
from sewer_audit.auditing.pricing import Pricing
from sewer_audit.auditing.signatures import corrected_volumes
from sewer_audit.auditing.verdict import runs_of_estimates
from sewer_audit.case import Case
from sewer_audit.explanations import (
    CATALOGUE,
    Explanation,
    Observations,
    Ranking,
    explain,
    is_other,
)
from sewer_audit.uncertainty import DecisionRule, judge

__all__ = ["Reasons", "explanation_table", "reasons_of"]

SHOWN = 12
"""Rows of the table, besides which every single explanation is counted as excluded or not [-]."""
LEVELS = 2001
"""Quantiles that stand for a normal distribution where a finding is worked out [-]."""
NONE_OF_THESE = "none of these (bill)"
BY_SCHEDULE = "billed by the schedule"


@dataclass(frozen=True)
class Reasons:
    """A ranking, and which invoices it was made without."""

    ranking: Ranking
    set_aside: tuple[str, ...]

    @property
    def statement(self) -> str:
        """What the report may say [text]."""
        if not self.set_aside:
            return self.ranking.statement
        names = ", ".join(self.set_aside)
        return (
            f"set aside first, because an error of the invoice itself accounts for them: {names}. "
            f"For all others {self.ranking.statement}"
        )


def reasons_of(
    case: Case,
    inputs: Inputs,
    evidence: Evidence,
    table: pd.DataFrame,
    pricing: Pricing | None,
    signatures: pd.DataFrame,
) -> Reasons | None:
    """Rank the explanations of a case.

    Units: evidence [m3]; table [m3].

    Notes
    -----
    An invoice whose volume error is named to its figures says nothing more about meters or record.
    Where the invoices show several such errors, or none of the listed explanations accounts for
    all of them together, these invoices are left out and the rest is ranked. They are left out
    rather than put right, for a corrected bill would count as evidence that bills are right.
    """
    if evidence.effluent is None and evidence.balance is None:
        return None
    seen = observations_of(case, inputs, evidence, table)
    unit = case.data.invoices.volume_unit
    corrected = corrected_volumes(signatures, pricing, seen.billed_m3, unit)
    named = np.abs(corrected - seen.billed_m3) > seen.billed_step_m3 / 2
    alone = (inputs.invoices.frame["shares_with"] == "").to_numpy()
    of_runs = np.zeros(len(alone), dtype=bool)
    for places in runs_of_estimates(inputs.invoices.frame):
        of_runs[places] = len(places) > 1  # only their sum was metered
    sharing = tuple(table.loc[~alone, "invoice"].astype(str))
    seen, named, of_runs, table = seen.where(alone), named[alone], of_runs[alone], table[alone]
    named &= ~of_runs

    def left(out: np.ndarray) -> tuple[Observations, tuple[str, ...]]:
        billed = np.where(out, np.nan, seen.billed_m3)
        return replace(seen, billed_m3=billed), tuple(table.loc[out, "invoice"].astype(str))

    kept, runs = left(of_runs)
    if not named.any():
        return Reasons(explain(kept, _open_to(case, pricing)), sharing + runs)
    classes = {
        row.code
        for row in signatures.itertuples()
        if set(row.invoices) & set(table.loc[named, "invoice"])
    }
    if len(classes) == 1:
        together = explain(kept)
        if NONE_OF_THESE not in together.rows[0].components:
            return Reasons(together, sharing + runs)
    kept, names = left(named | of_runs)
    return Reasons(explain(kept), sharing + names)


def _open_to(case: Case, pricing: Pricing | None) -> Sequence[Explanation] | None:
    """The catalogue; without errors of bills where each follows from reads the site's bear out.

    A second opinion whose tolerance reaches every bill accuses none of them.
    """
    meter = read_meter(case)
    if pricing is None or meter is None or meter.meter not in {i.meter for i in case.data.intake}:
        return None
    read = [None not in (bill.previous_read, bill.current_read) for bill in pricing.bills]
    if not all(read) or not all(e.volume_agrees and e.due is not None for e in pricing.series):
        return None
    return [
        each
        for each in CATALOGUE
        if each.acts_on != "bill" or each.name == BY_SCHEDULE or is_other(each)
    ]


def explanation_table(
    case: Case,
    inputs: Inputs,
    evidence: Evidence,
    table: pd.DataFrame,
    pricing: Pricing | None,
    signatures: pd.DataFrame,
) -> pd.DataFrame:
    """Candidate explanations of the billed series, most probable first.

    Units: evidence [m3]; table [m3]; returns [m3].
    """
    found = reasons_of(case, inputs, evidence, table, pricing, signatures)
    if found is None:
        return pd.DataFrame()
    ranking = found.ranking
    rows = pd.DataFrame([asdict(row) for row in ranking.rows[:SHOWN]])
    rows["components"] = [" + ".join(each) for each in rows["components"]]
    billed = float(table["billed_m3"].sum())
    present = None if evidence.audited is None else evidence.audited.sum(axis=1)
    rows["discharge_change_m3"] = [
        np.nan if present is None else row.corrected_discharge_m3 - float(present.mean())
        for row in ranking.rows[:SHOWN]
    ]
    rows["finding_if_true"] = [
        _finding(case, billed, row.corrected_discharge_m3, row.corrected_standard_m3)
        for row in ranking.rows[:SHOWN]
    ]
    rows.attrs = {"statement": found.statement, **_about(found)}
    return rows


def _about(found: Reasons) -> dict[str, Any]:
    """What the ranking says as a whole, as JSON can hold it."""
    ranking = found.ranking
    return {
        "named": ranking.named,
        "factor": float(ranking.factor),
        "strength": ranking.strength,
        "separates": ranking.separates,
        "excluded": list(ranking.excluded),
        "untestable": list(ranking.untestable),
        "set_aside": list(found.set_aside),
    }


def _finding(case: Case, billed: float, mean: float, standard: float) -> str:
    """Finding about the sum of all bills if the discharge were as an explanation corrects it."""
    if not np.isfinite(mean + standard):
        return ""
    rule = case.data.rule
    decision = DecisionRule(rule.tolerance, rule.coverage, rule.guard_factor)
    normal = mean + max(standard, 1e-9) * ndtri((np.arange(LEVELS) + 0.5) / LEVELS)
    judged = judge(
        normal[:, None],
        np.array([billed]),
        decision.tolerance,
        decision.coverage,
        decision.guard_factor,
    )
    return judged.total.finding
