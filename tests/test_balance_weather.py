"""Inflow from rain, found in the record of a simulated line: half-hourly flow, weekly reads."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sewer_audit import audit, load_case
from sewer_audit.auditing.judgement.observed import observations_of
from sewer_audit.auditing.volumes.weather import wet_excess
from sewer_audit.effluent import DischargeSeries, Periods

AREA = 1500.0
DAYS = 150


@pytest.fixture(scope="module")
def world():
    """Discharge of a plant, and of a roof of 1500 m2 that drains within a few hours."""
    random = np.random.default_rng(12)
    hours = pd.date_range("2026-01-01", periods=DAYS * 24, freq="h", tz="America/Chicago")
    use = (
        3.0
        * (1 + 0.5 * np.sin(2 * np.pi * hours.hour / 24))
        * np.exp(np.repeat(random.normal(0, 0.05, DAYS), 24)[: len(hours)])
    )  # m3/h
    rain = np.where(
        random.uniform(size=len(hours)) < 0.02, random.exponential(0.004, len(hours)), 0
    )
    slow = np.convolve(rain, [0.5, 0.3, 0.2])[: len(hours)]
    flow = use + AREA * slow + 0.4  # and steady ground water of 0.4 m3/h
    epoch = hours[0].tz_convert("UTC")
    seconds = np.asarray((hours - hours[0]) / pd.Timedelta(seconds=1), dtype=float)
    time = np.arange(900.0, seconds[-1], 1800.0)
    series = DischargeSeries(
        "log", epoch, time, np.zeros(len(time)), 1.0,
        np.interp(time, seconds + 1800, flow) / 3600, None, None, 293.15, {}, (),
    )  # fmt: skip
    total = np.concatenate([[0.0], np.cumsum(use)])
    edges = pd.date_range(hours[0], periods=len(hours) + 1, freq="h")
    reads = pd.DataFrame({"time": edges[::72].tz_convert("UTC"), "volume_m3": total[::72]})
    fallen = pd.Series(rain, index=hours.tz_convert("UTC"))
    starts = pd.DatetimeIndex([hours[24 * k] for k in (5, 40, 80)]).tz_convert("UTC")
    ends = pd.DatetimeIndex([hours[24 * k] for k in (40, 80, 120)]).tz_convert("UTC")
    periods = Periods(("A", "B", "C"), starts, ends, "America/Chicago")
    truth = AREA * np.array(
        [slow[24 * a : 24 * b].sum() for a, b in ((5, 40), (40, 80), (80, 120))]
    )
    return series, reads, fallen, periods, truth


def test_drained_area_and_inflow_are_found(world):
    series, reads, rain, periods, truth = world
    found, volumes = wet_excess(series, [reads], rain, periods)
    assert abs(found.area_m2 - AREA) < 3 * found.standard_m2
    assert found.standard_m2 < 0.15 * AREA
    assert found.dry_excess_m3 == pytest.approx(0.4 * 24, rel=0.25)  # the ground water
    assert volumes.sum() == pytest.approx(truth.sum(), rel=0.15)
    assert np.all(np.abs(volumes - truth) < 0.35 * truth.max())


def test_days_with_few_readings_are_left_out(world):
    series, reads, rain, periods, _ = world
    kept = (series.time // 86400) % 9 != 3
    thinned = DischargeSeries(
        series.name, series.epoch, series.time[kept], series.level[kept], 1.0,
        series.discharge[kept], None, None, 293.15, {}, (),
    )  # fmt: skip
    found, _ = wet_excess(thinned, [reads], rain, periods)
    assert abs(found.area_m2 - AREA) < 3 * found.standard_m2


CASE = """\
[case]
title = "Invented yard"
time_zone = "America/Chicago"
basis = "intake"

[invoices]
file = "invoices.csv"
volume_unit = "m3"
end_day_counts = false

[[intake]]
meter = "main"
file = "main.csv"
unit = "m3"
error = { standard = "1 %" }

[effluent]
file = "log.csv"
method = "full pipe meter"
longest_bridge = "2 h"

[effluent.columns]
time = "time"
flow = { name = "flow", unit = "m3/h" }
rain = { name = "rain", unit = "mm" }

[[inflow]]
name = "yard"
kind = "rain"
"""


@pytest.fixture(scope="module")
def yard(tmp_path_factory):
    """A case whose record holds the rain: two months of hourly flow from 1500 m2 and a plant."""
    folder = tmp_path_factory.mktemp("yard")
    random = np.random.default_rng(5)
    hours = pd.date_range("2026-01-01", "2026-03-02", freq="h")
    use = 3.0 * (1 + 0.5 * np.sin(2 * np.pi * hours.hour / 24)).to_numpy()
    storms = random.uniform(size=len(hours)) < 0.03
    rain = np.round(np.where(storms, random.exponential(4, len(hours)), 0), 2)
    slow = AREA / 1000 * np.convolve(rain, [0.5, 0.3, 0.2])[: len(hours)]
    rows = zip(hours, use + slow, rain, strict=True)
    lines = [f"{t:%Y-%m-%d %H:%M},{flow:.4f},{fell:.2f}" for t, flow, fell in rows]
    (folder / "log.csv").write_text("\n".join(["time,flow,rain", *lines]) + "\n")
    total = np.concatenate([[0.0], np.cumsum((use[1:] + use[:-1]) / 2)])
    reads = [f"{t:%Y-%m-%d %H:%M},{v:.2f}" for t, v in zip(hours[::24], total[::24], strict=True)]
    (folder / "main.csv").write_text("\n".join(["time,register", *reads]) + "\n")
    (folder / "invoices.csv").write_text(
        "invoice,start,end,billed_volume,total\n"
        "A,2026-01-01,2026-02-01,2232,1\nB,2026-02-01,2026-03-01,2016,1\n"
    )
    (folder / "case.toml").write_text(CASE)
    truth = [float(slow[hours.month == month].sum()) for month in (1, 2)]
    return folder, np.array(truth), rain


def test_rain_of_the_record_reaches_the_balance(yard):
    folder, truth, _ = yard
    result = audit(load_case(folder), draws=800)
    inflow = result.evidence.balance.components["yard"]
    assert inflow.mean(axis=0) == pytest.approx(truth, rel=0.2)
    assert np.all(np.abs(inflow.mean(axis=0) - truth) < 3 * inflow.std(axis=0))
    told = {flag.code: flag.message for flag in result.flags}
    assert "no independent check" in told["inflow-from-the-record"]
    assert result.evidence.reconciliation.agree


def test_stated_area_is_taken_as_stated(yard):
    folder, _, rain = yard
    text = CASE + 'area = "1500 m2"\nrunoff_share = 1\nerror = { standard = "0 %" }\n'
    (folder / "case.toml").write_text(text)
    result = audit(load_case(folder), draws=400)
    inflow = result.evidence.balance.components["yard"].mean(axis=0)
    fallen = AREA * rain[: 24 * 59].sum() / 1000
    assert inflow.sum() == pytest.approx(fallen, rel=1e-3)
    assert "inflow-from-the-record" not in {flag.code for flag in result.flags}


def test_without_any_inflow_named_the_explanations_find_the_rain(yard):
    folder, _, _ = yard
    (folder / "case.toml").write_text(CASE[: CASE.index("[[inflow]]")])
    result = audit(load_case(folder), draws=800)
    seen = observations_of(result.case, result.inputs, result.evidence, result.invoices)
    assert seen.rain_m is not None and seen.rain_m.sum() > 0
    assert "rain or ground water in the monitored line" in set(result.explanations["name"])
