"""Which explanation fits the whole billed series, and what each would change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from sewer_audit import spoken
from sewer_audit.auditing.invoices.pricing import Pricing, charged_beyond
from sewer_audit.auditing.invoices.signatures import corrected_volumes
from sewer_audit.auditing.judgement.observed import observations_of
from sewer_audit.auditing.judgement.verdict import runs_of_estimates
from sewer_audit.auditing.reading.exchanges import read_meter
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.case import Case
from sewer_audit.charges import OF_LINES
from sewer_audit.errors import Flag
from sewer_audit.explanations import (
    CATALOGUE,
    STRONG,
    Explanation,
    RankedExplanation,
    Ranking,
    explain,
    is_other,
)
from sewer_audit.uncertainty import UNDECIDED, DecisionRule, Draws, Verdicts, judge

END = 1.96
"""Standard uncertainties to the ends of a 95 % interval [-]."""
SHOWN = 12
"""Rows of the table, besides which every single explanation is counted as excluded or not [-]."""
LEVELS = 2001
"""Quantiles that stand for a normal distribution where a finding is worked out [-]."""
BY_SCHEDULE = "billed by the schedule"
EXACT = "exact"
"""Word of a recognised error whose figures leave nothing over."""


@dataclass(frozen=True)
class Reasons:
    """A ranking, which invoices it was made without, and of which the estimates are known."""

    ranking: Ranking
    set_aside: tuple[str, ...]
    alone: np.ndarray

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
    pricing: Pricing | None,
    signatures: pd.DataFrame,
) -> Reasons | None:
    """Rank the explanations of a case.

    Units: evidence [m3].

    Notes
    -----
    An invoice whose volume error is named to its figures says nothing more about meters or record,
    and is never explained a second time: it is left out of what the bills are compared with. It is
    left out rather than put right, for a corrected bill would count as evidence that bills are
    right.
    """
    if evidence.effluent is None and evidence.balance is None:
        return None
    frame = inputs.invoices.frame
    table = pd.DataFrame({"billed_m3": frame["billed_m3"].to_numpy(dtype=float)})
    names = frame["invoice"].astype(str).to_numpy()
    seen = observations_of(case, inputs, evidence, table)
    estimates = (seen.effluent_mean, seen.balance_mean)
    if not any(each is not None and np.isfinite(each).any() for each in estimates):
        return (
            None  # where nothing carries a verdict nothing is tested, least of all "nothing wrong"
        )
    unit = case.data.invoices.volume_unit
    corrected = corrected_volumes(signatures, pricing, seen.billed_m3, unit)
    named = np.abs(corrected - seen.billed_m3) > seen.billed_step_m3 / 2
    named |= np.isin(names, [each for row in _recognised(signatures) for each in row])
    alone = (frame["shares_with"] == "").to_numpy()
    if not alone.any():
        return None
    runs = np.zeros(len(names), dtype=bool)
    for places in runs_of_estimates(frame):
        runs[places] = len(places) > 1  # only their sum was metered
    seen = seen.where(alone)
    billed = np.where((named | runs)[alone], np.nan, seen.billed_m3)
    aside = tuple(map(str, names[~alone | runs | named]))
    catalogue = None if named.any() else _open_to(case, pricing)
    ranking = explain(replace(seen, billed_m3=billed), catalogue, memory=case.memory)
    return Reasons(ranking, aside, alone)


def _recognised(signatures: pd.DataFrame) -> list[list[str]]:
    """Invoices of every volume error that is exact."""
    return [
        row.invoices
        for row in signatures.itertuples()
        if row.exactness == EXACT and row.code not in OF_LINES
    ]


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


def averaged_evidence(evidence: Evidence, reasons: Reasons | None, draws: Draws) -> Evidence:
    """The evidence with its joined estimate averaged over what may be wrong.

    Units: evidence [m3]; returns [m3].

    Notes
    -----
    Every draw is moved by what one explanation, chosen by its probability, changes in the
    discharge, and by what that explanation leaves more uncertain. Intervals, probabilities and
    findings made from these draws are then averages over the explanations.

    References
    ----------
    J. Hoeting et al., Statist. Sci. 14 (1999) 382 (Bayesian model averaging; from memory).
    """
    joined = evidence.as_they_stand
    if reasons is None or joined is None or not reasons.ranking.outlooks:
        return evidence
    if evidence.effluent is None or evidence.balance is None or not np.isfinite(joined).all():
        return evidence
    outlooks = reasons.ranking.outlooks
    plain = next(each for each in outlooks if not each.names)
    middle = plain.shares @ plain.volumes
    chosen = ndtr(draws.standard("which explanation acts"))
    noise = draws.standard("what an explanation leaves open", len(middle))
    bounds = np.cumsum([each.weight for each in outlooks])
    bounds = np.concatenate([[0.0], bounds / bounds[-1]])
    moved = np.zeros((draws.count, len(middle)))
    for each, low, high in zip(outlooks, bounds[:-1], bounds[1:], strict=True):
        rows = np.flatnonzero((chosen >= low) & (chosen < high))
        if not each.names or not len(rows):
            continue
        within = (chosen[rows] - low) / (high - low)
        point = np.searchsorted(np.cumsum(each.shares) / each.shares.sum(), within)
        point = np.minimum(point, len(each.shares) - 1)
        moved[rows] = each.volumes[point] - middle + noise[rows] @ _wider(each.cov - plain.cov)
    whole = joined.copy()
    whole[:, reasons.alone] += moved
    return replace(evidence, averaged=whole)


def resting_flags(
    case: Case, evidence: Evidence, reasons: Reasons | None, billed: np.ndarray
) -> list[Flag]:
    """On what a verdict rests: two measurements or one, and what holds only if nothing is wrong.

    Units: evidence [m3]; billed [m3].
    """
    legs = {
        name: volumes.sum(axis=1)
        for name, volumes in (
            ("effluent", None if evidence.effluent is None else evidence.effluent.volumes),
            ("balance", None if evidence.balance is None else evidence.balance.draws),
        )
        if volumes is not None and np.isfinite(volumes).all()
    }
    if evidence.audited is None:
        return _both_beyond(case, legs, float(billed.sum())) if len(legs) == 2 else []
    if evidence.averaged is None:
        if len(legs) != 1:
            return []
        leg = WORDS[next(iter(legs))]
        message = (
            f"Every finding on volumes rests on one measurement, {leg}; no other tests it. Each "
            "holds if nothing of the list of explanations acts."
        )
        return [Flag("rests-on-one-measurement", message, {"leg": next(iter(legs))})]
    standing = evidence.as_they_stand.sum(axis=1)  # type: ignore[union-attr]
    low, high = np.quantile(standing, [0.025, 0.975])
    right = sum(each.weight for each in reasons.ranking.outlooks if not each.names)  # type: ignore
    message = (
        "Audited volumes, their intervals, probabilities and findings rest on two measurements and "
        "are averaged over what may be wrong with either. Both are right with a probability of "
        f"{spoken.percent(right, 0)}; if so, {spoken.volume(low)} to {spoken.volume(high)} left "
        "the site in all (95 %)."
    )
    data = {"probability_both_right": right, "low_m3": float(low), "high_m3": float(high)}
    return [Flag("averaged-over-explanations", message, data)]


WORDS = {"effluent": "the effluent record", "balance": "the metered intake less uses"}


def _both_beyond(case: Case, legs: dict[str, np.ndarray], billed: float) -> list[Flag]:
    """Two estimates that conflict, yet each alone lies beyond the same limit."""
    tolerance = case.data.rule.tolerance
    ends = {name: np.quantile(total, [0.025, 0.975]) for name, total in legs.items()}
    below = all(high < (1 - tolerance) * billed for _, high in ends.values())
    above = all(low > (1 + tolerance) * billed for low, _ in ends.values())
    if not (below or above):
        return []
    side = "below" if below else "above"
    told = " and ".join(
        f"{WORDS[name]} {spoken.volume(low)} to {spoken.volume(high)}"
        for name, (low, high) in ends.items()
    )
    message = (
        f"The two estimates conflict, yet each alone lies {side} what was billed by more than the "
        f"tolerance: {told}, billed {spoken.volume(billed)} (95 % intervals). Which of the two is "
        "right is open, and so is the amount; no finding is drawn."
    )
    return [Flag("both-beyond-the-limit", message, {"side": side})]


def _wider(cov: np.ndarray) -> np.ndarray:
    """Square root of the part of a covariance that is above nothing [m3]."""
    values, vectors = np.linalg.eigh((cov + cov.T) / 2)
    return (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T


def explanation_table(
    case: Case,
    evidence: Evidence,
    table: pd.DataFrame,
    found: Reasons | None,
    pricing: Pricing | None = None,
) -> pd.DataFrame:
    """Candidate explanations of the billed series, most probable first.

    Units: evidence [m3]; table [m3]; returns [m3].
    """
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
    rows.attrs["answers"] = [
        _answer(case, evidence, found, pricing, billed, row)
        for row in ranking.rows
        if row.name in (ranking.rows[0].name, ranking.second)
    ]
    return rows


def _answer(
    case: Case,
    evidence: Evidence,
    found: Reasons,
    pricing: Pricing | None,
    billed: float,
    row: RankedExplanation,
) -> dict[str, Any]:
    """What would hold if the next proof showed that this row acts."""
    mean, standard = row.corrected_discharge_m3, row.corrected_standard_m3
    told: dict[str, Any] = {
        "if": row.name,
        "then": "; ".join(each.if_so for each in CATALOGUE if each.name in row.components),
        "discharge_m3": mean,
        "low_m3": mean - END * standard,
        "high_m3": mean + END * standard,
        "finding": _finding(case, billed, mean, standard),
        "amount": None,
    }
    known = {name for each in found.ranking.outlooks for name in each.names}
    acting = tuple(name for name in row.components if name in known)
    outlook = next((each for each in found.ranking.outlooks if each.names == acting), None)
    if outlook is not None and pricing is not None and evidence.audited is not None:
        volumes = evidence.audited.mean(axis=0)
        volumes[found.alone] = outlook.shares @ outlook.volumes
        if np.isfinite(volumes).all():
            told["amount"] = charged_beyond(pricing, volumes)
    return told


def errors_together(judged: Verdicts | None, reasons: Reasons | None, draws: int) -> list[Flag]:
    """One figure for everything that is said: invoices, total and cause.

    A risk that none of the draws shows is taken as three of them.

    Notes
    -----
    Bonferroni: the chance that any of several statements is false is at most the sum of theirs.

    References
    ----------
    Any text on simultaneous inference (from memory).
    """
    if judged is None:
        return []
    named = None if reasons is None else reasons.ranking.named
    said = [each for each in judged.invoices if each is not None and each.finding != UNDECIDED]
    total = [judged.total] if judged.total and judged.total.finding != UNDECIDED else []
    risk = sum(max(each.risk, 3 / draws) for each in (*said, *total))
    if named is not None and reasons is not None:
        parts = set(named.split(", and "))
        rows = reasons.ranking.rows
        risk += 1 - sum(row.posterior for row in rows if parts <= {*row.components, row.name})
    allowed = 2 * (1 - judged.rule.coverage) + 1 / (1 + STRONG)
    message = (
        "Invoices, their total and the cause together: by the rules of this audit the chance that "
        f"any of what is said of them is false is at most {spoken.percent(allowed, 0)}. Said here: "
        f"{len(said)} of the invoices, {'the total' if total else 'nothing of the total'}, "
        f"{'a cause' if named else 'no cause'}; by the probabilities of this audit the chance that "
        f"any of it is false is at most {spoken.percent(min(max(risk, 0.0), 1.0), 1)}."
    )
    data = {"allowed": allowed, "here": float(risk), "invoices": len(said), "named": named}
    return [Flag("errors-together", message, data)]


def _about(found: Reasons) -> dict[str, Any]:
    """What the ranking says as a whole, as JSON can hold it."""
    ranking = found.ranking
    return {
        "named": ranking.named,
        "factor": float(ranking.factor),
        "strength": ranking.strength,
        "separates": ranking.separates,
        "tied": list(ranking.tied),
        "sensitivity": [asdict(each) for each in ranking.sensitivity],
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
