"""A case in, a plan out: what to install, how long, how often to visit, and is it worth it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.auditing.evidence import gather
from toolkit.auditing.inputs import Inputs, read_inputs
from toolkit.auditing.pricing import Pricing, price_invoices
from toolkit.case import Case
from toolkit.case_models_plan import PlanTable
from toolkit.errors import Flag
from toolkit.planning.catalogue import candidates
from toolkit.planning.expected import ExpectedFlow, expected_flow
from toolkit.planning.options import Option, examine
from toolkit.planning.power import decision_power, length_for, smallest_shortfall
from toolkit.planning.precision import (
    MONTH,
    Precision,
    Schedule,
    expected_precision,
    plan_causes,
)
from toolkit.planning.site import PipeSite
from toolkit.planning.visits import longest_between_visits, visit_table
from toolkit.planning.worth import Belief, Stake, Worth, monitoring_cost, worth_of_evidence
from toolkit.uncertainty import DecisionRule, Draws

__all__ = ["Plan", "Rated", "closer", "make_plan"]

LENGTHS = (1, 2, 3, 6, 9, 12, 18, 24, 36)
SHORTFALLS = (0.0, 0.03, 0.05, 0.08, 0.10, 0.12, 0.15, 0.20, 0.30)
POWER = 0.9
CLOSER = 3
"""Options looked at more closely: the best of the ranking [-]."""
VISITS_DEFAULT = 60 * 86_400.0


@dataclass(frozen=True)
class Rated:
    """An option that fits, with what its record is expected to say and to be worth.

    Parameters
    ----------
    option : Option
        What it is [-].
    precision : Precision
        Of a year, or of the months planned if these are more [-].
    months : int
        Length of the record planned [-].
    worth : Worth or None
        None where costs, prices or the expected shortfall are not stated [money].
    """

    option: Option
    precision: Precision
    months: int
    worth: Worth | None

    @property
    def label(self) -> str:
        """What it is called [text]."""
        return self.option.candidate.label

    @property
    def planned(self) -> float:
        """Relative standard uncertainty of the record planned [-]."""
        return self.precision.total(self.months)


@dataclass(frozen=True)
class Plan:
    """The result of planning.

    Parameters
    ----------
    case : Case
        What was planned for [-].
    draws, seed : int
        Draws behind the expected flow, and the seed of everything [-].
    rule : DecisionRule
        The rule the audit will follow [-].
    flow : ExpectedFlow
        Discharge to be expected [m3/s].
    site : PipeSite
        The pipe [-].
    schedule : Schedule
        How the measurement is run [-].
    options : tuple of Option
        Everything looked at [-].
    ranked : tuple of Rated
        Options that fit, best first; those for trend only come last [-].
    power : DataFrame
        Chance of each finding by option, length and true shortfall [-].
    lengths : DataFrame
        Months that give a chance of 90 %, by option and true shortfall [-].
    visits : DataFrame
        What drift takes of the uncertainty, for the best option with a level [-].
    visits_of : str
        Which option that is [text].
    stake : Stake or None
        What hangs on the finding [money].
    belief : Belief or None
        What is believed of the shortfall [-].
    flags : tuple of Flag
        What the reader must know [-].
    """

    case: Case
    draws: int
    seed: int
    rule: DecisionRule
    flow: ExpectedFlow
    site: PipeSite
    schedule: Schedule
    options: tuple[Option, ...]
    ranked: tuple[Rated, ...]
    power: pd.DataFrame
    lengths: pd.DataFrame
    visits: pd.DataFrame
    visits_of: str
    stake: Stake | None
    belief: Belief | None
    flags: tuple[Flag, ...]

    @property
    def table(self) -> PlanTable:
        """The [plan] table, with its defaults [-]."""
        return self.case.data.plan or PlanTable()

    @property
    def best(self) -> Rated | None:
        """First of the ranking, if anything fits [-]."""
        return self.ranked[0] if self.ranked else None

    @property
    def days_between_visits(self) -> int | None:
        """Longest time between visits that keeps drift below the stated share [d]."""
        return longest_between_visits(self.visits, self.table.drift_share)

    def findings(self) -> dict[str, Any]:
        """The result as JSON can hold it.

        Returns
        -------
        dict
            The same case, draws and seed give the same figures [SI, money].
        """
        from toolkit.planning.findings import as_findings

        return as_findings(self)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table of the plan.

        Returns
        -------
        dict of str to DataFrame
            Name of the sheet to table [SI, money].
        """
        from toolkit.planning.findings import as_tables

        return as_tables(self)


