"""A case in, a plan out: what to install, how long, how often to visit, and is it worth it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.invoices.pricing import price_invoices
from sewer_audit.auditing.reading.inputs import read_inputs
from sewer_audit.auditing.volumes.evidence import gather
from sewer_audit.case import Case
from sewer_audit.case.models_plan import PlanTable, Range
from sewer_audit.errors import Flag
from sewer_audit.planning.catalogue import candidates
from sewer_audit.planning.expected import ExpectedFlow, expected_flow
from sewer_audit.planning.options import Option, examine
from sewer_audit.planning.power import decision_power, length_for, smallest_shortfall
from sewer_audit.planning.precision import (
    MONTH,
    Precision,
    Schedule,
    expected_precision,
    plan_causes,
)
from sewer_audit.planning.site import PipeSite
from sewer_audit.planning.stakes import belief_of, flags_of, stake_of
from sewer_audit.planning.visits import longest_between_visits, visit_table
from sewer_audit.planning.worth import Belief, Stake, Worth, monitoring_cost, worth_of_evidence
from sewer_audit.spoken import speaking
from sewer_audit.uncertainty import DecisionRule, Draws
from sewer_audit.wording import Words

LENGTHS = (1, 2, 3, 6, 9, 12, 18, 24, 36)
SHORTFALLS = (0.0, 0.03, 0.05, 0.08, 0.10, 0.12, 0.15, 0.20, 0.30)
POWER = 0.9
CLOSER = 3
"""Options looked at more closely: the best of the ranking [-]."""
DAY = 86_400.0
VISITS_DEFAULT = 60 * DAY


@dataclass(frozen=True)
class Rated:
    """An option that fits, with what its record is expected to say and to be worth.

    visits, of_visits: Visits in the months planned, and what they cost [-, money].
    """

    option: Option
    precision: Precision
    months: int
    worth: Worth | None
    visits: int = 0
    of_visits: Range | None = None

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
    """The result of planning; lengths are months that give a chance of 90 %."""

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
        """First of the ranking in which no solids settle, if there is one [-]."""
        return next((each for each in self.ranked if not each.option.settles), None)

    @property
    def days_between_visits(self) -> int | None:
        """Longest time between visits that keeps drift below the stated share [d]."""
        return longest_between_visits(self.visits, self.table.drift_share)

    def findings(self) -> dict[str, Any]:
        """The result as JSON can hold it."""
        from sewer_audit.planning.findings import as_findings

        return as_findings(self)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table of the plan."""
        from sewer_audit.planning.findings import as_tables

        return as_tables(self)


def make_plan(
    case: Case,
    draws: int = 20_000,
    seed: int = 1,
    progress: Callable[[str, float], None] | None = None,
) -> Plan:
    """Plan a measurement for a case.

    Parameters
    ----------
    case : Case
        With or without [plan] and [effluent] [-].
    draws : int
        Number of Monte Carlo draws [-].
    progress : callable, optional
        Told the step that begins [text] and the share of the work done before it [-], last of all
        a share of 1; nothing is shown or printed here.

    Raises
    ------
    InputRefused
        With every problem of every input that stops the work.
    """
    with speaking(case.spoken):
        plan = _plan(case, draws, seed, progress or _untold)
    if progress is not None:
        progress("done", 1.0)
    return plan


def _untold(step: str, share: float) -> None:
    """Where nobody asked to be told."""


def _plan(case: Case, draws: int, seed: int, tell: Callable[[str, float], None]) -> Plan:
    table = case.data.plan or PlanTable()
    tell("reading and screening the files", 0.0)
    inputs = read_inputs(case)
    tell("finding the flow to be expected", 0.1)
    evidence = gather(case, inputs, Draws(draws, seed))
    flow = expected_flow(case, inputs, evidence)
    site, schedule, rule = PipeSite.of(table, case.device), _schedule(table), _rule(case)
    stake = stake_of(case, table, inputs, price_invoices(case, inputs, evidence))
    belief = belief_of(table)
    desk = _Desk(flow, site, schedule, table, rule, stake, belief, seed)
    metric = case.data.display.head in ("mm", "cm", "m")
    tell("looking at every flow element", 0.2)
    words, looked = Words.of(case), candidates(site, metric)
    options = tuple(_marked(examine(c, flow, site, words), case) for c in looked)
    ranked = desk.ranked(options)
    tell("working out how often to visit", 0.5)
    visits, visits_of = desk.visits(ranked)
    schedule = _advised(schedule, longest_between_visits(visits, table.drift_share))
    if schedule != desk.schedule:  # what is advised is what is priced and rated
        desk = replace(desk, schedule=schedule)
        ranked = desk.ranked(options)
    tell("working out the chance of a finding", 0.7)
    power, lengths = desk.powers(ranked)
    flags = flags_of(case, table, flow, bool(ranked), stake, belief)
    made = (rule, flow, site, schedule, options, ranked, power, lengths, visits, visits_of)
    return Plan(case, draws, seed, *made, stake, belief, flags)


