"""Register reads to volumes of service periods, and how wrong the reading dates make them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sewer_audit.balance import as_periods, as_seconds, intake_volumes
from sewer_audit.balance.intake import day_variability
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Draws

DAY = 86400.0
HOUR = 3600.0
MONTHS = np.array([0.0, 31, 59, 90, 120]) * DAY


def test_reads_on_the_instants_are_exact():
    reads = np.array([0.0, 100.0, 250.0, 330.0, 410.0])
    result = intake_volumes(MONTHS, reads, MONTHS)
    assert result.volume_m3 == pytest.approx([100, 150, 80, 80])
    assert result.standard_m3 == pytest.approx(0, abs=1e-9)
    assert result.boundary_standard_m3.shape == (5,)


def test_bill_dates_share_a_bill_by_days():
    """Water Loss Control, p. 231 (AWWA M36): of 33.204 Mgal in 31 days, 10 days are 10.711."""
    reads = pd.to_datetime(["2005-12-11", "2006-01-11", "2006-02-11"]).tz_localize("UTC")
    result = intake_volumes(reads, [0.0, 33.204, 33.204 + 36.66], [reads[0] + pd.Timedelta("21D"),
                                                                  reads[1]])  # fmt: skip
    assert result.volume_m3[0] == pytest.approx(10.711, rel=1e-4)


def test_bridge_standard_between_two_reads():
    """Brownian bridge: half-way through n days it is s sqrt(n)/2, known at both ends."""
    step = np.array([0.0, 20.0, 40.0, 60.0, 80.0, 100.0]) * DAY
    register = np.cumsum([0.0, 100, 120, 100, 120, 100])
    deviation = day_variability(step, register)
    assert deviation == pytest.approx(np.sqrt(1.0**2 / (1 / 20 + 1 / 20)))
    result = intake_volumes(step, register, np.array([30.0, 40.0]) * DAY)
    hidden = 0.47 * 5.4  # of the mean day, 540 m3 in 100 days
    assert result.variability == pytest.approx(np.sqrt(deviation**2 + hidden**2))
    bridge = result.variability * np.sqrt(20) / 2
    assert result.boundary_standard_m3 == pytest.approx([bridge, 0.0])


def test_neighbours_lose_what_the_other_gains():
    """The error of a shared instant cancels from the sum of both periods."""
    step = np.arange(0.0, 130.0, 10.0) * DAY
    register = np.cumsum(np.r_[0, np.tile([100.0, 130.0, 80.0], 4)])
    result = intake_volumes(step, register, np.array([10.0, 45.0, 80.0]) * DAY)
    errors = result.errors(Draws(2000, 3), "meter")
    assert np.corrcoef(errors.T)[0, 1] == pytest.approx(-1.0)
    assert errors.sum(axis=1) == pytest.approx(0, abs=1e-9)
    assert errors.std(axis=0) == pytest.approx(result.standard_m3, rel=0.05)


def test_coverage_of_the_bridge_on_a_random_site():
    """Simulation: reads every 30 days, periods shifted by 8, days that know no week.

    The variability that the reads show gives about 95 %; with what they may hide it is more.
    """
    generator = np.random.default_rng(11)
    inside, stated = [], []
    for _ in range(60):
        daily = np.clip(50 + 12 * generator.standard_normal(721), 0, None)
        register = np.r_[0, np.cumsum(daily)]
        reads = np.arange(0, 721, 30)
        wanted = np.arange(8, 700, 30)
        result = intake_volumes(reads * DAY, register[reads], wanted * DAY)
        truth = np.diff(register[wanted])
        error = np.abs(result.volume_m3 - truth)
        shown = day_variability(reads * DAY, register[reads]) / result.variability
        inside.append(error <= 1.96 * shown * result.standard_m3)
        stated.append(error <= 1.96 * result.standard_m3)
    assert np.mean(inside) == pytest.approx(0.95, abs=0.03)
    assert np.mean(stated) >= np.mean(inside)


def weekly_site(rng: np.random.Generator, chance: float, weekend: float) -> np.ndarray:
    """Register at every hour of 420 days: less at weekends, a daily cycle, days that vary."""
    hour = np.arange(24 * 420)
    week = np.where((hour // 24) % 7 < 5, 1.0, weekend)
    cycle = 1 + 0.6 * np.sin(2 * np.pi * (hour % 24) / 24)
    return np.r_[0.0, np.cumsum(week * cycle * np.repeat(rng.lognormal(0, chance, 420), 24))]


def coverage_of_a_weekly_site(
    every: int, chance: float, apart: float, weekend: float = 0.2
) -> tuple[float, float]:
    """Share of twelve invoices of 60 sites inside 95 %: as stated, and by what the reads show."""
    rng, stated, shown = np.random.default_rng([17, every]), [], []
    for _ in range(60):
        register = weekly_site(rng, chance, weekend)
        hours = np.arange(len(register))
        reads = rng.uniform(30, 198) + 24.0 * np.arange(0, 395, every)
        reads += rng.uniform(-apart, apart, len(reads))
        ends = rng.uniform(240, 500) + 24.0 * np.r_[0, np.cumsum(rng.integers(28, 34, 11))]
        known = np.interp(reads, hours, register)
        result = intake_volumes(reads * HOUR, known, ends * HOUR)
        errors = result.errors(Draws(2000, int(rng.integers(10**6))), "main")
        low, high = np.percentile(errors, [2.5, 97.5], axis=0)
        wrong = result.volume_m3 - np.diff(np.interp(ends, hours, register))
        part = day_variability(reads * HOUR, known) / result.variability
        stated.append((low <= wrong) & (wrong <= high))
        shown.append((low * part <= wrong) & (wrong <= high * part))
    return float(np.mean(stated)), float(np.mean(shown))


@pytest.mark.parametrize("apart", [0.0, 30.0], ids=["same weekday", "30 h about it"])
@pytest.mark.parametrize("chance", [0.1, 0.2, 0.4])
@pytest.mark.parametrize("every", [7, 30])
def test_coverage_on_a_site_nearly_idle_at_weekends(every, chance, apart):
    """Simulation: the truth is an hourly record; reads a week or a month apart hide the week.

    What the reads show is too little for the stated coverage, all the more the steadier the days.
    """
    stated, shown = coverage_of_a_weekly_site(every, chance, apart)
    assert 0.92 <= stated <= 1.0
    assert shown < stated
    if chance < 0.2:
        assert shown < 0.92


@pytest.mark.parametrize("chance", [0.1, 0.2, 0.4])
def test_limit_of_what_reads_may_hide(chance):
    """A site that stands still at weekends, read on one weekday, is covered a little too seldom."""
    assert 0.87 <= coverage_of_a_weekly_site(7, chance, 0.0, weekend=0.0)[0] <= 0.95
    assert coverage_of_a_weekly_site(30, chance, 0.0, weekend=0.0)[0] >= 0.92


def test_one_count_of_the_register_is_rectangular():
    """JCGM 100:2008, F.2.2.1: a resolution of d has a standard uncertainty of d / sqrt(12)."""
    result = intake_volumes(MONTHS, np.array([0.0, 31, 59, 90, 120]), MONTHS, resolution_m3=1.0)
    assert result.boundary_standard_m3 == pytest.approx(1 / np.sqrt(12))
    assert result.standard_m3 == pytest.approx(np.sqrt(2 / 12))


def test_order_of_periods_and_gaps_between_them_are_kept():
    table = pd.DataFrame(
        {
            "start": pd.to_datetime(["1970-03-01", "1970-01-01"]).tz_localize("UTC"),
            "end": pd.to_datetime(["1970-04-01", "1970-02-01"]).tz_localize("UTC"),
        }
    )
    result = intake_volumes(MONTHS, [0.0, 100.0, 250.0, 330.0, 410.0], table)
    assert result.volume_m3 == pytest.approx([80.0, 100.0])
    assert as_periods(table).days == pytest.approx([31.0, 31.0])


def test_a_period_beyond_the_reads_is_carried_on_or_left_out():
    register = np.array([0.0, 35, 59, 90, 120])
    near = intake_volumes(MONTHS, register, np.array([90.0, 122.0]) * DAY)
    assert near.volume_m3 == pytest.approx([32.0])
    assert near.standard_m3[0] > 0
    assert "reads-carried-on" in {flag.code for flag in near.flags}
    far = intake_volumes(MONTHS, register, np.array([90.0, 120.0, 200.0]) * DAY)
    assert far.volume_m3[0] == pytest.approx(30.0) and np.isnan(far.volume_m3[1])
    assert [flag.severity for flag in far.flags if flag.code == "reads-missing"] == [
        "stops verdict"
    ]


def test_a_falling_register_stops_the_verdict():
    result = intake_volumes(MONTHS, [0.0, 100.0, 90.0, 330.0, 410.0], MONTHS)
    assert {"register-falls"} <= {f.code for f in result.flags if f.severity == "stops verdict"}


def test_few_reads_assume_a_variability_and_say_so():
    result = intake_volumes([0.0, 60 * DAY], [0.0, 600.0], np.array([0.0, 30.0, 60.0]) * DAY)
    assert result.variability == pytest.approx(10 * np.hypot(0.3, 0.47))  # of 10 m3 in a day
    assert any("56 % of the mean day" in flag.message for flag in result.flags)


def test_rejected_reads_are_left_out_and_bad_input_refused():
    times, register = [0.0, DAY, 2 * DAY], [0.0, np.nan, 20.0]
    assert intake_volumes(times, register, [0.0, 2 * DAY]).volume_m3 == pytest.approx([20.0])
    with pytest.raises(AuditError, match="main: 1 usable reads"):
        intake_volumes([0.0], [1.0], [0.0, DAY], meter="main")
    with pytest.raises(AuditError, match="not in order of time"):
        intake_volumes([DAY, 0.0], [1.0, 2.0], [0.0, DAY])
    with pytest.raises(AuditError, match="period 2 does not end after its start"):
        as_periods(np.array([[0.0, DAY], [DAY, DAY]]))
    with pytest.raises(AuditError, match="no service periods"):
        as_periods(np.array([0.0]))


def test_instants_with_and_without_zone():
    naive = np.array(["1970-01-02"], dtype="datetime64[us]")
    zoned = pd.Series(pd.to_datetime(["1970-01-02"]).tz_localize("America/Chicago"))
    assert as_seconds(naive) == pytest.approx([DAY])
    assert as_seconds(zoned) == pytest.approx([DAY + 6 * 3600])