def make_plan(case: Case, draws: int = 20_000, seed: int = 1) -> Plan:
    """Plan a measurement for a case.

    Parameters
    ----------
    case : Case
        With or without [plan] and [effluent] [-].
    draws : int
        Number of Monte Carlo draws [-].
    seed : int
        Seed; the same seed gives the same figures [-].

    Returns
    -------
    Plan
        Options, chances, worth, visits [-].

    Raises
    ------
    InputRefused
        With every problem of every input that stops the work.
    """
    table = case.data.plan or PlanTable()
    inputs = read_inputs(case)
    evidence = gather(case, inputs, Draws(draws, seed))
    flow = expected_flow(case, inputs, evidence)
    site, schedule = PipeSite.of(table), _schedule(case, table)
    stake = _stake(case, table, inputs, price_invoices(case, inputs, evidence))
    belief = _belief(table)
    rule = _rule(case)
    metric = case.data.display.head in ("mm", "cm", "m")
    options = tuple(_marked(examine(each, flow, site), case) for each in candidates(site, metric))
    rated = [
        _rate(option, flow, site, schedule, table, rule, stake, belief, seed)
        for option in options
        if option.fits and not np.isnan(option.heads[0])
    ]
    ranked = tuple(sorted(rated, key=_merit(rated)))
    power, lengths = _powers(ranked, flow, site, schedule, table, rule, seed)
    leveled = [r for r in ranked if r.option.device.level_column is not None][:1]
    visits = (
        visit_table(leveled[0].option.device, flow, site, schedule, 12, plan_causes(table))
        if leveled
        else pd.DataFrame()
    )
    return Plan(
        case,
        draws,
        seed,
        rule,
        flow,
        site,
        schedule,
        options,
        ranked,
        power,
        lengths,
        visits,
        leveled[0].label if leveled else "",
        stake,
        belief,
        _flags(case, table, flow, ranked, stake, belief),
    )


def _rule(case: Case) -> DecisionRule:
    stated = case.data.rule
    return DecisionRule(stated.tolerance, stated.coverage, stated.guard_factor)


def _schedule(case: Case, table: PlanTable) -> Schedule:
    every = table.visit_every or VISITS_DEFAULT
    return Schedule(table.interval, every, table.hand_standard, table.reference_distance)


def _marked(option: Option, case: Case) -> Option:
    """Says so where the option is what stands there now."""
    if case.device is None or option.device != case.device:
        return option
    named = replace(option.candidate, label=f"{option.candidate.label} (installed now)")
    return replace(option, candidate=named)


def _rate(
    option: Option,
    flow: ExpectedFlow,
    site: PipeSite,
    schedule: Schedule,
    table: PlanTable,
    rule: DecisionRule,
    stake: Stake | None,
    belief: Belief | None,
    seed: int,
) -> Rated:
    months = max(12, table.months)
    precision = expected_precision(
        option.device, flow, site, schedule, months, plan_causes(table), seed
    )
    costs = [cost for cost in table.cost if cost.family == option.candidate.family]
    worth = None
    if costs and stake is not None and belief is not None and not option.trend:
        visits = int(np.ceil(table.months * MONTH / schedule.visit_every))
        cost = monitoring_cost(costs[0], table.months, visits)
        worth = worth_of_evidence(precision.total(table.months), rule, stake, belief, cost)
    return Rated(option, precision, table.months, worth)


