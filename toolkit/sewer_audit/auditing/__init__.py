"""The main job: a case in, an audit out. It chains the steps and holds no arithmetic of its own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import pandas as pd

from sewer_audit.auditing.inspecting import inspect_file
from sewer_audit.auditing.invoices.alike import alike_flags
from sewer_audit.auditing.invoices.claim import claim_of
from sewer_audit.auditing.invoices.pricing import price_invoices, with_charged
from sewer_audit.auditing.invoices.signatures import carried_flags, signature_table, signatures_of
from sewer_audit.auditing.judgement.advice import answered_questions, next_proofs
from sewer_audit.auditing.judgement.budget import budget_table, cause_table
from sewer_audit.auditing.judgement.reasons import (
    averaged_evidence,
    errors_together,
    explanation_table,
    reasons_of,
    resting_flags,
)
from sewer_audit.auditing.judgement.suffices import draws_needed, unstable_flags
from sewer_audit.auditing.judgement.verdict import (
    basis_answer,
    invoice_table,
    verdicts,
    warnings_for,
)
from sewer_audit.auditing.reading.inputs import Inputs, read_inputs
from sewer_audit.auditing.reading.known import stated_by
from sewer_audit.auditing.result import Audit
from sewer_audit.auditing.volumes.evidence import asked_of, gather
from sewer_audit.case import Case
from sewer_audit.errors import AuditError
from sewer_audit.spoken import speaking
from sewer_audit.uncertainty import DecisionRule, Draws, Stability

__all__ = [
    "Audit",
    "audit",
    "inspect_file",
]

TRIAL = 4_000
"""Draws that settle the estimates before the number of draws itself is looked for [-]."""


def audit(
    case: Case,
    draws: int | Literal["adaptive"] = 20_000,
    seed: int = 1,
    progress: Callable[[str, float], None] | None = None,
    record: Any = None,
    until: pd.Timestamp | None = None,
) -> Audit:
    """Audit a case.

    Parameters
    ----------
    case : Case
        As `load_case` returns it [-].
    draws : int or "adaptive"
        Number of Monte Carlo draws; "adaptive" adds draws until the figures to be printed stand
        still, to the digits of ``stable_digits`` under [rule], one if the case says none. A case
        that states them takes at least so many draws as it needs for them [-].
    seed : int
        Seed; the same seed gives the same figures [-].
    progress : callable, optional
        Told the step that begins [text] and the share of the work done before it [-], last of all
        a share of 1; nothing is shown or printed here.
    record : DataFrame, optional
        An effluent record in place of the file of the case, with the columns its [effluent.columns]
        names [as the case states].
    until : Timestamp, optional
        Moment after which nothing of the inputs is used; all of them if left out [UTC].

    Returns
    -------
    Audit
        Findings per invoice and in total, with everything behind them [m3, money].

    Raises
    ------
    InputRefused
        With every problem of every input that stops the work.
    AuditError
        If the draws are neither a number nor "adaptive".
    """
    if record is not None:
        case = case.with_record(record)
    with speaking(case.spoken):
        result = _audit(case, draws, seed, progress or _untold, until)
    if progress is not None:
        progress("done", 1.0)
    return result


def _untold(step: str, share: float) -> None:
    """Where nobody asked to be told."""


def _audit(
    case: Case,
    draws: int | str,
    seed: int,
    tell: Callable[[str, float], None],
    until: pd.Timestamp | None,
) -> Audit:
    tell("reading and screening the files", 0.0)
    case = case if until is None else stated_by(case, until)
    inputs = read_inputs(case, until)
    tell("estimating the volumes", 0.3)
    draws, stability = _enough(case, inputs, draws, seed)
    columns = Draws(draws, seed)
    evidence = gather(case, inputs, columns)
    tell("recomputing the invoices", 0.6)
    pricing = price_invoices(case, inputs, evidence)
    evidence = asked_of(evidence, () if pricing is None else pricing.flags)
    inputs = with_charged(inputs, pricing)
    tell("trying the explanations", 0.7)
    named = signatures_of(case, inputs, pricing)
    signatures = signature_table(named)
    ledger, claim = claim_of(case, inputs, pricing, named)
    reasons = reasons_of(case, inputs, evidence, pricing, signatures)
    evidence = averaged_evidence(evidence, reasons, columns)
    tell("judging the volumes", 0.9)
    judged = verdicts(case, evidence, inputs.invoices.frame, inputs.schedule)
    table, total, found = invoice_table(case, inputs, evidence, judged, pricing)
    basis = basis_answer(case, evidence, pricing)
    budget = budget_table(evidence, columns, case.data.rule.coverage)
    stated = case.data.rule
    rule = DecisionRule(stated.tolerance, stated.coverage, stated.guard_factor)
    flags = [*inputs.flags, *evidence.flags, *(judged.flags if judged is not None else ())]
    flags += () if pricing is None else pricing.flags
    flags += [*carried_flags(named), *alike_flags(case, pricing, ledger)]
    billed = inputs.invoices.frame["billed_m3"].to_numpy(dtype=float)
    flags += resting_flags(case, evidence, reasons, billed)
    flags += errors_together(judged, reasons, draws)
    flags += [*warnings_for(claim, found), *unstable_flags(stability)]
    return Audit(
        case,
        draws,
        seed,
        table,
        total,
        budget,
        cause_table(evidence),
        explanation_table(case, evidence, table, reasons, pricing),
        signatures,
        claim,
        answered_questions(case, evidence, pricing, basis, found),
        tuple({(flag.code, flag.message): flag for flag in flags}.values()),
        evidence,
        pricing,
        inputs,
        rule,
        basis,
        next_proofs(case, evidence, table, budget, ledger),
        stability,
        ledger,
        found,
    )


def _enough(
    case: Case, inputs: Inputs, draws: int | str, seed: int
) -> tuple[int, Stability | None]:
    """The number of draws to take, and how it was found if it was not given."""
    if draws != "adaptive" and (isinstance(draws, (bool, str)) or draws < 2):
        raise AuditError(f"draws {draws!r}; a whole number of at least 2, or 'adaptive'")
    digits = case.data.rule.stable_digits
    if draws != "adaptive" and digits is None:
        return int(draws), None
    trial = gather(case, inputs, Draws(TRIAL, seed))
    found = draws_needed(case, trial, price_invoices(case, inputs, trial), seed, digits or 1)
    return max(found.draws, 0 if draws == "adaptive" else int(draws)), found
