"""Values that are no measurement, and values that only look like none: told apart by the record."""

import numpy as np
import pandas as pd
import pytest

from sewer_audit import audit, load_case

UNDECIDED = "cannot be decided from this evidence"
CASE = """
[case]
title = "A dye works"
time_zone = "UTC"
basis = "discharge"
[invoices]
file = "bills.csv"
volume_unit = "m3"
end_day_counts = false
[effluent]
file = "log.csv"
{keys}
"""
FLOW = (
    'method = "full pipe meter"\n'
    'columns = {{ time = "t", flow = {{ name = "x", unit = "L/s" }} {more}}}'
)
HEAD = (
    'method = "parshall flume"\nthroat = "6 in"\n'
    'columns = { time = "t", head = { name = "x", unit = "mm" } }'
)


@pytest.fixture
def site(tmp_path):
    """Two months of values, one invoice each, billed as given [m3]."""

    def go(values, step, bills=(5000, 5000), keys=None, **others):
        time = pd.date_range("2026-01-01", periods=len(values), freq=f"{step}s")
        frame = pd.DataFrame({"t": time.strftime("%Y-%m-%d %H:%M:%S"), "x": values, **others})
        frame.to_csv(tmp_path / "log.csv", index=False)
        (tmp_path / "bills.csv").write_text(
            "invoice,start,end,billed_volume,total\n"
            f"A,2026-01-01,2026-02-01,{bills[0]},1\nB,2026-02-01,2026-03-01,{bills[1]},1\n"
        )
        keys = FLOW.format(more="") if keys is None else keys
        (tmp_path / "case.toml").write_text(CASE.format(keys=keys))
        return audit(load_case(tmp_path), draws=400)

    return go


def course(step, days=60, level=2.0, seed=1):
    """Flow of a site that works day and night [L/s]."""
    rng = np.random.default_rng(seed)
    hours = np.arange(days * 86400 // step) * step / 3600
    return np.round(level * (1 + 0.3 * np.sin(hours / 3.8)) + rng.normal(0, 0.02, len(hours)), 2)


def codes(result, severity=None):
    return {f.code for f in result.flags if severity in (None, str(f.severity))}


@pytest.mark.parametrize(("on", "off"), [(2, 2), (1, 2), (4, 7)])
def test_zeros_of_a_pump_are_flow_of_nothing(site, on, off):
    flow = np.where(np.arange(60 * 288) % (on + off) < on, 6.0, 0.0)
    result = site(flow, 300)
    true = 6.0 * on / (on + off) * 31 * 86.4
    assert result.invoices["effluent_mean"][0] == pytest.approx(true, rel=0.01)
    assert not codes(result, "stops verdict")


def test_a_few_zeros_written_for_missing_are_still_rejected(site):
    flow = course(900)
    clean = site(flow, 900).invoices["effluent_mean"].to_numpy()
    flow[np.random.default_rng(2).integers(10, 5700, 12)] = 0.0
    result = site(flow, 900)
    assert result.invoices["effluent_mean"].to_numpy() == pytest.approx(clean, rel=2e-3)
    assert (result.invoices["record_coverage"] < 1).all()


def test_many_zeros_without_a_pattern_decide_nothing(site):
    """Eight in a hundred at random: rejected or kept, the volume differs by more than the rule."""
    flow = course(900)
    flow[np.random.default_rng(3).random(len(flow)) < 0.08] = 0.0
    result = site(flow, 900)
    assert "held back decides" in codes(result, "stops verdict")
    assert set(result.invoices["finding"]) == {UNDECIDED}
    told = next(f for f in result.flags if f.code == "held back").data
    assert told["without_m3"] > 1.05 * told["with_m3"]


def test_twelve_days_without_water_at_a_site_that_never_rests(site):
    flow = course(900)
    flow[10 * 96 : 22 * 96] = 0.0
    result = site(flow, 900, bills=(5400, 6000))
    assert result.invoices["finding"].tolist() == [UNDECIDED, "billed volume too high"]
    assert np.isnan(result.invoices["effluent_mean"][0])


def test_weekends_without_water_are_the_sites_own(site):
    day = np.arange(60 * 96) // 96 % 7
    flow = np.where((day == 2) | (day == 3), 0.0, course(900))
    result = site(flow, 900)
    assert "dry-or-dead" not in codes(result)
    assert result.invoices["effluent_mean"].notna().all()


def test_a_record_of_nothing_measures_nothing(site):
    result = site(np.zeros(60 * 96), 900)
    assert set(result.invoices["finding"]) == {UNDECIDED} and "dry-or-dead" in codes(result)


def test_spikes_in_a_record_of_flow_are_rejected_and_told(site):
    flow = course(300)
    clean = site(flow, 300).invoices["effluent_mean"].to_numpy()
    flow[np.random.default_rng(4).integers(20, 17_000, 50)] = 350.0
    result = site(flow, 300)
    assert result.invoices["effluent_mean"].to_numpy() == pytest.approx(clean, rel=2e-3)
    assert "screening: spike" in codes(result)


def test_a_rinse_at_six_every_morning_is_no_spike(site):
    flow = course(300)
    flow[72::288] += 9.0
    result = site(flow, 300)
    true = float(flow[: 31 * 288].sum()) * 0.3  # the rinses are 1.5 % of it
    assert result.invoices["effluent_mean"][0] == pytest.approx(true, rel=5e-3)


@pytest.mark.parametrize("start", [0, 22])
def test_a_value_held_for_hours_is_uncovered_time(site, start):
    flow = course(900)
    for day in range(3, 50, 4):
        flow[day * 96 + 4 * start : day * 96 + 4 * start + 24] = flow[day * 96 + 4 * start]
    result = site(flow, 900)
    rejected = (result.inputs.logger.frame["reason"] == "flat line").sum()
    assert 12 * 23 <= rejected <= 12 * 26
    assert result.invoices["record_coverage"][0] < 0.95


def test_a_stuck_last_digit_is_held_too(site):
    flow = course(900)
    stuck = slice(20 * 96, 26 * 96)
    flow[stuck] = flow[20 * 96] + np.random.default_rng(5).choice([0.0, 0.01], 6 * 96)
    result = site(flow, 900)
    assert result.invoices["record_coverage"][0] < 0.85


def test_heads_above_the_published_limit_carry_no_verdict(site):
    head = 600 + course(900, level=10.0)  # a 6 in flume is published to 457 mm
    result = site(np.round(head, 1), 900, keys=HEAD)
    assert "above-published-limit" in codes(result, "stops verdict")
    assert set(result.invoices["finding"]) == {UNDECIDED}


def test_a_flow_that_runs_backwards_carries_no_verdict(site):
    keys = FLOW.format(more="") + '\n[effluent.screening]\n"out of range" = "off"\n'
    result = site(-course(900), 900, keys=keys)
    assert "effluent-below-zero" in codes(result, "stops verdict")
    assert set(result.invoices["finding"]) == {UNDECIDED}
