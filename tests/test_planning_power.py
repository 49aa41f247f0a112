"""Chance of a finding and worth of evidence: brute simulation, limits, bounds."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from sewer_audit.case.models_plan import PlanCost, Range
from sewer_audit.effluent import Periods, assemble, discharge_series, zero_path
from sewer_audit.effluent.volumes import period_volumes
from sewer_audit.errors import AuditError
from sewer_audit.hydraulics import build_device
from sewer_audit.planning import chances_of_total, net_value_curve
from sewer_audit.planning.expected import flow_between
from sewer_audit.planning.power import decision_power, length_for, smallest_shortfall
from sewer_audit.planning.precision import MONTH, START, Precision, Schedule, expected_precision
from sewer_audit.planning.site import PipeSite
from sewer_audit.planning.worth import Belief, Stake, monitoring_cost, worth_of_evidence
from sewer_audit.uncertainty import DecisionRule, Draws, Visit, judge

RULE = DecisionRule()
FREE = Range(low=0, high=0)


def precision_of(covariance: np.ndarray) -> Precision:
    months = len(covariance)
    return Precision(covariance, np.full(months, 1 / months), pd.DataFrame())


def brute_findings(months: int, shortfall: float, count: int, seed: int) -> float:
    """Share of whole simulated measurements whose total is found too high.

    Each measurement: a coefficient, a zero that walks, hand readings that err; the record goes
    through the engine of the audit, and the draws through its decision rule.
    """
    rng = np.random.default_rng(seed)
    device = build_device("parshall flume", {"throat": "6 in"})
    time = np.arange(0.0, months * MONTH + 1, 3600.0)
    flow = flow_between(0.002, 0.008, 0.03).at(time)
    stamps = START + pd.to_timedelta(np.round(time * 1e3).astype("int64"), unit="ms")
    edges = START + pd.to_timedelta(np.round(np.arange(months + 1) * MONTH * 1e3), unit="ms")
    periods = Periods(tuple(f"m{k}" for k in range(months)), edges[:-1], edges[1:], "UTC")
    truth = flow[:-1].sum() * 3600.0
    billed = np.full(months, truth / months / (1 - shortfall))
    found = 0
    for _ in range(count):
        head = np.asarray(device.head_for(flow / (1 + rng.uniform(-0.03, 0.03))))
        gauge, setting = rng.normal(0, 0.001), rng.normal(0, 0.0005)
        walk = np.cumsum(rng.normal(0, 0.001 * np.sqrt(3600 / (30 * 86_400)), len(time)))
        first = gauge + setting + rng.normal(0, 0.001)
        error = first + walk - walk[0]
        visits = []
        for moment in np.arange(0.0, months * MONTH, 60 * 86_400.0):
            place = int(moment / 3600)
            hand = gauge + rng.normal(0, 0.001)
            difference = 0.0 if place == 0 else hand - error[place]
            visits.append(Visit(float(moment), difference, 0.001, place == 0))
        read = head + error + rng.normal(0, 0.001, len(time))
        frame = pd.DataFrame({"time": stamps, "status": "measured", "head": read})
        series = discharge_series(frame, read, device)
        causes = assemble(device, [], echo=False)
        zero = zero_path(visits, 0.0, float(series.time[-1]), causes)
        made = period_volumes(series, device, periods, causes, zero, Draws(2000, 1), 7200.0)
        found += judge(made.volumes, billed).total.finding == "billed volume too high"
    return found / count


def against_brute(months: int, shortfall: float, count: int) -> None:
    device = build_device("parshall flume", {"throat": "6 in"})
    flow = flow_between(0.002, 0.008, 0.03)
    schedule = Schedule(interval=3600.0, visit_every=60 * 86_400.0)
    planned = expected_precision(device, flow, PipeSite(), schedule, months)
    row = decision_power(planned, [shortfall], RULE, [months]).iloc[0]
    share = brute_findings(months, shortfall, count, seed=7)
    chance = row["total_too_high"]
    slack = 3 * np.sqrt(max(chance * (1 - chance), 0.02) / count) + 0.03
    assert abs(share - chance) < slack, (share, chance)


def test_decision_power_agrees_with_whole_simulated_measurements():
    """Three standard errors of the brute count, and 0.03 for what a normal law leaves out."""
    against_brute(months=3, shortfall=0.10, count=120)


@pytest.mark.slow
@pytest.mark.parametrize(("months", "shortfall"), [(3, 0.08), (3, 0.12), (12, 0.10), (12, 0.0)])
def test_decision_power_agrees_with_many_simulated_measurements(months, shortfall):
    against_brute(months, shortfall, count=600)


@given(
    st.floats(0.003, 0.2),
    st.floats(-0.3, 0.4),
    st.sampled_from([0.0, 0.02, 0.05, 0.1]),
)
@settings(max_examples=60, deadline=None)
def test_chances_are_chances_and_the_closed_form_is_the_simulation(standard, shortfall, tolerance):
    rule = DecisionRule(tolerance=tolerance)
    found = chances_of_total(shortfall, standard, rule)
    assert (found.too_high + found.too_low + found.supported)[0] <= 1.0 + 1e-9
    covariance = np.full((2, 2), standard**2)
    row = decision_power(precision_of(covariance), [shortfall], rule, [2], count=20_000).iloc[0]
    for name in ("too_high", "too_low", "supported"):
        chance = float(getattr(found, name)[0])
        slack = 4 * np.sqrt(max(chance * (1 - chance), 1e-4) / 20_000)
        assert abs(row[f"total_{name}"] - chance) < slack, name


def test_the_closed_form_against_the_decision_rule_itself():
    """Records simulated one by one and judged by the audit's own rule."""
    rng = np.random.default_rng(3)
    standard, shortfall, count = 0.02, 0.1, 400
    high = 0
    for _ in range(count):
        estimate = (1 - shortfall) * (1 + rng.normal(0, standard))
        draws = estimate * (1 + rng.normal(0, standard, 2000))
        high += judge(draws[:, None], np.ones(1)).total.finding == "billed volume too high"
    chance = chances_of_total(shortfall, standard, RULE).too_high[0]
    assert abs(high / count - chance) < 4 * np.sqrt(chance * (1 - chance) / count)


