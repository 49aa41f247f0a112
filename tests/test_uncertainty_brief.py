"""The uncertainty brief: figures against hand calculation, sentences against figures, two pages."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from sewer_audit import audit, load_case, sample_case
from sewer_audit.__main__ import main
from sewer_audit.report.brief import zero
from sewer_audit.report.brief.telling import make_brief
from sewer_audit.uncertainty import PERSISTENCES
from sewer_audit.wording import Words

SAMPLE = Path(__file__).parent.parent / "sample_bills"

WORDS_OF_STANDARDS = re.compile(r"JCGM|ISO|clause", re.I)


@cache
def brief():
    return make_brief(audit(load_case(sample_case()), draws=20_000, seed=1))


def without(tmp_path: Path, *parts: str):
    """The sample with chapters of its case file left out."""
    shutil.copytree(SAMPLE, tmp_path / "sample_bills")
    shutil.copytree(SAMPLE.parent / "sample_logs", tmp_path / "sample_logs")
    file = tmp_path / "sample_bills" / "case.toml"
    text = file.read_text()
    marks = {
        "balance": ("# --- water in -", "# --- water to the sewer"),
        "record": ("# --- water to the sewer", "# --- the decision rule"),
    }
    for part in parts:
        begin, end = (text.index(mark) for mark in marks[part])
        text = text[:begin] + text[end:]
    file.write_text(text)
    return audit(load_case(file), draws=2000)


def test_an_eighth_of_an_inch_by_hand():
    """Parshall 6 in, n = 1.58 (Bos 1989, Table 7.4, from memory): (1 +- e/h)^n - 1, e = 1/8 in."""
    table = brief().readings
    assert list(table["reading"]) == ["low", "usual", "high"]
    for row in table.itertuples():
        assert row.too_high == pytest.approx((1 + 0.003175 / row.level) ** 1.58 - 1, rel=1e-6)
        assert row.too_low == pytest.approx((1 - 0.003175 / row.level) ** 1.58 - 1, rel=1e-6)
    assert table["level"].is_monotonic_increasing and table["too_high"].is_monotonic_decreasing


def test_what_lasts_never_averages_out_and_noise_does():
    table = brief().averaging.set_index("span")
    whole = table["whole record"]
    # coefficient 3 % rectangular, throat 0.5 mm of 152.4 mm: by hand
    by_hand = np.hypot(0.03 / np.sqrt(3), 0.5 / 152.4)
    assert whole["all invoices"] == pytest.approx(by_hand, rel=0.01)
    assert whole["a day"] == pytest.approx(whole["all invoices"], rel=0.02)
    assert table.loc["all invoices", "each reading"] < table.loc["one reading", "each reading"] / 20
    together = np.sqrt((table[list(PERSISTENCES)] ** 2).sum(axis=1))
    assert table["all"].to_numpy() == pytest.approx(together.to_numpy(), rel=1e-9)
    assert table["hours"].is_monotonic_increasing


def test_the_row_of_all_invoices_is_that_of_the_audit():
    total = brief().result.total
    share = total["effluent_standard_uncertainty"] / total["effluent_mean"]
    assert brief().averaging["all"].iloc[-1] == pytest.approx(share, rel=0.03)


def test_a_full_pipe_meter_by_hand():
    """Half a per cent of the volume, gaps as now: width 2 x 1.96 x the root of both squares."""
    steps = brief().steps.set_index("step")
    result = brief().result
    gaps = result.budget.query("estimate == 'effluent' and invoice == 'total'").set_index("cause")
    mean = result.total["effluent_mean"]
    u = np.hypot(0.005 * mean, gaps.loc["gap filling", "standard_uncertainty_m3"])
    width = steps.loc["set a trap with a full-pipe meter", "own_width_m3"]
    assert width == pytest.approx(2 * 1.96 * u, rel=0.03)


def test_steps_only_narrow_and_name_what_they_sharpen():
    steps = brief().steps
    now = steps.iloc[0]
    joined = brief().result.evidence.reconciliation.reconciled.sum(axis=1)
    low, high = np.quantile(joined, [0.025, 0.975])
    assert now["step"] == "as it is" and now["width_m3"] == pytest.approx(high - low, rel=0.02)
    assert (steps["width_m3"].iloc[1:] < now["width_m3"] * 1.01).all()
    assert steps["width_m3"].iloc[1:].is_monotonic_increasing
    assert set(steps["estimate"].iloc[1:]) == {"effluent", "balance"}
    ratio = steps["width_amount"] / steps["width_m3"]
    assert ratio.to_numpy() == pytest.approx(np.full(len(steps), ratio.iloc[0]), rel=0.02)


def test_further_visits_move_no_mean():
    found = brief().result.evidence.effluent
    day = 86400.0
    more = found.zero.with_more(found.causes, [10 * day, 50 * day, 200 * day])
    ends, mean = np.repeat(more.edges, 2)[1:-1], more.offset.mean
    expected = np.interp(ends, np.repeat(found.zero.edges, 2)[1:-1], found.zero.offset.mean)
    inside = np.abs(mean - expected) < 1e-9
    assert inside.mean() > 0.9  # at the two re-zeroings the two sides differ
    old = np.interp(10 * day, np.repeat(found.zero.edges, 2)[1:-1], found.zero.posterior.standard)
    new = np.interp(10 * day, ends, more.posterior.standard)
    assert new < old


def test_sentences_say_what_the_tables_say():
    row = brief().averaging.set_index("span")["all"]
    said = str(brief().averaging_words())
    for span in ("one reading", "an invoice", "all invoices"):
        assert f"{100 * row[span]:.2g} %" in said
    assert brief().steps["step"].iloc[1] in str(brief().steps_words())
    spread = brief().result.total
    half = (spread["audited_high"] - spread["audited_low"]) / 2 / spread["audited_mean"]
    assert f"{100 * half:.1f} %" in brief().volume_words()


def test_probability_is_never_claimed_without_its_condition():
    said = str(brief().how_to_read()) + str(brief().answers())
    assert "given the causes listed" in said.lower()
    assert not re.search(r"accura(cy|te)|p-value|confidence", said, re.I)


def test_no_probability_is_stated_where_the_estimates_conflict(tmp_path):
    """A cover plate misread by a third: each estimate keeps its interval, neither its belief."""
    shutil.copytree(SAMPLE, tmp_path / "sample_bills")
    shutil.copytree(SAMPLE.parent / "sample_logs", tmp_path / "sample_logs")
    file = tmp_path / "sample_bills" / "case.toml"
    text = file.read_text()
    assert "multiplier = 100 " in text
    file.write_text(text.replace("multiplier = 100 ", "multiplier = 133 ", 1))
    found = make_brief(audit(load_case(file), draws=2000))
    said = found.volume_words()
    assert "contradicts it" in said and "no probability is stated" in said
    assert "with a probability" not in said and "by the intake less uses alone" in said
    assert "the measured effluent contradicts it" in said  # gaps leave its own sum untold
    assert "A question comes before any amount" in str(found.headline())
    assert "neither sentence holds for the interval above" in str(found.how_to_read())
    assert "contradict" not in str(brief().how_to_read())


def test_a_manager_finds_six_answers_in_plain_words():
    said = str(brief().answers())
    for asked in ("Are we overcharged?", "By how much?", "How sure is that?", "What would settle"):
        assert asked in said
    assert WORDS_OF_STANDARDS.search(said) is None, "no clause numbers on a manager's page"
    sums = brief().result.claim.attrs["sums"]
    assert f"{sums['over_invoiced']:,.2f}" in said
    assert str(sums["next_deadline"]) in str(brief().headline())
    said = str(brief().how_to_read())
    assert f"The {len(brief().result.invoices)} invoices are judged at once" in said
    alone = {"often": 95.0, "conflict": False, "several": False, "invoices": 1}
    said = Words.of(brief().result)("brief.how_to_read", **alone)
    assert " A rule is fair only if it was stated beforehand. " in said


def test_the_width_in_money_names_its_interval_and_the_share_is_that_of_the_report():
    told = brief().answers().plain
    assert "interval of all invoices by the listed causes alone is USD" in told
    share = f"{100 * brief().result.basis['share_mean']:.1f} %"
    assert f"of the net intake (intake less credits) and {share} of it reached the sewer" in told


def test_the_slider_says_what_the_curve_says():
    curve = zero.zero_of_invoice(brief().result)
    box = zero.zero_slider(brief().result)
    slider, label = box.children
    assert slider.description == "zero [in]"
    slider.value = 0.125
    change = np.interp(0.003175, curve["zero_error"], curve["change"])
    assert f"{100 * change:+.1f} %" in label.value
    assert 0.03 < change < 0.08


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        (("balance", "record"), "cannot be said from these files"),
        (("record",), "intake less uses alone"),
        (("balance",), "measured effluent alone"),
    ],
)
def test_partial_evidence_gives_a_brief_that_says_so(tmp_path, parts, words):
    found = make_brief(without(tmp_path, *parts))
    assert words in found.volume_words()
    for part in (
        found.headline,
        found.answers,
        found.averaging_words,
        found.steps_table,
        found.steps_words,
        found.how_to_read,
    ):
        assert str(part())
    json.dumps(found.findings())
    if parts == ("balance", "record"):
        assert found.steps.empty and not found.budgets


def test_the_command_writes_two_pages(tmp_path, capsys):
    pytest.importorskip("weasyprint")
    if shutil.which("pdfinfo") is None:
        pytest.skip("no pdfinfo to count pages with")
    out = tmp_path / "brief"
    assert (
        main(["brief", str(SAMPLE), "--out", str(out), "--draws", "2000", "--pdf", "--quiet"]) == 0
    )
    assert "brief written" in capsys.readouterr().out
    names = {path.name for path in out.iterdir()}
    assert {"brief.html", "brief.ipynb", "brief.pdf", "findings.json", "tables.xlsx"} <= names
    listed = subprocess.run(
        ["pdfinfo", str(out / "brief.pdf")], capture_output=True, text=True, check=True
    ).stdout
    assert re.search(r"^Pages:\s+2$", listed, re.M)
    page = (out / "brief.html").read_text()
    assert "<script" not in page and "widget" not in page
    findings = json.loads((out / "findings.json").read_text())
    assert findings["brief"]["steps"] and findings["brief"]["averaging"]
