"""The quarterly review in words: true to its figures, whole with little evidence, run by a word."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from looked_at import looked_at
from sewer_audit import audit, load_case, sample_case
from sewer_audit.__main__ import main
from sewer_audit.auditing.quarterly.quarters import review
from sewer_audit.charts.review import control_chart, quarter_costs, quarter_volumes
from sewer_audit.report import recheck
from sewer_audit.report.quarter import telling as report_review
from sewer_audit.report.show import Shown
from test_report_story import without

SAID = [
    "actions",
    "changes",
    "costs",
    "forecast",
    "in_short",
    "news",
    "notes",
    "savings",
    "strengths",
    "unusual",
    "volumes",
]


@pytest.fixture(scope="module")
def sample():
    return review(looked_at(draws=2000))


@pytest.mark.parametrize("name", SAID)
def test_everything_is_said_of_the_sample(sample, name):
    shown = getattr(report_review, name)(sample)
    assert isinstance(shown, Shown) and len(str(shown)) > 20
    assert "nan" not in str(shown).lower().split()


@pytest.mark.parametrize("tables", ["effluent", "rates", "effluent intake use rates"])
def test_little_evidence_is_told_whole(tmp_path, tables, capsys):
    found = review(audit(load_case(without(tmp_path, *tables.split())), draws=500, seed=1))
    for name in SAID:
        text = str(getattr(report_review, name)(found))
        assert text and "nan" not in text.lower().split(), name
    for name in ("volumes", "ratios", "costs"):
        drawn = report_review._drawn(name, found)
        assert drawn is None or "nan" not in drawn.alt.lower().split()


def test_figures_of_the_review_say_what_they_show(sample):
    volumes = quarter_volumes(sample.table, "kgal", 0.95, dict(sample.forecast))
    assert "2026Q1: billed 21,523 kgal" in volumes.alt and "forecast" in volumes.alt
    assert [t.get_text() for t in volumes.figure.axes[0].get_xticklabels()][-1].startswith("2026Q2")
    ratios = control_chart(sample.ratios, sample.limits, 0.05, 0.95)
    assert ratios.alt.endswith("Outside: K2506, K2507, K2508, K2509, K2601, K2602.")
    unlimited = control_chart(sample.ratios.assign(outside=False), None, 0.05, 0.95)
    assert "too few earlier invoices" in unlimited.alt
    costs = quarter_costs(sample.table, "kgal", "USD", 0.95)
    assert "7.88 USD a billed kgal" in costs.alt
    for picture in (volumes, ratios, costs):
        axes = picture.figure.axes[0]
        assert "[" in axes.get_ylabel() and axes.get_title(loc="left")


def test_the_box_names_what_is_unusual_and_what_it_is_worth(sample):
    text = str(report_review.in_short(sample))
    assert text.startswith("2026Q1: 3 invoices, outside the usual: K2601 and K2602")
    assert "USD 50,732.82" in text and "95 % interval" in text


@pytest.mark.slow
def test_the_box_names_what_a_correction_would_add_to_the_bill(sample):
    savings = sample.savings.copy()
    place = savings.index[savings["kind"] == "once"][-1]
    savings.loc[place, ["amount_mean", "amount_low", "amount_high"]] = -1142.35
    shown = str(report_review.in_short(replace(sample, savings=savings)))
    assert "against it, USD 1,142.35 were invoiced too low" in shown
    assert "against it" not in str(report_review.in_short(sample))


def test_the_command_writes_a_folder_that_is_rechecked(tmp_path, capsys):
    out = tmp_path / "review"
    words = ["review", str(sample_case()), "--quarter", "2025Q4", "--out", str(out)]
    assert main([*words, "--draws", "500", "--quiet"]) == 0
    assert {p.name for p in out.iterdir()} >= {"review.html", "review.ipynb", "tables.xlsx"}
    findings = json.loads((out / "findings.json").read_text())
    assert findings["review"]["quarter"] == "2025Q4" and findings["review"]["before"] is None
    assert main(["review", str(sample_case()), "--out", str(out), "--draws", "500", "--quiet"]) == 0
    again = json.loads((out / "findings.json").read_text())["review"]
    assert again["before"] == "2025Q4", "the review that stood in the folder"
    assert {(c["what"], c["invoice"]) for c in again["changes"]} == {("new", "K2602")}
    assert "What changed since the review of 2025Q4" in (out / "review.html").read_text()
    result = recheck(out)
    assert result.reproduced and result.figures > 700, str(result)
    alone = ["--out", str(tmp_path / "no"), "--quiet"]
    assert main([*words[:2], *alone, "--since", str(tmp_path)]) == 1
    assert "Name the folder of a review" in capsys.readouterr().err
    assert main([*words[:2], *alone, "--hindsight", "--pages"]) == 1
    assert "are for one case" in capsys.readouterr().err
    assert main([*words[:3], "2031Q1", "--out", str(tmp_path / "no"), "--quiet"]) == 1
    assert "holds no invoice" in capsys.readouterr().err and not (tmp_path / "no").exists()
