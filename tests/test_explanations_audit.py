"""The explanations in an audit: what is set aside, what each would change, what is not named."""

from __future__ import annotations

import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from sewer_audit import audit, load_case, sample_case
from sewer_audit.auditing.judgement.observed import observations_of
from sewer_audit.auditing.volumes.case_device import other_sizes
from sewer_audit.case import home
from sewer_audit.explanations import CATALOGUE, explain
from sewer_audit.explanations.catalogue import NOTHING, UNFAIR
from sewer_audit.report.evidence import balance as report_balance
from sewer_audit.report.pictures import PICTURES


@pytest.fixture(scope="module")
def sample():
    return audit(load_case(sample_case()), draws=1500)


def test_invoices_with_errors_of_their_own_are_set_aside(sample):
    """Wrong unit, missing deduct, estimate and true-up stand in the signatures already."""
    about = sample.explanations.attrs
    assert about["set_aside"] == ["K2506", "K2507", "K2508", "K2509", "K2601", "K2602"]
    first = sample.explanations.iloc[0]
    assert first["name"] == UNFAIR  # the sample sends 79 % to the sewer and is billed 90 %
    assert "set aside first" in about["statement"] and "K2506" in about["statement"]


def test_ranking_all_invoices_at_once_says_less(sample):
    seen = observations_of(sample.case, sample.inputs, sample.evidence, sample.invoices)
    assert explain(seen).rows[0].components[0] == "none of these (bill)"


def test_a_cause_is_named_only_from_a_strong_ratio_on(sample):
    about = sample.explanations.attrs
    assert (about["named"] is None) == (about["factor"] < 20)
    assert ("no cause is named" in about["statement"]) == (about["named"] is None)
    assert about["separates"] and len(about["excluded"]) >= 5


def test_what_a_smaller_record_cannot_decide_is_not_named():
    """Three months of a depth logger in a sewer of known slope: a rough record names nothing."""
    about = audit(load_case(sample_case("manning")), draws=800).explanations.attrs
    assert about["named"] is None and about["factor"] < 20
    assert "no cause is named" in about["statement"] and about["set_aside"] == []


def test_words_of_the_ranking_and_of_the_third_question_agree(sample):
    """79 % reached the sewer where 90 % are billed: neither may call that nothing wrong."""
    assert sample.basis["fair"] is False
    assert NOTHING in sample.explanations.attrs["excluded"]


def test_each_explanation_says_what_it_would_change(sample):
    table, unit = sample.explanations, sample.case.data.display.volume
    audited = sample.evidence.audited.sum(axis=1).mean()
    change = table["corrected_discharge_m3"] - audited
    assert table["discharge_change_m3"].to_numpy() == pytest.approx(change.to_numpy())
    billed, tolerance = sample.total["billed_m3"], sample.rule.tolerance
    reach = 1.96 * table["corrected_standard_m3"]
    too_high = table["corrected_discharge_m3"] + reach < (1 - tolerance) * billed
    assert list(table["finding_if_true"] == "billed volume too high") == list(too_high)
    shown = report_balance.explanations(sample)
    assert f"audited discharge changes by [{unit}]" in shown and len(shown) == len(table)
    leads = report_balance.leads(sample)
    assert leads["what would settle it"].str.len().min() > 10
    assert report_balance.visit_list(sample)


def test_findings_carry_the_ranking_and_the_uses(sample):
    found = sample.findings()
    assert found["ranking"]["statement"] == sample.explanations.attrs["statement"]
    assert [use["name"] for use in found["uses"]] == ["cooling tower make-up", "water in product"]
    assert all(use["evidence"] and use["equation"] for use in found["uses"])


def test_the_record_is_evaluated_again_at_other_zeros_and_in_other_sizes(sample):
    seen = observations_of(sample.case, sample.inputs, sample.evidence, sample.invoices)
    middle = len(seen.zero_offsets_m) // 2
    slope = np.gradient(seen.zero_volumes_m3, seen.zero_offsets_m, axis=0)[middle]
    relative = -slope / seen.zero_volumes_m3[middle]
    assert relative == pytest.approx(seen.head_sensitivity, rel=0.03)
    # coefficients of 9 and 6 in Parshall flumes, 0.5354 and 0.3812 m3/s (from memory): about 1.5
    ratio = seen.device_ratios["throat 9 in instead of 6 in"]
    assert np.all((ratio > 1.3) & (ratio < 1.7))
    assert len(other_sizes(sample.case)) == 4


