"""The main job on the invented year: truth inside the intervals, planted faults visible."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from make_samples import truth
from sewer_audit import audit, load_case, sample_case
from sewer_audit.errors import InputRefused
from sewer_audit.uncertainty import UNDECIDED


@pytest.fixture(scope="module")
def result():
    return audit(load_case(sample_case()), draws=20_000, seed=1)


@pytest.fixture(scope="module")
def findings(result):
    return result.findings()


def inside(entry, value) -> bool:
    return entry["low"] <= value <= entry["high"]


@pytest.mark.parametrize("estimate", ["effluent_m3", "balance_m3", "reconciled_m3"])
def test_the_true_volume_lies_inside_the_interval(findings, estimate):
    true = truth().effluent
    hits = [inside(each[estimate], true[each["invoice"]]) for each in findings["invoices"]]
    assert sum(hits) >= 11
    assert inside(findings["total"][estimate], sum(true.values()))


def test_intervals_say_something(findings):
    for each in findings["invoices"]:
        width = each["reconciled_m3"]["high"] - each["reconciled_m3"]["low"]
        assert 0.005 < width / each["reconciled_m3"]["mean"] < 0.15


def test_the_two_estimates_agree_on_the_sample(findings):
    assert findings["agreement"]["agree"] is True


def test_the_right_totals_are_recomputed_to_the_cent(findings):
    right = {name: float(total) for name, total in truth().right_totals.items()}
    found = {each["invoice"]: each["recomputed_total"] for each in findings["invoices"]}
    # the estimate and its true-up are one claim between two actual reads, to a tolerance
    run = ("K2601", "K2602")
    assert sum(found.pop(name) for name in run) == pytest.approx(
        sum(right.pop(name) for name in run), rel=5e-4
    )
    for name, total in found.items():
        assert total == pytest.approx(right[name], abs=0.005)


def test_each_planted_fault_is_visible(result, findings):
    """Every invoice with a planted fault differs from the rules; no other does.

    An estimate stands with the true-up that settles it, on which the cost of both is shown.
    """
    wrong = {
        each["invoice"]
        for each in findings["invoices"]
        if abs(each["invoiced_total"] - each["recomputed_total"]) > 0.005
    }
    assert wrong | {"K2601"} == set(truth().faults)
    named = {name for row in findings["signatures"] for name in row["invoices"]}
    assert set(truth().faults) <= named


def test_a_sum_that_does_not_add_up_shows_in_the_total_line(findings):
    lines = {each["invoice"]: each["line_differences"] for each in findings["invoices"]}
    assert lines["K2505"] == {"total": 630.0}
    assert lines["K2504"] == {}


def test_an_estimate_already_made_good_warns_nobody(findings):
    messages = [flag["message"] for flag in findings["flags"]]
    assert not any("can also raise the bill" in m for m in messages)
    row = next(r for r in findings["claim"]["invoices"] if r["invoice"] == "K2601")
    assert row["by_the_rules"] == 0
    cost = [each for each in findings["ledger"] if each["link"] == "run of estimates"]
    assert [each["invoice"] for each in cost] == ["K2602"]
    assert cost[0]["amount_low"] <= cost[0]["amount"] <= cost[0]["amount_high"]


def test_every_bill_tells_the_first_link_that_does_not_follow(findings):
    broken = {each["invoice"]: each["broken"] for each in findings["chain"] if each["broken"]}
    assert broken == {
        "K2505": "total",
        **dict.fromkeys(("K2506", "K2507", "K2508", "K2509"), "charged volume"),
        "K2512": "sewer fixed charge",
    }


def test_all_sums_are_those_of_the_ledger(findings):
    claim, ledger = findings["claim"], findings["ledger"]
    for row in claim["invoices"]:
        entries = [each["amount"] for each in ledger if each["invoice"] == row["invoice"]]
        assert sum(entries) == pytest.approx(row["by_the_rules"], abs=1e-9)
    assert claim["net"] == pytest.approx(sum(each["amount"] for each in ledger), abs=1e-9)
    assert claim["net_low"] <= claim["net"] <= claim["net_high"]


def test_refund_and_basis_are_kept_apart(findings):
    basis = findings["basis"]
    true_share = sum(truth().effluent.values()) / (findings["total"]["basis_m3"]["mean"] / 0.9)
    assert basis["return_factor"] == 0.9
    assert basis["share_low"] <= true_share <= basis["share_high"]
    assert basis["fair"] is False
    assert findings["claim"]["net"] == pytest.approx(
        findings["total"]["invoiced_total"] - findings["total"]["recomputed_total"], abs=0.01
    )


def test_findings_have_the_documented_keys(findings):
    top = {"inputs", "draws", "seed", "coverage", "total", "budget", "explanations", "agreement"}
    assert top | {"flags", "invoices"} <= set(findings)
    each = {"invoice", "start", "end", "billed_m3", "effluent_m3", "balance_m3", "reconciled_m3"}
    each |= {"basis_m3", "amount_in_question", "record_coverage", "probability_overbilled"}
    each |= {"probability_underbilled", "finding", "invoiced_total", "recomputed_total"}
    for invoice in findings["invoices"]:
        assert each | {"line_differences"} <= set(invoice)


def test_the_same_case_gives_the_same_bytes(findings):
    again = audit(load_case(sample_case()), draws=20_000, seed=1).findings()
    assert json.dumps(again, sort_keys=True) == json.dumps(findings, sort_keys=True)


def test_the_budget_adds_up_and_the_year_is_no_better_than_a_month(result):
    for _, rows in result.budget.groupby(["estimate", "invoice"]):
        assert rows["share"].sum() == pytest.approx(1.0, abs=1e-6)
    effluent = result.invoices["effluent_standard_uncertainty"] / result.invoices["effluent_mean"]
    total = result.total
    year = total["effluent_standard_uncertainty"] / total["effluent_mean"]
    assert year > 0.7 * effluent.min()  # not 1/sqrt(12) of it: common errors do not average


def copy_of_sample(folder: Path) -> Path:
    home = sample_case().parent
    shutil.copytree(home, folder / "sample_bills")
    (folder / "sample_logs").mkdir()
    for name in ("effluent_log.csv",):
        shutil.copy(home.parent / "sample_logs" / name, folder / "sample_logs" / name)
    return folder / "sample_bills" / "case.toml"


def without(text: str, table: str) -> str:
    """The case text without one table and its sub-tables."""
    kept, skip = [], False
    for line in text.splitlines():
        name = line.strip().split("#")[0].strip().strip("[]")
        if line.lstrip().startswith("["):
            skip = name == table or name.startswith(table + ".")
        if not skip:
            kept.append(line)
    return "\n".join(kept)


@pytest.mark.parametrize(
    ("tables", "rules", "volume", "basis"),
    [
        (["effluent"], "yes", "in part", "yes"),
        (["intake", "use"], "in part", "in part", "no"),
        (["effluent", "intake", "use"], "in part", "no", "no"),
        (["effluent", "intake", "use", "rates"], "no", "no", "no"),
    ],
)
def test_partial_evidence_says_which_questions_it_answers(tmp_path, tables, rules, volume, basis):
    file = copy_of_sample(tmp_path)
    text = file.read_text()
    for table in tables:
        text = without(text, table)
    file.write_text(text)
    found = audit(load_case(file), draws=1000, seed=1).findings()
    questions = {name: each["answered"] for name, each in found["questions"].items()}
    assert questions == {"rules": rules, "volume": volume, "basis": basis}
    if volume == "no":
        assert {each["finding"] for each in found["invoices"]} == {UNDECIDED}


def test_estimates_that_conflict_are_not_averaged(tmp_path):
    """A wrong throat width: 9 in for 6 in. No joined volume, no verdict, and it says so."""
    file = copy_of_sample(tmp_path)
    file.write_text(file.read_text().replace('throat = "6 in"', 'throat = "9 in"'))
    found = audit(load_case(file), draws=2000, seed=1).findings()
    assert found["agreement"]["agree"] is False
    assert all(each["reconciled_m3"] is None for each in found["invoices"])
    assert {each["finding"] for each in found["invoices"]} == {UNDECIDED}
    assert any(flag["severity"] == "stops verdict" for flag in found["flags"])
    assert "conflict" in found["next_proof"][0]


def test_a_period_without_record_is_refused(tmp_path):
    file = copy_of_sample(tmp_path)
    log = tmp_path / "sample_logs" / "effluent_log.csv"
    lines = log.read_text().splitlines()
    log.write_text("\n".join(lines[:60_000]) + "\n")
    with pytest.raises(InputRefused, match="no accepted reading in the service period of invoice"):
        audit(load_case(file), draws=1000, seed=1)


@pytest.mark.parametrize("name", ["area_velocity", "manning"])
def test_the_small_samples_run_and_hold_the_truth(name):
    found = audit(load_case(sample_case(name)), draws=5000, seed=1).findings()
    true = truth(name).effluent
    hits = [inside(each["effluent_m3"], true[each["invoice"]]) for each in found["invoices"]]
    assert np.mean(hits) >= 2 / 3


def test_a_manning_estimate_is_labelled_and_wide():
    found = audit(load_case(sample_case("manning")), draws=5000, seed=1).findings()
    assert any(flag["code"] == "trend-grade" for flag in found["flags"])
    effluent = found["total"]["effluent_m3"]
    assert effluent["standard_uncertainty"] / effluent["mean"] > 0.08