def _rule(case: Case) -> DecisionRule:
    stated = case.data.rule
    return DecisionRule(stated.tolerance, stated.coverage, stated.guard_factor)


def _schedule(table: PlanTable) -> Schedule:
    every = table.visit_every or VISITS_DEFAULT
    return Schedule(table.interval, every, table.hand_standard, table.reference_distance)


def _advised(schedule: Schedule, longest: int | None) -> Schedule:
    """The schedule with visits no farther apart than drift allows, as planned if nothing does."""
    if longest is None or longest * DAY >= schedule.visit_every:
        return schedule
    return replace(schedule, visit_every=longest * DAY)


def _marked(option: Option, case: Case) -> Option:
    """Says so where the option is what stands there now."""
    if case.device is None or option.device != case.device:
        return option
    named = replace(option.candidate, label=f"{option.candidate.label} (installed now)")
    return replace(option, candidate=named)


@dataclass(frozen=True)
class _Desk:
    """What every option is rated with."""

    flow: ExpectedFlow
    site: PipeSite
    schedule: Schedule
    table: PlanTable
    rule: DecisionRule
    stake: Stake | None
    belief: Belief | None
    seed: int

    def precision(self, option: Option, months: int) -> Precision:
        """Expected uncertainty of a record of some months."""
        causes = plan_causes(self.table)
        return expected_precision(
            option.device, self.flow, self.site, self.schedule, months, causes, self.seed
        )

    def ranked(self, options: tuple[Option, ...]) -> tuple[Rated, ...]:
        """Options that fit: fittest first, then by worth per cost, or uncertainty if not valued."""
        rated = [self.rate(each) for each in options if each.fits and not np.isnan(each.heads[0])]
        valued = all(each.worth is not None for each in rated if not each.option.trend)

        def merit(each: Rated) -> tuple[Any, ...]:
            worth = each.worth if valued else None
            last = each.planned if worth is None else -worth.per_cost
            return each.option.trend, each.option.settles, each.option.fitness, last

        return tuple(sorted(rated, key=merit))

    def rate(self, option: Option) -> Rated:
        """Uncertainty and worth of one option."""
        precision = self.precision(option, max(12, self.table.months))
        costs = [cost for cost in self.table.cost if cost.family == option.candidate.family]
        worth, months, of_visits = None, self.table.months, None
        visits = int(np.ceil(months * MONTH / self.schedule.visit_every))
        if costs and not option.trend:
            each = costs[0].per_visit
            of_visits = Range(low=visits * each.low, high=visits * each.high)
        if of_visits is not None and self.stake is not None and self.belief is not None:
            cost = monitoring_cost(costs[0], months, visits)
            total = precision.total(months)
            worth = worth_of_evidence(total, self.rule, self.stake, self.belief, cost)
        return Rated(option, precision, months, worth, visits, of_visits)

    def powers(self, ranked: tuple[Rated, ...]) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Chances and lengths of the options looked at more closely."""
        chances, lengths = [], []
        longest = max(24, self.table.months)
        wanted = sorted({*(n for n in LENGTHS if n <= longest), self.table.months})
        for each in closer(ranked):
            precision = self.precision(each.option, longest)
            found = decision_power(precision, SHORTFALLS, self.rule, wanted, self.seed)
            found.insert(0, "option", each.label)
            chances.append(found)
            smallest = smallest_shortfall(precision.total(longest), self.rule, POWER)
            for shortfall in SHORTFALLS[1:]:
                months = length_for(precision, shortfall, self.rule, POWER)
                lengths.append((each.label, shortfall, months, smallest))
        names = ["option", "shortfall", "months_needed", "smallest_shortfall"]
        empty = pd.DataFrame()
        return (
            pd.concat(chances, ignore_index=True) if chances else empty,
            pd.DataFrame(lengths, columns=names) if lengths else empty,
        )

    def visits(self, ranked: tuple[Rated, ...]) -> tuple[pd.DataFrame, str]:
        """Drift by the time between visits, for the best option with a level."""
        clear = [each for each in ranked if not each.option.settles]
        leveled = [e for e in clear or ranked if e.option.device.level_column is not None]
        if not leveled:
            return pd.DataFrame(), ""
        device, causes = leveled[0].option.device, plan_causes(self.table)
        table = visit_table(device, self.flow, self.site, self.schedule, 12, causes)
        return table, leveled[0].label


def closer(ranked: tuple[Rated, ...]) -> list[Rated]:
    """The best options that carry a claim and stay clear of solids, one of each kind.

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
        if not (each.option.trend or each.option.settles):
            kinds.setdefault(each.option.candidate.family, each)
    return list(kinds.values())[:CLOSER]