def _merit(rated: list[Rated]) -> Any:
    """By net value where every option that carries a claim has one, else by uncertainty."""
    valued = all(each.worth is not None for each in rated if not each.option.trend)

    def key(each: Rated) -> tuple[bool, float]:
        worth = each.worth
        return each.option.trend, -worth.net if valued and worth is not None else each.planned

    return key


def _powers(
    ranked: tuple[Rated, ...],
    flow: ExpectedFlow,
    site: PipeSite,
    schedule: Schedule,
    table: PlanTable,
    rule: DecisionRule,
    seed: int,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Chances and lengths of the options looked at more closely."""
    chances, lengths = [], []
    longest = max(24, table.months)
    for each in closer(ranked):
        precision = expected_precision(
            each.option.device, flow, site, schedule, longest, plan_causes(table), seed
        )
        wanted = sorted({*(n for n in LENGTHS if n <= longest), table.months})
        found = decision_power(precision, SHORTFALLS, rule, wanted, seed)
        found.insert(0, "option", each.label)
        chances.append(found)
        for shortfall in SHORTFALLS[1:]:
            row = {
                "option": each.label,
                "shortfall": shortfall,
                "months_needed": length_for(precision, shortfall, rule, POWER),
                "smallest_shortfall": smallest_shortfall(precision.total(longest), rule, POWER),
            }
            lengths.append(row)
    empty = pd.DataFrame()
    return (
        pd.concat(chances, ignore_index=True) if chances else empty,
        pd.DataFrame(lengths) if lengths else empty,
    )


def closer(ranked: tuple[Rated, ...]) -> list[Rated]:
    """The best options that carry a claim, one of each kind.

    Parameters
    ----------
    ranked : tuple of Rated
        Best first [-].

    Returns
    -------
    list of Rated
        At most three [-].
    """
    kinds: dict[str, Rated] = {}
    for each in ranked:
        if not each.option.trend:
            kinds.setdefault(each.option.candidate.family, each)
    return list(kinds.values())[:CLOSER]


def _stake(case: Case, table: PlanTable, inputs: Inputs, pricing: Pricing | None) -> Stake | None:
    frame = inputs.invoices.frame
    billed = frame["billed_m3"].to_numpy(dtype=float)
    seconds = float((frame["end"] - frame["start"]).dt.total_seconds().sum())
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


def _belief(table: PlanTable) -> Belief | None:
    stated = table.shortfall
    if stated is None:
        return None
    return Belief(stated.value_in("ratio"), stated.standard_in("ratio"))


def _flags(
    case: Case,
    table: PlanTable,
    flow: ExpectedFlow,
    ranked: tuple[Rated, ...],
    stake: Stake | None,
    belief: Belief | None,
) -> tuple[Flag, ...]:
    said: Mapping[str, bool] = {
        "Minimum and peak flow are judgement, not stated or measured: the choice of a size rests "
        "on them. State them under [plan.flow], or watch the flow for a few days first.": (
            flow.assumed
        ),
        "No visits are stated; one every 60 days is assumed (judgement).": (
            table.visit_every is None
        ),
        "Nothing looked at fits the flows and limits stated.": not ranked,
        "The value of the evidence is not computed: state an expected shortfall with its "
        "uncertainty under [plan].": belief is None,
        "The value of the evidence is not computed: there is neither a rate schedule that gives a "
        "price of a volume nor a price under [plan].": stake is None,
        "The schedule bills on intake: a smaller discharge is an argument for a credit or another "
        "basis from now on, not for a refund. No refund of the past is counted.": (
            case.data.case.basis == "intake"
        ),
        "No look_back is stated under [rule]: no refund of the past is counted.": (
            case.data.case.basis == "discharge" and case.data.rule.look_back is None
        ),
        "The record proves the discharge of its own months. That the past was the same has to be "
        "shown from production, intake or earlier records.": True,
    }
    return tuple(Flag("plan", text) for text, holds in said.items() if holds)
