"""Audits of cases that leave something out: an audit says so, and fails on none of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from sewer_audit import audit, load_case
from sewer_audit.auditing.quarterly.quarters import review
from sewer_audit.report.brief.zero import zero_of_invoice
from sewer_audit.report.evidence import lists
from sewer_audit.report.pictures import PICTURES
from test_auditing_overlaps import AGAIN, READS, RULER, A, B, C, case_of


def with_reads(folder: Path, reads: str, *invoices: str, draws=500):
    case = case_of(folder, *invoices)
    (case.parent / "meter.csv").write_text(reads)
    return audit(load_case(case), draws=draws, seed=1)


@pytest.mark.parametrize("draws", [500, "adaptive"])
def test_reads_that_end_before_the_last_invoice_leave_it_without_a_volume(tmp_path, draws):
    result = with_reads(tmp_path, "\n".join(READS.splitlines()[:6]) + "\n", A, B, C, draws=draws)
    table = result.invoices.set_index("invoice")
    assert table["balance_mean"].notna().to_dict() == {"A": True, "B": True, "C": False}
    assert result.total["balance_mean"] is None and not result.basis["answered"]
    assert "every invoice" in result.questions["basis"]["missing"]
    for name in ("decision", "balance"):
        assert PICTURES[name][1](result) is None
    assert [flag.severity for flag in result.flags if flag.code == "reads-missing"] == [
        "stops verdict"
    ]


def test_the_number_of_draws_can_be_left_open_where_nothing_is_drawn(tmp_path):
    case = case_of(tmp_path, A, B, C, more="")
    result = audit(load_case(case), draws="adaptive", seed=1)
    assert result.stability.stable and result.stability.worst == 0.0
    assert list(result.invoices["recomputed_total"]) == [405.0, 493.0, 405.0]


def test_invoices_and_schedule_alone_say_what_each_open_question_is_worth(tmp_path):
    """By hand: a tenth more of 90, 108 and 90 kgal costs 36.00, 64.80 and 36.00; days are 30."""
    file = case_of(tmp_path, A, B, C, more="")
    text = file.read_text().replace('read_hour = "08:00"\n', "")
    file.write_text(text.replace('look_back = "24 months"\n', ""))
    told = audit(load_case(file), draws=200, seed=1).open_points.set_index("point")
    assert told["key"].to_dict() == {
        "supply reads": "intake",
        "effluent record": "effluent",
        "unit of printed reads": "account.reads",
        "share that reaches the sewer": "effluent",
        "hour of the reads": "invoices.read_hour",
    }
    assert told.loc["supply reads", "money"] == pytest.approx(3.60 + 6.48 + 3.60)
    assert told["percent"].isna().tolist() == [True] * 4 + [False]
    assert told.loc["hour of the reads", "percent"] == pytest.approx(100 * 0.5 / 30)
    assert told.loc["hour of the reads", "money"] == pytest.approx(3.60 * 100 * 0.5 / 30)
    said = lists.open_points(audit(load_case(file), draws=200, seed=1))
    assert "nothing in the case bounds it; each percent is about USD 14" in said["worth"].iloc[0]


def test_with_reads_of_the_site_the_width_of_what_is_open_is_that_of_the_interval(tmp_path):
    result = audit(load_case(case_of(tmp_path, A, B, C)), draws=500, seed=1)
    total, told = result.total, result.open_points.set_index("point")
    half = 50 * (total["audited_high"] - total["audited_low"]) / total["audited_mean"]
    assert told.loc["effluent record", "percent"] == pytest.approx(half) and half > 0.5
    assert "supply reads" not in told.index and "hour of the reads" not in told.index
    assert result.findings()["open_points"][0]["key"] == "effluent"


def test_an_intake_of_nothing_has_no_share_and_accuses_no_meter(tmp_path):
    reads = "\n".join(f"2026-{day} 08:00,1000" for day in ("01-01", "01-31", "03-02"))
    idle = [
        "A,2026-01-01,2026-01-31,1000,1000,actual,0.0,45.00,0.00,45.00",
        "B,2026-01-31,2026-03-02,1000,1000,actual,0.0,45.00,0.00,45.00",
    ]
    result = with_reads(tmp_path, f"time,register\n{reads}\n", *idle)
    assert list(result.invoices["recomputed_total"]) == [45.0, 45.0]
    assert not result.basis["answered"]
    assert "above zero" in result.questions["basis"]["missing"]
    assert "balance-below-zero" not in {flag.code for flag in result.flags}
    assert PICTURES["balance"][1](result) is None
    forecast = review(result).forecast
    assert not forecast["made"] and "above zero" in forecast["why"]


def test_a_quarter_of_an_invoice_without_days_of_its_own_has_no_forecast(tmp_path):
    whole = "W,2026-03-02,2026-07-10,3200,7200,actual,360.0,195.00,1960.00,2155.00"
    inside = "V,2026-04-01,2026-06-01,4200,6200,actual,180.0,91.50,880.00,971.50"
    result = audit(load_case(case_of(tmp_path, A, B, whole, inside, more="")), draws=500, seed=1)
    found = review(result, "2026Q2")
    assert found.table["days"].iloc[-1] == 0 and not found.forecast["made"]
    assert found.forecast["why"] == "no invoice of the quarter has days of its own"


def test_the_zero_is_shown_on_an_invoice_that_has_a_measured_volume(tmp_path):
    case = case_of(tmp_path, A, B, AGAIN, more=RULER)
    days = ("01-05", "01-20", "02-09", "02-20")
    looks = [f"2026-{day} {8 + k}:10,2.{k}" for k, day in enumerate(days)]
    (case.parent / "hand.csv").write_text("\n".join(["time,head", *looks, ""]))
    result = audit(load_case(case), draws=500, seed=1)
    assert result.invoices["effluent_mean"].iloc[-1] == 0.0  # the copy comes last
    assert set(zero_of_invoice(result)["invoice"]) == {"B"}
    assert zero_of_invoice(result, "B2").empty
