"""Marks inside the record: what they measure, and what they say for a cause that predicts them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from looked_at import looked_at
from sewer_audit.auditing.judgement import marks
from sewer_audit.explanations import Observations, explain
from sewer_audit.report.evidence import balance as report_balance
from test_explanations_catalogue import ranked, series

LOW, ZERO = "low flows read wrong", "zero error of the head sensor"
RAIN, SOURCE = (
    "rain or ground water in the monitored line",
    "unmetered source or steady ground water",
)


def later(count: int = 40) -> np.ndarray:
    return (np.arange(count) >= 22).astype(float)


def test_velocity_at_low_depth_tells_low_flows_from_a_source():
    """The same surplus by volume; only in one world the velocity at low depth steps with it."""
    random = np.random.default_rng(23)
    given = series(random)
    share = np.full(40, 0.25)
    given["effluent_mean"] = given["effluent_mean"] * (1 + 0.25 * 0.5 * later())
    given |= {"method": "area velocity", "low_shares": {"of the lowest half": share}}
    course = 0.01 * random.normal(size=40)
    told = {"velocity at low depth": course + np.log(1.5) * later()}
    plain = ranked(**given, courses={"velocity at low depth": course})
    stepped = ranked(**given, courses=told)
    assert stepped["first"] == LOW and stepped[LOW] > 0.5
    assert plain[LOW] < 0.1 and plain["first"] != LOW


def test_a_week_that_lags_from_one_day_on_is_a_clock():
    given = series(np.random.default_rng(29))
    lag = np.round(np.random.default_rng(31).normal(size=40))
    usual = ranked(**given, lag_h=lag)
    shifted = ranked(**given, lag_h=lag + 36.0 * later())
    name = "clock of the record or periods shifted"
    assert usual[name] < 0.05
    assert shifted[name] > 20 * usual[name]


def test_rain_is_believed_as_far_as_the_hours_after_it_show_it():
    random = np.random.default_rng(37)
    given = series(random)
    rain = 0.02 * random.exponential(size=40)
    surplus = 0.03 * given["effluent_mean"].mean() * rain / rain.mean()
    given["effluent_mean"] = given["effluent_mean"] + surplus
    given["rain_m"] = rain
    odds = {
        share: (found := ranked(**given, marks=told))[RAIN] / found[SOURCE]
        for share, told in (
            (0.03, {"prompt rain": (0.03, 0.002)}),
            (0.0, {"prompt rain": (0.0, 0.002)}),
            (None, {}),
        )
    }
    assert odds[0.03] > 20 * odds[None]
    assert odds[0.0] < odds[None] / 20


def test_quiet_hours_of_an_hourly_register_tell_a_leak_from_the_meter():
    """Intake above the record by one volume: a leak runs at night too, a meter errs by a share."""
    given = series(np.random.default_rng(41))
    lost = 80.0
    for name in ("balance_mean", "intake_m3"):
        given[name] = given[name] + lost
    night = np.full(40, 6.0)
    leak = ranked(**given, night_m3=night, night_intake_m3=night + lost / 10)
    meter = ranked(**given, night_m3=night, night_intake_m3=1.08 * night)
    name = "leak after the meter, not to the sewer"
    assert leak[name] > 0.6
    assert meter[name] < 0.2


def test_no_mark_outweighs_everything():
    """An absurdly sure mark still says no more than its bound."""
    given = series(np.random.default_rng(43))
    rain = np.full(40, 0.01)
    with_it = explain(Observations(**given, rain_m=rain, marks={"prompt rain": (0.5, 1e-6)}))
    without = explain(Observations(**given, rain_m=rain))
    odds = [each.probability(RAIN) / each.probability("none of these (estimates)") for each in (
        with_it, without)]  # fmt: skip
    assert np.log(odds[0] / odds[1]) < 8


def stub(flow: np.ndarray, rain: np.ndarray, **more) -> tuple:
    """A record by the hour of an invented site, and the inputs it came from."""
    epoch = pd.Timestamp("2025-01-06", tz="UTC")
    time = 3600.0 * np.arange(len(flow)) + 1800
    stamps = epoch + pd.to_timedelta(time, unit="s")
    periods = SimpleNamespace(zone="UTC")
    case = SimpleNamespace(data=SimpleNamespace(effluent=SimpleNamespace(form=""), inflow=[]))
    record = SimpleNamespace(time=time, discharge=flow, epoch=epoch, **more)
    frame = pd.DataFrame({"time": stamps, "rain": rain})
    evidence = SimpleNamespace(periods=periods)
    inputs = SimpleNamespace(logger=SimpleNamespace(frame=frame), logs={})
    return SimpleNamespace(series=record, case=case, evidence=evidence), inputs


@pytest.mark.parametrize("share", [0.0, 0.06])
def test_the_prompt_share_of_rain_is_measured(share):
    random = np.random.default_rng(47)
    hours = np.arange(24 * 200)
    usual = (
        0.01
        * (1.2 + np.sin(2 * np.pi * (hours % 24) / 24))
        * np.exp(0.15 * random.normal(size=len(hours)))
    )
    rain = np.where(random.random(len(hours)) < 0.04, random.exponential(size=len(hours)), 0.0)
    follows = rain + np.concatenate([[0.0], rain[:-1]])
    flow = usual + share * usual.sum() * follows / follows.sum()
    value, standard = marks._prompt_rain(*stub(flow, rain))
    assert value == pytest.approx(share / (1 + share), abs=4 * standard + 0.1 * share)
    assert standard < 0.006


def test_the_lag_of_the_week_is_measured():
    hours = np.arange(24 * 7 * 12)
    course = 0.01 * (1.5 + np.sin(2 * np.pi * hours / 24) + (hours // 24 % 7 < 5))
    late = np.roll(course, 36)
    flow = np.where(hours < 24 * 7 * 8, course, late)
    patterns, _ = stub(flow, 0 * flow)
    edges = 604800.0 * np.arange(13)
    spans = np.column_stack([edges[:-1], edges[1:]])
    periods = SimpleNamespace(seconds=lambda epoch: spans)
    lags = marks._lags(patterns, periods)["lag_h"]
    assert np.allclose(lags[:8], lags[0], atol=1)
    assert lags[10] - lags[0] == pytest.approx(36, abs=1)


def test_the_page_says_what_each_answer_would_change():
    result = looked_at(draws=400)
    about = result.explanations.attrs
    assert len(about["answers"]) == 2
    for answer in about["answers"]:
        row = result.explanations.set_index("name").loc[answer["if"]]
        assert answer["discharge_m3"] == pytest.approx(row["corrected_discharge_m3"])
        assert answer["low_m3"] < answer["discharge_m3"] < answer["high_m3"]
        assert answer["if"] in str(report_balance.separates(result))
    more = [each for each in about["answers"] if each["amount"] is not None]
    more.sort(key=lambda each: each["discharge_m3"])
    assert [each["amount"] for each in more] == sorted((e["amount"] for e in more), reverse=True)
    table = report_balance.sensitivity(result)
    assert len(table) == 4 and table["priors"].iloc[0] == "as stated"


def test_one_figure_stands_for_all_that_is_said():
    result = looked_at(draws=400)
    flag = next(each for each in result.flags if each.code == "errors-together")
    said = [each for each in result.invoices["finding"] if not each.startswith("cannot")]
    assert flag.data["invoices"] == len(said)
    assert flag.data["allowed"] == pytest.approx(0.05 + 0.05 + 1 / 21)
    assert flag.data["here"] >= 3 / 400 * len(said)  # no draw shows it: three of them at least


def test_a_supply_meter_is_not_favoured_by_a_shift_made_of_the_record():
    """Low flows recorded high, or missed by the supply meter: the same figures, the same odds."""
    random = np.random.default_rng(41)
    given = series(random)
    share = 0.3 + 0.05 * random.normal(size=40)
    given["effluent_mean"] = given["effluent_mean"] * (1 + 0.4 * share)
    given |= {"method": "full pipe", "low_shares": {"of the lowest half": share}}
    found = ranked(**given)
    assert 0.2 < found["supply meter misses low flows"] / found[LOW] < 5


def test_weeks_in_a_row_are_evidence_and_one_alone_is_not():
    def first(weeks: int) -> str:
        given = series(np.random.default_rng(43))
        given["effluent_mean"] = given["effluent_mean"].copy()
        given["effluent_mean"][20 : 20 + weeks] *= 1.35
        return ranked(**given)["first"]

    assert first(1) == "nothing wrong"
    assert first(5) != "nothing wrong"


def test_what_is_on_no_list_may_act_for_a_while():
    """A stretch longer than any that a cause of the list is tried over."""
    given = series(np.random.default_rng(47))
    away = (np.arange(40) >= 18) & (np.arange(40) < 25)
    given["effluent_mean"] = given["effluent_mean"] * np.where(away, 1.3, 1.0)
    found = ranked(**given)
    assert found["none of these (estimates)"] > 0.5 and found["named"] is None


@pytest.mark.parametrize(
    "standard, named", [(0.03, "unmetered source or steady ground water"), (0.4, None)]
)
def test_beside_a_record_that_knows_next_to_nothing_no_cause_is_named(standard, named):
    """The same surplus of a third in five weeks, beside a record known well or hardly at all."""
    given = series(np.random.default_rng(53))
    night = np.full(40, 30.0) + 0.3 * np.random.default_rng(59).normal(size=40)
    surplus = 0.35 * given["effluent_mean"].mean() * later()
    given["effluent_mean"] = given["effluent_mean"] + surplus
    true = given["balance_mean"]
    given["effluent_cov"] = (standard * true)[:, None] * (standard * true) + np.diag(
        (0.006 * true) ** 2
    )
    found = ranked(**given, night_m3=night + surplus / 10, night_intake_m3=night)
    assert found["named"] == named
