"""The catalogue as data, shapes for every cause, marks inside the record, and the average."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from looked_at import looked_at
from sewer_audit import audit, load_case, sample_case
from sewer_audit.auditing.judgement.opposing import UNSOURCED, opposing_table
from sewer_audit.explanations import CATALOGUE, Observations, explain
from sewer_audit.explanations import catalogue as catalogue_of
from sewer_audit.explanations.catalogue import LOOK_ALIKES, NOTHING, read_catalogue
from sewer_audit.report.evidence import balance as report_balance
from sewer_audit.uncertainty import Draws

INVENTED = """
[[cause]]
name = "a goat drinks from the channel"
acts_on = "estimates"
party = "nature"
action = "record_factor"
shapes = ["constant", "ramp"]
signs = { "+" = "the goat is thirsty" }
prior = 0.04
prior_source = "invented for this test"
size = { name = "log of the factor", low = 0.05, high = 0.5 }
proof = "a fence round the channel for a week"
if_so = "the record is raised by what the goat drank"
visit = "look for hoof prints"
seen_by = "record below the intake"
"""


def series(random: np.random.Generator, count: int = 40) -> dict:
    """Ten-day volumes of an invented site whose record and balance agree to about one per cent."""
    true = 900 * (1 + 0.2 * np.sin(np.arange(count) / 5) + 0.1 * random.normal(size=count))
    cov = (0.01 * true)[:, None] * (0.01 * true) + np.diag((0.006 * true) ** 2)
    noise = 1 + 0.006 * random.normal(size=(2, count))
    return {
        "billed_m3": np.full(count, np.nan),
        "days": np.full(count, 10.0),
        "effluent_mean": true * noise[0],
        "effluent_cov": cov,
        "balance_mean": true * noise[1],
        "balance_cov": cov,
        "intake_m3": 1.1 * true,
        "year_fraction": (np.arange(count) * 10 % 365) / 365,
    }


def ranked(**changed) -> dict[str, float]:
    """Probability of every cause, alone or beside another."""
    found = explain(Observations(**changed))
    return {each.name: found.probability(each.name) for each in CATALOGUE} | {
        "named": found.named,
        "first": found.rows[0].name,
    }


def test_a_row_in_the_table_is_tried_and_stands_on_the_page(monkeypatch):
    """No code knows the row: it is read, tried, ranked, and its prior and proof are printed."""
    rows = (*CATALOGUE, *read_catalogue(INVENTED))
    monkeypatch.setattr("sewer_audit.explanations.ranking.CATALOGUE", rows)
    monkeypatch.setattr("sewer_audit.auditing.judgement.reasons.CATALOGUE", rows)
    monkeypatch.setattr("sewer_audit.report.evidence.balance.CATALOGUE", rows)
    result = audit(load_case(sample_case()), draws=400)
    name = "a goat drinks from the channel"
    told = result.explanations.set_index("name")
    every = set(told.index) | set(result.explanations.attrs["excluded"])
    assert name in every
    printed = report_balance.priors().set_index("explanation")
    assert printed.loc[name, "prior weight"] == "4 %"
    found = explain(Observations(**series(np.random.default_rng(1))), rows)
    row = next(row for row in found.rows if row.name == name)
    assert row.evidence == "a fence round the channel for a week"


def test_every_row_can_act_and_every_look_alike_names_rows():
    names = {each.name for each in CATALOGUE}
    assert len(names) == len(CATALOGUE)
    for each in CATALOGUE:
        assert callable(each.apply) and callable(each.variants)
        assert each.prior_source and each.party
        plain = each.name in catalogue_of.PLAIN
        assert plain or (each.evidence and each.visit)
    for pair in LOOK_ALIKES:
        assert pair <= names, pair


@pytest.mark.parametrize("shape", ["step", "ramp", "one period"])
def test_a_record_may_drift_as_well_as_the_supply_meter(shape):
    """What moves the record against the intake is never laid on the supply meter alone."""
    given = series(np.random.default_rng(7))
    time = np.linspace(0, 1, 40)
    course = {
        "step": (time > 0.5).astype(float),
        "ramp": time,
        "one period": ((time > 0.4) & (time < 0.5)).astype(float),
    }[shape]
    given["effluent_mean"] = given["effluent_mean"] * (1 + 0.25 * course)
    found = ranked(**given)
    assert found[NOTHING] if NOTHING in found else found["both estimates right"] < 0.2
    assert found["named"] is None
    record = found["effluent record off by a factor"] + found["zero error of the head sensor"]
    assert shape == "one period" or record > 0.05  # one stretch fits any cause
    assert found["supply meter off"] < 0.9


def test_causes_that_cannot_act_on_a_full_pipe_are_not_proposed():
    given = series(np.random.default_rng(3))
    given["effluent_mean"] = given["effluent_mean"] * np.linspace(1.0, 1.3, 40)
    open_channel = {row.name for row in explain(Observations(**given)).rows}
    full = explain(Observations(**given, method="full pipe"))
    names = {part for row in full.rows for part in row.components}
    for name in ("submergence of the device", "wrong device size or notch angle"):
        assert name in open_channel and name not in names
        assert name in full.untestable


def test_a_unit_of_the_logger_is_told_as_such():
    """From one instant on the record holds gallons a minute under a heading of litres a second."""
    given = series(np.random.default_rng(5))
    factor = 15.8503231  # gal/min in one L/s, exact: 60 / 3.785411784
    later = np.arange(40) >= 23
    given["effluent_mean"] = given["effluent_mean"] * np.where(later, factor, 1.0)
    table = {
        "gpm written, L/s read": np.array(
            [np.full(40, 1 / factor), np.where(later, 1 / factor, 1.0)]
        )
    }
    found = explain(Observations(**given, method="full pipe", unit_volumes=table, changes=(230.0,)))
    assert found.named == "unit of the record mistaken"
    assert "gpm written, L/s read" in found.rows[0].detail


def test_a_register_that_stood_still_is_a_cause_of_its_own():
    given = series(np.random.default_rng(9))
    still = (np.arange(40) >= 12) & (np.arange(40) < 15)
    for name in ("balance_mean", "intake_m3"):
        given[name] = np.where(still, 0.02 * given[name], given[name])
    found = explain(Observations(**given, standstills={"days 120 to 150": (120.0, 150.0)}))
    assert found.rows[0].name == "supply meter stopped"


def test_quiet_hours_tell_a_source_from_a_meter():
    """The same surplus by volume; only ground water runs at night as well."""
    random = np.random.default_rng(11)
    given = series(random)
    later = (np.arange(40) >= 20).astype(float)
    given["effluent_mean"] = given["effluent_mean"] + 150.0 * later
    quiet = 12.0 * (1 + 0.05 * random.normal(size=40))
    name = "unmetered source or steady ground water"

    def form(night: np.ndarray) -> str:
        rows = explain(Observations(**given, night_m3=night)).rows
        return next(row.detail for row in rows if row.name == name)

    assert "day and night" in form(quiet + 15.0 * later)
    assert "in working hours" in form(quiet)


def test_what_stands_first_never_has_all_the_probability():
    found = explain(Observations(**series(np.random.default_rng(13))))
    assert found.rows[0].name == NOTHING
    assert found.rows[0].posterior <= 0.97
    assert sum(row.posterior for row in found.rows) == pytest.approx(1.0, abs=0.01)


def test_audited_volumes_are_the_average_over_the_explanations():
    result = looked_at(draws=4000)
    standing = result.evidence.as_they_stand.sum(axis=1)
    averaged = result.evidence.audited.sum(axis=1)
    assert averaged.std() > standing.std()  # never more certain than if nothing were wrong
    flag = next(f for f in result.flags if f.code == "averaged-over-explanations")
    low, high = np.quantile(standing, [0.025, 0.975])
    assert flag.data["low_m3"] == pytest.approx(low)
    total = result.total
    assert total["audited_low"] < low + 1 and total["audited_high"] > high - 1
    share = (averaged < (1 - result.rule.tolerance) * total["billed_m3"]).mean()
    assert total["probability_overbilled"] == pytest.approx(
        (averaged < total["billed_m3"]).mean(), abs=0.02
    ) or total["probability_overbilled"] == pytest.approx(share, abs=0.02)


def test_the_opposing_expert_is_granted_one_point_after_the_other():
    result = looked_at(draws=2000)
    table = opposing_table(
        result.case,
        result.evidence,
        result.pricing,
        result.inputs.invoices.frame,
        Draws(result.draws, result.seed),
    )
    kinds = table.groupby("kind", sort=False)
    assert set(table["kind"]) == {"stated", "alone", "pessimistic", "left out", "jointly"}
    unsourced = table[table["what"] == UNSOURCED].iloc[0]
    stated, jointly = table.iloc[0], table.iloc[-1]
    assert stated["too_high"] == (result.judged["finding"] == "billed volume too high").sum()
    pessimistic = kinds.get_group("pessimistic")
    assert (pessimistic["total_m3"] > stated["total_m3"]).all()
    assert jointly["total_m3"] >= pessimistic["total_m3"].max()
    assert (pessimistic["amount"] <= stated["amount"]).all()
    assert jointly["too_high"] <= stated["too_high"]
    assert stated["total_m3"] < unsourced["total_m3"] < jointly["total_m3"]
    assert jointly["amount"] < unsourced["amount"] < stated["amount"]
    assert len(kinds.get_group("alone")) == 2
    assert isinstance(table, pd.DataFrame)


def test_without_one_of_the_two_the_flag_says_so():
    result = looked_at("area_velocity", draws=400)
    codes = {flag.code for flag in result.flags}
    assert result.evidence.averaged is None
    assert "rests-on-one-measurement" in codes


def test_pairs_are_kept_only_where_both_are_needed():
    given = series(np.random.default_rng(17))
    given["effluent_mean"] = 1.2 * given["effluent_mean"]
    found = explain(Observations(**given))
    assert all(len(row.components) <= 1 for row in found.rows if row.posterior > 0.01)
    assert replace(found, rows=()).frame.empty


def test_a_cause_does_not_spare_the_intervals_that_nothing_tests():
    """The supply meter fails more and more; late in the record some intervals hold none."""
    random = np.random.default_rng(19)
    given = series(random)
    true = given["effluent_mean"].copy()
    course = np.linspace(0, 0.3, 40)
    given["balance_mean"] = given["balance_mean"] * (1 - course)
    given["intake_m3"] = given["intake_m3"] * (1 - course)
    stopped = np.isin(np.arange(40), (29, 33, 37))
    given["effluent_mean"] = np.where(stopped, np.nan, true)
    found = explain(Observations(**given))
    weights = {each.names: each for each in found.outlooks}
    supply = weights[("supply meter off",)]
    discharge = supply.shares @ supply.volumes
    assert discharge[stopped] == pytest.approx(true[stopped], rel=0.06)
    assert given["balance_mean"][stopped] != pytest.approx(true[stopped], rel=0.15)
