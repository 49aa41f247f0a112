"""Inflow from rain, found in the record of a simulated line: half-hourly flow, weekly reads."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from toolkit.auditing.weather import wet_excess
from toolkit.effluent import DischargeSeries, Periods

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
