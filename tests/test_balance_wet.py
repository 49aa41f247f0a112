"""Rain in the monitored line, found again in simulated days."""

from __future__ import annotations

import numpy as np
import pytest

from sewer_audit.balance import wet_weather
from sewer_audit.errors import AuditError


def days(seed: int, area: float, count: int = 240):
    """Daily volumes with 0.6 of the inflow on the day of the rain and 0.4 on the next."""
    random = np.random.default_rng(seed)
    rain = np.where(random.uniform(size=count) < 0.25, random.exponential(0.01, count), 0.0)
    noise = np.zeros(count)
    for day in range(1, count):
        noise[day] = 0.5 * noise[day - 1] + random.normal(0, 2.0)
    intake = 100 + 10 * random.normal(size=count)
    inflow = area * (0.6 * rain + 0.4 * np.concatenate([[0.0], rain[:-1]]))
    return intake + 3.0 + inflow + noise, intake, rain, inflow


def test_area_and_daily_inflow_are_found():
    effluent, intake, rain, inflow = days(1, 1500.0)
    found = wet_weather(effluent, intake, rain)
    assert found.area_m2 == pytest.approx(1500, abs=3 * found.standard_m2)
    assert found.dry_excess_m3 == pytest.approx(3.0, abs=1.5)
    assert found.excess_m3.sum() == pytest.approx(inflow.sum(), rel=0.1)
    assert found.relative_standard < 0.1
    assert not found.flags


def test_stated_uncertainty_covers_the_area():
    """Simulation: about 95 % of the areas lie within 1.96 standard uncertainties."""
    errors = []
    for seed in range(200):
        found = wet_weather(*days(seed, 800.0)[:3])
        errors.append((found.area_m2 - 800.0) / found.standard_m2)
    assert np.mean(np.abs(errors) < 1.96) == pytest.approx(0.95, abs=0.05)


def test_no_rain_in_the_line_says_so():
    found = wet_weather(*days(4, 0.0)[:3])
    assert abs(found.area_m2) < 3 * found.standard_m2
    silent = [wet_weather(*days(seed, 0.0)[:3]).flags for seed in range(40)]
    shown = sum(any(flag.code == "no-rain-response" for flag in flags) for flags in silent)
    assert shown >= 34


def test_days_without_a_volume_are_left_out():
    effluent, intake, rain, _ = days(1, 1500.0)
    effluent[50:70] = np.nan
    found = wet_weather(effluent, intake, rain)
    assert found.area_m2 == pytest.approx(1500, abs=3 * found.standard_m2)
    assert np.isfinite(found.excess_m3).all()


def test_few_wet_days_are_flagged():
    effluent, intake, rain, _ = days(3, 1500.0)
    rain[40:] = 0.0
    effluent[40:] = intake[40:] + 3.0
    effluent += np.random.default_rng(0).normal(0, 0.1, len(rain))
    rain[np.flatnonzero(rain > 0)[5:]] = 0.0
    assert "few-wet-days" in {flag.code for flag in wet_weather(effluent, intake, rain).flags}


@pytest.mark.parametrize(
    ("rain", "text"),
    [
        (np.full(30, np.nan), "a dry day is 0"),
        (np.zeros(30), "too few"),
        (np.zeros(29), "same days"),
    ],
)
def test_what_cannot_be_fitted_is_refused(rain, text):
    with pytest.raises(AuditError, match=text):
        wet_weather(np.ones(30), np.ones(30), rain)
