"""What an audit returns: frames to look at, and findings a stranger can recheck."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from functools import cached_property
from importlib import import_module
from typing import Any

import pandas as pd

from sewer_audit.auditing.invoices.pricing import Pricing
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.case import Case
from sewer_audit.charges import Ledger
from sewer_audit.errors import Flag
from sewer_audit.uncertainty import DecisionRule, Draws, Stability

QUESTIONS = {
    "rules": "Was the invoice made by the rules?",
    "volume": "Is the billed volume physically plausible?",
    "basis": "Is the basis fair?",
}


PUBLIC = (
    "basis", "budget", "case", "causes", "claim", "draws", "explanations", "findings",
    "first_order", "flags", "frames", "invoices", "judged", "next_proof", "open_points", "plot",
    "questions", "rule", "seed", "signatures", "stability", "tables", "total",
)  # fmt: skip


def _desk() -> Any:
    """What shows a result; it stands on a floor above and is found by name."""
    return import_module("sewer_audit.report.desk")


@dataclass(frozen=True, repr=False)
class Audit:
    """The result of an audit.

    Parameters
    ----------
    case : Case
        What was audited [-].
    draws, seed : int
        Number of draws and their seed [-].
    invoices : DataFrame
        One row per invoice: billed volume, estimates with intervals, probabilities, finding,
        totals [m3, money].
    total : Mapping
        The same figures for all invoices together [m3, money].
    budget : DataFrame
        Share of variance by estimate, invoice (and "total") and cause [-].
    causes : DataFrame
        Every uncertain input with its figure and source [SI].
    explanations : DataFrame
        Candidate explanations of the discrepancy, most probable first [-].
    signatures : DataFrame
        Invoice errors recognised from the figures [-].
    claim : DataFrame
        Amounts in question with windows and deadlines [money].
    questions : Mapping
        Question to answer, or to what evidence would open it [text].
    flags : tuple of Flag
        What the reader must know [-].
    evidence : Evidence
        The two estimates as draws, with everything behind them [m3].
    pricing : Pricing or None
        Every invoice recomputed [money].
    inputs : Inputs
        What was read [SI].
    rule : DecisionRule
        The decision rule [-].
    basis : Mapping
        Share of the net intake that reached the sewer, against the return factor [-].
    next_proof : tuple of str
        What to obtain next, most useful first [text].
    stability : Stability or None
        Where the number of draws was found by adding draws until the figures stood still [-].
    ledger : Ledger
        Every amount billed beyond or below what the schedule asks; `claim` holds its sums [money].
    judged : DataFrame
        One row per finding: an invoice, or a run of estimates in place of its invoices [m3].
    """

    case: Case
    draws: int
    seed: int
    invoices: pd.DataFrame
    total: Mapping[str, Any]
    budget: pd.DataFrame
    causes: pd.DataFrame
    explanations: pd.DataFrame
    signatures: pd.DataFrame
    claim: pd.DataFrame
    questions: Mapping[str, Mapping[str, Any]]
    flags: tuple[Flag, ...]
    evidence: Evidence
    pricing: Pricing | None
    inputs: Inputs
    rule: DecisionRule
    basis: Mapping[str, Any]
    next_proof: tuple[str, ...] = field(default=())
    stability: Stability | None = None
    ledger: Ledger = field(default_factory=Ledger)
    judged: pd.DataFrame = field(default_factory=pd.DataFrame)

    def __repr__(self) -> str:
        return _desk().text_of(self)

    def _repr_html_(self) -> str:
        return _desk().html_of(self)

    def __dir__(self) -> list[str]:
        """What a person asks a result for; the parts behind it stay reachable by their names."""
        return [*PUBLIC]

    @property
    def plot(self) -> Any:
        """The pictures of the pages, each drawn when called, such as ``.plot.invoices()`` [-]."""
        return _desk().Plots(self)

    @property
    def frames(self) -> Any:
        """Every table in the units of [display]; ``.to_excel(path)``, ``.to_csv(folder)`` [-]."""
        return _desk().frames_of(self)

    def findings(self) -> dict[str, Any]:
        """The result as JSON can hold it. Units: returns [SI]."""
        return deepcopy(self._findings)

    @cached_property
    def _findings(self) -> dict[str, Any]:
        """Made once: it hashes every input and evaluates the first-order formula."""
        from sewer_audit.auditing.findings import as_findings

        return as_findings(self)

    @cached_property
    def opposing(self) -> pd.DataFrame:
        """What remains of the findings if an opposing expert is granted one point after the other
        [m3, money]."""
        from sewer_audit.auditing.judgement.opposing import opposing_table

        frame, drawn = self.inputs.invoices.frame, Draws(self.draws, self.seed)
        return opposing_table(self.case, self.evidence, self.pricing, frame, drawn)

    @cached_property
    def open_points(self) -> pd.DataFrame:
        """Every question the case leaves open, and what its answer is worth [%, money]."""
        from sewer_audit.auditing.open_points import open_points

        return open_points(self)

    @cached_property
    def first_order(self) -> pd.DataFrame:
        """Every volume, balance and charge by the first-order formula beside the draws, with the
        verdict whether the formula suffices (JCGM 101:2008, clause 8) [m3, money]."""
        from sewer_audit.auditing.judgement.suffices import first_order_of

        return first_order_of(self.case, self.evidence, self.pricing)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table of the result, units in the column names. Units: returns [SI, money]."""
        from sewer_audit.auditing.findings import as_tables

        return as_tables(self)