def test_a_wrong_throat_is_found_through_the_audit(sample):
    """The record of the sample as if its 6 in flume were one of 9 in."""
    seen = observations_of(sample.case, sample.inputs, sample.evidence, sample.invoices)
    ratio = seen.device_ratios["throat 9 in instead of 6 in"]
    wrong = replace(
        seen,
        billed_m3=np.full(seen.count, np.nan),
        fine=None,
        effluent_mean=seen.balance_mean / ratio,
        effluent_cov=seen.effluent_cov / np.outer(ratio, ratio),
    )
    best = explain(wrong).rows[0]
    assert best.components == ("wrong device size or notch angle",)
    assert best.detail == "throat 9 in instead of 6 in"


def test_pictures_of_the_balance_tell_their_figures(sample):
    for name in ("balance", "estimates", "differences", "discharge if true"):
        picture = PICTURES[name][1](sample)
        axes = picture.figure.axes[0]
        assert "[" in axes.get_xlabel() + axes.get_ylabel()
        assert len(picture.alt.split()) > 8 and picture.alt.endswith(".")
    assert "kgal" in PICTURES["discharge if true"][1](sample).alt


def test_short_answer_and_tests_are_in_words(sample):
    text = report_balance.short_answer(sample).plain
    assert "never reached the sewer" in text and "agrees" in text and "Joined" in text
    table = report_balance.consistency(sample)
    assert list(table["passed"]) == ["yes", "yes", "yes"]
    assert len(report_balance.adjustments(sample)) == 12


def test_priors_are_printed_for_the_whole_catalogue():
    assert list(report_balance.priors()["explanation"]) == [each.name for each in CATALOGUE]


def test_a_case_without_balance_is_ranked_against_the_record():
    result = audit(load_case(sample_case("area_velocity")), draws=600)
    assert NOTHING in set(result.explanations["name"])
    assert report_balance.uses(result).empty and report_balance.consistency(result).empty
    assert PICTURES["differences"][1](result) is None
    assert "one estimate only" in report_balance.short_answer(result).plain
    assert isinstance(report_balance.adjustments(result), pd.DataFrame)


@pytest.fixture(scope="module")
def mistaken(tmp_path_factory):
    """The sample with its flume of 6 in entered as one of 9 in."""
    folder = tmp_path_factory.mktemp("mistaken")
    for name in ("sample_bills", "sample_logs"):
        shutil.copytree(home(name), folder / name)
    case = folder / "sample_bills" / "case.toml"
    text = case.read_text(encoding="utf-8").replace('throat = "6 in"', 'throat = "9 in"')
    case.write_text(text, encoding="utf-8")
    return audit(load_case(case), draws=800)


def test_estimates_that_conflict_are_not_averaged_and_the_mistake_is_found(mistaken):
    assert not mistaken.evidence.reconciliation.agree and mistaken.evidence.audited is None
    first = mistaken.explanations.iloc[0]
    assert first["name"] == "wrong device size or notch angle"
    assert "throat 6 in instead of 9 in" in first["detail"]
    balance = mistaken.evidence.balance.draws.sum(axis=1).mean()
    assert first["corrected_discharge_m3"] == pytest.approx(balance, rel=0.03)


def test_its_look_alike_is_told_by_measuring_the_device(mistaken):
    """A factor of another cause fits nearly as well, so no cause is named."""
    about = mistaken.explanations.attrs
    assert about["named"] is None
    assert "measure the device" in about["separates"]
    assert "contradicts" in report_balance.short_answer(mistaken).plain
    table = report_balance.adjustments(mistaken)
    assert set(table.filter(like="joined").iloc[:, 0]) == {"–"}
    assert set(report_balance.consistency(mistaken)["passed"]) == {"NO"}


def test_the_visits_of_the_case_reach_the_ranking(sample):
    """Seven visits, the last of 10 March 2026: every invoice but none after it is looked at."""
    seen = observations_of(sample.case, sample.inputs, sample.evidence, sample.invoices)
    starts = sample.invoices["start"].dt.tz_convert(sample.case.zone)
    visited = (starts <= "2026-03-10 09:35").to_numpy()
    assert np.isfinite(seen.zero_seen_m).tolist() == visited.tolist()
    gauge = sample.evidence.effluent.causes.shared["gauge datum"].standard
    still, shown = np.hypot(gauge, 0.001), seen.zero_seen_m[visited]  # of a visit in still water
    assert (shown >= 0.99 * still).all() and (shown < 12 * still).all()
    assert shown.max() > 2 * still  # at three visits the water moved, and the comparison with it
    without = explain(replace(seen, zero_seen_m=None), pairs=False)
    found = {row.name: row for row in explain(seen, pairs=False).rows}
    name = "zero error of the head sensor"
    before = {row.name: row for row in without.rows}[name].log_marginal_likelihood
    assert before - np.log(5) - 0.05 <= found[name].log_marginal_likelihood <= before
