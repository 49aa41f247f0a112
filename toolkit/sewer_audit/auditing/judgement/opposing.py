"""The case against: what the finding rests on, taken away piece by piece."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.invoices.pricing import Pricing
from sewer_audit.auditing.judgement.budget import cause_table, loose_parts
from sewer_audit.auditing.judgement.verdict import runs_of_estimates, verdicts
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.case import Case
from sewer_audit.uncertainty import TOO_HIGH, UNDECIDED, Draws

END = 1.96
"""Standard uncertainties to the pessimistic end of an input: its 95 % limit [-]."""
UNSOURCED = "every figure from memory, common practice or judgement at its pessimistic end at once"
"""What nobody can look up, granted as a whole: the rest of the claim does not rest on it [text]."""
LEAST = 0.02
"""Share of the combined standard uncertainty below which an input has no row of its own [-]."""
COLUMNS = [
    "kind",
    "what",
    "total_m3",
    "low_m3",
    "high_m3",
    "too_high",
    "total_finding",
    "amount",
    "overturned_at",
]


def opposing_table(
    case: Case, evidence: Evidence, pricing: Pricing | None, invoices: pd.DataFrame, draws: Draws
) -> pd.DataFrame:
    """What remains of the findings if an opposing expert is granted one point after the other.

    Units: evidence [m3]; pricing [money]; invoices [m3].
    """
    audited, runs = evidence.audited, runs_of_estimates(invoices)
    billed = invoices["billed_m3"].to_numpy(dtype=float)
    if audited is None or not np.isfinite(audited).all():
        return pd.DataFrame(columns=COLUMNS)
    if any(billed[places].sum() < 0 for places in runs):
        return pd.DataFrame(columns=COLUMNS)
    schedule = None if pricing is None else pricing.schedule
    rule, asked = case.data.rule, _asked(case, evidence, pricing, billed)

    def row(kind: str, what: str, volumes: np.ndarray, own: float = np.nan) -> dict[str, Any]:
        judged = verdicts(case, evidence, invoices, schedule, volumes)
        found = [] if judged is None else [judged.invoices[places[0]] for places in runs]
        total = volumes.sum(axis=1)
        low, high = np.quantile(total, [0.025, 0.975])
        return {
            "kind": kind,
            "what": what,
            "total_m3": float(total.mean()),
            "low_m3": float(low),
            "high_m3": float(high),
            "too_high": sum(getattr(each, "finding", "") == TOO_HIGH for each in found),
            "total_finding": getattr(getattr(judged, "total", None), "finding", UNDECIDED),
            "amount": asked - _price(pricing, volumes),
            "overturned_at": own,
        }

    limit = (1 - rule.tolerance) * billed.sum()
    spare = limit - float(np.quantile(audited.sum(axis=1), (1 + rule.coverage) / 2))
    rows = [row("stated", "as it stands", audited)]
    for what, volumes in _legs(evidence):
        rows.append(row("alone", what, volumes))
    shifts = list(_inputs(evidence, draws))
    together, loose = np.zeros(len(billed)), np.zeros(len(billed))
    known = loose_parts(cause_table(evidence), evidence)
    whole = float(audited.sum(axis=1).std())
    for what, spread in sorted(shifts, key=lambda each: -each[1].sum()):
        together += END * spread
        loose += END * spread * np.sqrt(known.get(what.partition(": ")[2], 0.0))
        if spread.sum() < LEAST * whole:
            continue
        reach = spare / spread.sum() if spare > 0 else np.nan
        rows.append(row("pessimistic", what, audited + END * spread, reach))
    for what, volume in _corrections(evidence):
        rows.append(row("left out", what, audited + volume))
    rows.append(row("jointly", UNSOURCED, audited + loose))
    rows.append(row("jointly", "every input at its pessimistic end at once", audited + together))
    return pd.DataFrame(rows, columns=COLUMNS)


def _price(pricing: Pricing | None, volumes: np.ndarray) -> float:
    """What volumes come to in the mean [money]."""
    if pricing is None:
        return np.nan
    return float(pricing.amounts(np.maximum(volumes, 0.0)).sum(axis=1).mean())


def _asked(case: Case, evidence: Evidence, pricing: Pricing | None, billed: np.ndarray) -> float:
    """What the schedule asks for by its own basis: errors of single bills are not in it [money]."""
    basis = evidence.basis
    if case.data.case.basis == "intake" and basis is not None and np.isfinite(basis).all():
        return _price(pricing, basis)
    return _price(pricing, billed[None, :])


def _legs(evidence: Evidence) -> Iterator[tuple[str, np.ndarray]]:
    if evidence.effluent is None or evidence.balance is None:
        return
    for what, volumes in (
        ("the effluent record", evidence.effluent.volumes),
        ("the balance of the metered intake", evidence.balance.draws),
    ):
        if np.isfinite(volumes).all():
            yield what, volumes


def _weights(evidence: Evidence) -> tuple[np.ndarray, np.ndarray]:
    """How much of the audited volume each leg carries, invoice by invoice [-]."""
    count = len(evidence.periods.names)
    joined = evidence.reconciliation
    if joined is not None and joined.weight_of_effluent is not None:
        share = np.nan_to_num(np.asarray(joined.weight_of_effluent, dtype=float))
        return share, 1 - share
    only = np.ones(count) if evidence.effluent is not None else np.zeros(count)
    return only, 1 - only


def _inputs(evidence: Evidence, draws: Draws) -> Iterator[tuple[str, np.ndarray]]:
    """What one standard uncertainty of each input adds to the audited volumes [m3]."""
    record, balance = _weights(evidence)
    if evidence.effluent is not None and record.any():
        model = evidence.effluent.model
        for name in model.names:
            yield f"record: {name}", record * model.draw(draws, name).std(axis=0)
    if evidence.balance is not None and evidence.balance_of is not None and balance.any():
        for name in evidence.balance.causes:
            yield f"balance: {name}", balance * evidence.balance_of(name).std(axis=0)


def _corrections(evidence: Evidence) -> Iterator[tuple[str, np.ndarray]]:
    """What the audited volumes would gain without a correction that lowers them [m3]."""
    record, balance = _weights(evidence)
    if evidence.balance is not None:
        for name, drawn in evidence.balance.components.items():
            if evidence.balance.roles.get(name) == "use":
                yield f"{name} not taken off", balance * drawn.mean(axis=0)
    if evidence.effluent is not None and record.any():
        bias = np.asarray(evidence.effluent.noise_bias, dtype=float)
        if np.abs(bias).sum() > 0:
            yield "the bias of noisy readings not taken off", record * np.abs(bias)