def test_a_true_bill_is_hardly_ever_found_too_high_and_a_great_error_always():
    found = chances_of_total(np.array([0.0, 0.05, 0.5]), 0.02, RULE)
    assert found.too_high[0] < 1e-4
    # at the tolerance itself the chance is that of one end of the interval, JCGM 106 8.3.3
    assert found.too_high[1] == pytest.approx(
        norm.cdf((1 / (1 + 1.96 * 0.02) - 1) / 0.02), abs=1e-4
    )
    assert found.too_high[2] == pytest.approx(1.0)
    with pytest.raises(AuditError, match="above zero"):
        chances_of_total(0.1, 0.0, RULE)


def test_the_smallest_shortfall_is_found_with_the_stated_chance():
    for standard in (0.01, 0.03):
        least = smallest_shortfall(standard, RULE, 0.9)
        assert chances_of_total(least, standard, RULE).too_high[0] == pytest.approx(0.9, abs=1e-9)


def test_length_helps_only_against_what_averages_out():
    months = 12
    averaging = np.diag(np.full(months, 0.06**2))
    lasting = np.full((months, months), 0.06**2)
    assert length_for(precision_of(lasting), 0.15, RULE) is None
    needed = length_for(precision_of(averaging), 0.15, RULE)
    assert needed is not None and 1 < needed < months
    before = chances_of_total(0.15, 0.06 / np.sqrt(needed - 1), RULE).too_high[0]
    at = chances_of_total(0.15, 0.06 / np.sqrt(needed), RULE).too_high[0]
    assert before < 0.9 <= at


