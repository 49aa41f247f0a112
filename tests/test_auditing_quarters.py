"""The quarterly review: limits, forecast, savings, against closed cases and recounted by hand."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from looked_at import looked_at
from sewer_audit import audit, load_case, sample_case
from sewer_audit.auditing.quarterly.control import MEAN_RANGE, MIDDLE_RANGE, control_limits
from sewer_audit.auditing.quarterly.forecast import forecast_draws
from sewer_audit.auditing.quarterly.quarters import next_quarter, quarter_names, review
from sewer_audit.charges.schedule.kinds import StrengthBands
from sewer_audit.errors import AuditError, InputRefused

FLOWS = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


@pytest.fixture(scope="module")
def whole():
    return looked_at(draws=2000)


@pytest.fixture(scope="module")
def sample(whole):
    return review(whole, "2026Q1")


def test_classical_limits_of_a_published_example():
    """NIST/SEMATECH e-Handbook 6.3.2.2, flow rate of ten batches (from memory): 50.81, 45.8159
    and 55.8041; the handbook divides by 1.128, here 2/sqrt(pi)."""
    found = control_limits(FLOWS, robust=False)
    assert found.centre == pytest.approx(50.81, abs=0.005)
    assert found.low == pytest.approx(45.8159, abs=0.005)
    assert found.high == pytest.approx(55.8041, abs=0.005)


def test_divisors_are_those_of_two_normal_values():
    steps = np.abs(np.diff(np.random.default_rng(5).standard_normal((400_000, 2)), axis=1))
    assert steps.mean() == pytest.approx(MEAN_RANGE, rel=0.005)
    assert np.median(steps) == pytest.approx(MIDDLE_RANGE, rel=0.005)
    assert MIDDLE_RANGE == pytest.approx(np.sqrt(2) * norm.ppf(0.75), rel=1e-12)


def test_robust_limits_do_not_move_for_a_few_wrong_values():
    values = 1.1 + 0.01 * np.random.default_rng(3).standard_normal(24)
    wrong = values.copy()
    wrong[[4, 5, 15]] += 0.4
    plain, moved = control_limits(values), control_limits(wrong)
    assert moved.high < 1.2 and control_limits(wrong, robust=False).high > 1.3
    assert moved.centre == pytest.approx(plain.centre, abs=0.01)
    assert list(np.flatnonzero(moved.outside(wrong))) == [4, 5, 15]
    assert not moved.outside([np.nan])[0]


def test_too_little_gives_no_limits():
    assert control_limits([1, 2, 3, 4]) is None and control_limits([1.0] * 9) is None
    assert control_limits([1, 2, np.nan, 3, 4]) is None
    with pytest.raises(AuditError, match="above zero"):
        control_limits(FLOWS, width=0)


@pytest.mark.parametrize(("quarters", "growth"), [(3, 0.0), (4, 0.0), (9, 0.0), (9, 0.05)])
def test_forecasts_hold_the_share_they_state(quarters, growth):
    """95 % of futures of a site without seasons (level), or with (year on year), lie inside."""
    generator = np.random.default_rng(quarters)
    normal = generator.standard_normal(2000)
    season = np.array([0.2, 0.0, -0.2, 0.05]) if quarters > 7 else np.zeros(4)
    inside = 0
    for _ in range(800):
        n = quarters + 1
        noise = 0.06 * generator.standard_normal(n)
        truth = np.exp(3 + growth * np.arange(n) / 4 + np.resize(season, n) + noise)
        ends = np.quantile(forecast_draws(truth[:-1], normal).draws, [0.025, 0.975])
        inside += ends[0] <= truth[-1] <= ends[1]
    assert 0.925 <= inside / 800 <= 0.985, inside / 800


def test_the_way_of_forecasting_depends_on_the_number_of_quarters_only():
    normal = np.random.default_rng(1).standard_normal(500)
    assert forecast_draws([3.0, 4.0], normal) is None
    assert "mean" in forecast_draws(np.arange(1, 8), normal).method
    yearly = forecast_draws(np.arange(1, 10), normal)
    assert "year before" in yearly.method and yearly.count == 5
    with pytest.raises(AuditError, match="above zero"):
        forecast_draws([1.0, 0.0, 2.0], normal)


def test_an_invoice_belongs_to_the_quarter_of_its_last_whole_day():
    ends = ["2026-03-31T23:00Z", "2026-04-01T14:00Z", "2026-04-02T14:00Z", "2026-01-01T14:00Z"]
    names = quarter_names(pd.DataFrame({"end": pd.to_datetime(ends)}), "America/Chicago")
    assert names == ["2026Q1", "2026Q1", "2026Q2", "2025Q4"]
    assert next_quarter("2025Q4") == "2026Q1" and next_quarter("2026Q1") == "2026Q2"


def test_quarters_are_the_sums_of_their_invoices(whole, sample):
    assert list(sample.places) == ["2025Q2", "2025Q3", "2025Q4", "2026Q1"]
    assert sum(sample.places.values(), ()) == tuple(range(12))
    for name, rows in sample.places.items():
        row = sample.table.set_index("quarter").loc[name]
        part = whole.invoices.iloc[list(rows)]
        assert row["billed_m3"] == pytest.approx(part["billed_m3"].sum())
        assert row["audited_mean"] == pytest.approx(part["audited_mean"].sum())
        assert row["invoiced_total"] == pytest.approx(part["invoiced_total"].sum())
        assert row["cost_per_billed_m3"] * row["billed_m3"] == pytest.approx(row["invoiced_total"])
        assert row["ratio_low"] < row["ratio_mean"] < row["ratio_high"]
        independent = np.sqrt((part["audited_standard_uncertainty"] ** 2).sum())
        assert row["audited_standard_uncertainty"] > 1.1 * independent, "errors are shared"


def test_the_planted_errors_lie_outside_the_limits(sample):
    outside = set(sample.ratios.loc[sample.ratios["outside"], "invoice"])
    assert outside == {"K2506", "K2507", "K2508", "K2509", "K2601", "K2602"}
    assert sample.limits.count == 9, "this quarter does not set its own limits"


def test_news_say_what_is_new_and_what_is_not(sample):
    news = sample.news
    assert set(news["invoice"]) == {"K2601", "K2602", "K2601 + K2602", "K2603"}
    assert not (news["what"] == "billed volume too low").any(), "the estimate was made good"
    high = news[(news["invoice"] == "K2603") & (news["what"] == "billed volume too high")]
    assert high["before"].iloc[0].startswith("also in K2504")


def test_savings_are_the_claim_and_are_ranked_by_what_can_be_counted_on(whole, sample):
    savings = sample.savings
    once = savings[savings["kind"] == "once"]
    assert once["amount_mean"].sum() == pytest.approx(whole.claim["by_the_rules"].sum(), abs=0.005)
    assert list(savings["amount_low"]) == sorted(savings["amount_low"], reverse=True)
    assert "K2602" in set(once["invoices"]), "a run of estimates is one claim, on its true-up"
    assert "K2601" not in " ".join(once["invoices"])
    basis = savings[savings["what"].str.startswith("Billing on the discharge")].iloc[0]
    days = sample.table["days"].sum()
    expected = whole.basis["amount_mean"] * 365.25 / days
    assert basis["amount_mean"] == pytest.approx(expected, rel=1e-9)
    assert basis["amount_low"] < expected < basis["amount_high"]


def test_a_basis_in_favour_of_the_site_is_no_saving(tmp_path):
    """The first months of the sample, as if the schedule billed half of the net intake."""
    source = sample_case().parent
    shutil.copytree(source, tmp_path / "bills")
    shutil.copytree(source.parent / "sample_logs", tmp_path / "sample_logs")
    for name in ("case.toml", "rates.toml"):
        file = tmp_path / "bills" / name
        text = re.sub(r"(?m)^return_factor = [^#\n]*", "return_factor = 0.5 ", file.read_text())
        file.write_text(text)
    savings = review(audit(load_case(tmp_path / "bills"), draws=300, seed=1)).savings
    assert not savings["what"].str.startswith("Billing on the discharge").any()


def test_a_return_factor_that_may_stand_for_a_use_is_not_credited_twice(whole, sample):
    assert not sample.savings["what"].str.startswith("Credit for").any()
    hotel = review(looked_at("manning", draws=500))
    rows = hotel.savings.set_index("what")
    gardens, basis = rows.loc["Credit for gardens"], rows.loc[rows.index.str.startswith("Billing")]
    assert 0 < gardens["amount_mean"] < 1.1 * basis["amount_mean"].iloc[0]


def test_actions_leave_owner_and_date_blank(sample):
    assert (sample.actions[["owner", "date"]] == "").all(axis=None)
    assert sample.actions["action"].is_unique and len(sample.actions) > 5
    assert not sample.actions["action"].str.contains("estimated read of").any()


def test_the_forecast_prices_what_it_foresees(whole, sample):
    made = sample.forecast
    assert made["quarter"] == "2026Q2" and made["made"] and made["count"] == 4
    for name in ("discharge", "charged"):
        volume, cost = made[f"{name}_m3"], made[f"cost_{name}"]
        assert volume["low"] < volume["middle"] < volume["high"]
        kgal = volume["middle"] / 3.785411784  # exact by definition of the US gallon
        by_hand = (3 * 193.85 + kgal * 7.58) * 1.045  # the leaflet of 2026
        assert cost["middle"] == pytest.approx(by_hand, rel=2e-4)
    assert "billed_m3" not in made, "what was billed wrongly is no ground for a forecast"


def test_findings_hold_the_review_and_the_audit(sample, whole):
    found = sample.findings()
    assert found["total"] == whole.findings()["total"]
    assert found["review"]["quarter"] == "2026Q1"
    text = json.dumps(found, allow_nan=False)
    assert text == json.dumps(review(whole, "2026q1").findings(), allow_nan=False)


@pytest.mark.parametrize(
    ("quarter", "words"), [("2031Q1", "holds no invoice"), ("spring", "cannot be read")]
)
def test_other_quarters_are_refused(whole, quarter, words):
    with pytest.raises(InputRefused, match=f"{words}.*2026Q1"):
        review(whole, quarter)


def test_an_earlier_quarter_does_not_see_later_ones(whole):
    early = review(whole, "2025Q3")
    assert list(early.places) == ["2025Q2", "2025Q3"]
    assert early.limits is None and not early.forecast["made"]
    assert any("control limits" in note for note in early.notes)
    assert set(early.savings["invoices"]) <= {"", "K2505", "K2506", "K2507, K2508, K2509"}


def test_a_review_looks_back_as_far_as_asked(whole, sample):
    short = review(whole, "2026Q1", back=1)
    assert list(short.places) == ["2025Q4", "2026Q1"]
    assert short.row["billed_m3"] == sample.row["billed_m3"]
    assert short.limits is None and "K2506" not in " ".join(short.savings["invoices"])


def partial(folder, *tables):
    """The sample without some of its tables."""
    source = sample_case().parent
    shutil.copytree(source, folder / "bills", ignore=shutil.ignore_patterns("a*", "man*"))
    shutil.copytree(source.parent / "sample_logs", folder / "sample_logs")
    case = folder / "bills" / "case.toml"
    parts = re.split(r"\n(?=\[)", case.read_text())
    kept = [p for p in parts if re.match(rf"\[+({'|'.join(tables)})\b", p) is None]
    case.write_text("\n".join(kept))
    return case


@pytest.mark.parametrize("left_out", ["effluent", "rates", "effluent intake use rates"])
def test_partial_evidence_is_reviewed_as_far_as_it_goes(tmp_path, left_out):
    result = review(audit(load_case(partial(tmp_path, *left_out.split())), draws=500, seed=1))
    assert result.table["billed_m3"].notna().all()
    assert result.forecast["made"] or result.forecast["why"]
    json.dumps(result.findings(), allow_nan=False)


def test_strength_surcharges_are_summed_by_quarter(whole, sample):
    """Two invoices a quarter carry a surcharge of 12.50 and 20.00, due are 10.00 and 20.00."""
    assert sample.strengths.empty, "the sample's schedule has no strength charge"
    schedule = whole.pricing.schedule
    surcharge = StrengthBands(
        name="strength surcharge",
        kind="strength bands",
        parameter="BOD",
        threshold=250,
        volume="sewer",
        unit="kgal",
        rate="0.02",
        band=100,
    )
    latest = schedule.version[-1]
    versions = (
        *schedule.version[:-1],
        latest.model_copy(update={"charge": (*latest.charge, surcharge)}),
    )
    names = [whole.invoices["invoice"][k] for rows in sample.places.values() for k in rows[:2]]
    lines = pd.DataFrame(
        {
            "invoice": names,
            "line": "strength surcharge",
            "invoiced": [Decimal("12.50"), Decimal("20.00")] * 4,
            "by_the_rules": [Decimal("10.00"), Decimal("20.00")] * 4,
        }
    )
    pricing = replace(
        whole.pricing,
        lines=pd.concat([whole.pricing.lines, lines]),
        schedule=schedule.model_copy(update={"version": versions}),
        bills=tuple(
            replace(bill, facts=bill.facts.but(strengths={"BOD": Decimal(300)}))
            for bill in whole.pricing.bills
        ),
    )
    table = review(replace(whole, pricing=pricing)).strengths
    assert list(table["quarter"]) == list(sample.places)
    assert list(table["invoiced"]) == [32.5] * 4 and list(table["by_the_rules"]) == [30.0] * 4
    assert table["share_of_cost"].to_numpy() == pytest.approx(
        32.5 / sample.table["invoiced_total"].to_numpy()
    )
