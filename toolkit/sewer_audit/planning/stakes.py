"""What a case says about the worth of evidence: stakes, beliefs, and what it leaves open."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from sewer_audit.auditing.invoices.pricing import Pricing
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.case import Case
from sewer_audit.case.models_plan import PlanTable
from sewer_audit.errors import Flag
from sewer_audit.planning.expected import ExpectedFlow
from sewer_audit.planning.precision import MONTH
from sewer_audit.planning.worth import Belief, Stake
from sewer_audit.wording import Words


def stake_of(case: Case, table: PlanTable, inputs: Inputs, pricing: Pricing | None) -> Stake | None:
    """What hangs on the finding, from the invoices, the schedule and the rule."""
    frame = inputs.invoices.frame
    alone = frame["shares_with"] == ""  # a day billed twice would tell of no usual month
    billed = np.where(alone, frame["billed_m3"].to_numpy(dtype=float), 0.0)
    seconds = float((frame["end"] - frame["start"])[alone].dt.total_seconds().sum())
    price = table.price.per_m3 if table.price is not None else _marginal(pricing, billed)
    if price is None or not billed.sum() > 0:
        return None
    look_back = case.data.rule.look_back or 0
    past = float(look_back) if case.data.case.basis == "discharge" else 0.0
    return Stake(
        float(billed.sum() / seconds * MONTH),
        price,
        past,
        float(table.future_months),
        table.chance_of_refund,
        table.chance_of_credit,
        table.chance_of_higher_bill,
    )


def _marginal(pricing: Pricing | None, billed: np.ndarray) -> float | None:
    """What a tenth less volume would have taken off all invoices together [money/m3]."""
    if pricing is None or not np.all(np.isfinite(billed)):
        return None
    both = pricing.amounts(np.stack([billed, 0.9 * billed])).sum(axis=1)
    price = float((both[0] - both[1]) / (0.1 * billed.sum()))
    return price if price > 0 else None


def belief_of(table: PlanTable) -> Belief | None:
    """What the case believes of the shortfall."""
    stated = table.shortfall
    if stated is None:
        return None
    return Belief(stated.value_in("ratio"), stated.standard_in("ratio"))


def flags_of(
    case: Case,
    table: PlanTable,
    flow: ExpectedFlow,
    fits: bool,
    stake: Stake | None,
    belief: Belief | None,
) -> tuple[Flag, ...]:
    """What the reader of a plan must know."""
    words, on_intake = Words.of(case), case.data.case.basis == "intake"
    said: Mapping[str, bool] = {
        "assumed": flow.assumed,
        "visit_every": table.visit_every is None,
        "nothing_fits": not fits,
        "no_belief": belief is None,
        "no_price": stake is None,
        "on_intake": on_intake,
        "no_look_back": not on_intake and case.data.rule.look_back is None,
        "own_months": True,
    }
    return tuple(Flag("plan", words(f"plans.flag.{name}")) for name, holds in said.items() if holds)