def test_many_months_do_not_multiply_the_chance_of_a_false_finding():
    covariance = np.diag(np.full(12, 0.03**2))
    found = decision_power(precision_of(covariance), [0.05, 0.0], RULE, [12], count=40_000)
    # at the tolerance itself: an interval in proportion to the estimate, 12 months, one risk
    reach = norm.ppf(0.5 + 0.5 * 0.95 ** (1 / 12)) * 0.03
    each = norm.cdf((1 / (1 + reach) - 1) / 0.03)
    at_limit = 1 - (1 - each) ** 12
    assert found["any_month_too_high"].iloc[0] == pytest.approx(at_limit, abs=0.005)
    assert found["any_month_too_high"].iloc[1] < 0.001


stakes = st.builds(
    Stake,
    st.floats(10, 1e5),
    st.floats(0.1, 20),
    st.floats(0, 60),
    st.floats(0, 60),
    st.floats(0, 1),
    st.floats(0, 1),
    st.floats(0, 1),
)


@given(stakes, st.floats(-0.2, 0.3), st.floats(0.01, 0.2), st.floats(0.003, 0.15))
@settings(max_examples=80, deadline=None)
def test_no_evidence_is_worth_more_than_perfect_information(stake, mean, spread, standard):
    worth = worth_of_evidence(standard, RULE, stake, Belief(mean, spread), FREE)
    assert worth.net <= worth.perfect * (1 + 1e-9) + 1e-9
    assert worth.risk >= 0


def test_the_worth_of_evidence_against_plain_simulation():
    stake = Stake(1000.0, 3.0, 24.0, 24.0, 0.6, 0.8, 1.0)
    belief, standard, cost = Belief(0.08, 0.06), 0.02, Range(low=5000, high=9000)
    worth = worth_of_evidence(standard, RULE, stake, belief, cost)
    rng = np.random.default_rng(11)
    true = rng.normal(0.08, 0.06, 400_000)
    estimate = (1 - true) * (1 + rng.normal(0, standard, len(true)))
    high = estimate * (1 + 1.959964 * standard) < 0.95
    low = estimate * (1 - 1.959964 * standard) > 1.05
    gain = 1000 * 3 * (0.6 * 24 + 0.8 * 24)
    value = np.where(high, true * gain, 0) - np.where(low, np.maximum(-true, 0) * 1000 * 3 * 24, 0)
    error = value.std() / np.sqrt(len(value))
    assert worth.net == pytest.approx(value.mean() - 7000, abs=5 * error)
    assert worth.perfect == pytest.approx(gain * np.maximum(true, 0).mean(), rel=0.01)
    assert worth.chance_too_high == pytest.approx(high.mean(), abs=0.005)
    assert worth.net_range == pytest.approx((worth.net - 2000, worth.net + 2000))


def test_the_break_even_is_where_the_curve_crosses_zero():
    stake = Stake(1000.0, 3.0, 24.0, 24.0)
    cost = Range(low=8000, high=12_000)
    worth = worth_of_evidence(0.02, RULE, stake, Belief(0.08, 0.06), cost)
    curve = net_value_curve(0.02, RULE, stake, cost)
    crossing = curve.loc[curve["net"] >= 0, "shortfall"].iloc[0]
    assert worth.break_even == pytest.approx(crossing, abs=0.003)
    assert (curve["net_low"] <= curve["net"]).all() and (curve["net"] <= curve["net_high"]).all()
    dear = worth_of_evidence(0.02, RULE, stake, Belief(0.08, 0.06), Range(low=1e9, high=1e9))
    assert dear.break_even is None and dear.net < 0


def test_a_better_instrument_is_worth_more_and_cost_adds_up():
    stake, belief = Stake(1000.0, 3.0, 24.0, 24.0), Belief(0.08, 0.06)
    values = [worth_of_evidence(u, RULE, stake, belief, FREE).net for u in (0.01, 0.03, 0.08)]
    assert values == sorted(values, reverse=True)
    cost = PlanCost(
        family="parshall flume",
        install={"low": 1000, "high": 2000},
        per_month={"low": 10, "high": 20},
        per_visit={"low": 100, "high": 150},
    )
    assert monitoring_cost(cost, 12, 6) == Range(low=1720, high=3140)
