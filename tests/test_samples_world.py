"""The invented worlds behind the samples are sound in themselves, without the toolkit."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from make_samples import truth
from samples import creamery_instruments as instruments
from samples import creamery_world as creamery
from samples import hotel, laundry, physics
from samples.creamery_bills import kgal

HERE = Path(__file__).parent
SOURCES = [HERE / "make_samples.py", *sorted((HERE / "samples").glob("*.py"))]


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.name)
def test_truth_does_not_import_the_toolkit(path):
    names = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom):
            names.add((node.module or "").split(".")[0])
        elif isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
    assert "sewer_audit" not in names


def test_truth_does_not_reach_the_toolkit_by_detours():
    code = (
        "import sys, make_samples; sys.exit(any(m.startswith('sewer_audit') for m in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], cwd=HERE, check=False).returncode == 0


def test_parshall_six_inch_at_three_inches():
    """Common practice, no source: 103.4 gpm at 3 in of head."""
    gpm = physics.parshall_6_in_discharge(3 * physics.INCH) / physics.GALLON * 60
    assert gpm == pytest.approx(103.4, abs=0.05)


def test_speed_of_sound():
    """US Standard Atmosphere 1976, as a general library prints it: 331.319 and 340.294 m/s."""
    assert physics.speed_of_sound([0.0, 15.0]) == pytest.approx([331.319, 340.294], rel=2e-4)


def test_head_and_discharge_are_inverse():
    flow = np.array([0.002, 0.01, 0.05])
    head = physics.parshall_6_in_head(flow)
    assert physics.parshall_6_in_discharge(head) == pytest.approx(flow, rel=1e-12)
    depth = physics.depth_of_discharge(flow, 0.3, 0.01, 0.013)
    assert physics.manning_discharge(depth, 0.3, 0.01, 0.013) == pytest.approx(flow, rel=1e-5)


def test_echo_goes_there_and_back():
    """By hand: 0.5 m at 0 degC is 1 m of air at 331.3 m/s, 3.0184 ms; damp air is faster."""
    assert 1e3 * physics.echo_time(0.5, 0.0) == pytest.approx(3.0184 / 1.00096, abs=5e-5)


def test_round_pipe():
    """Geometry: half of the circle at half depth, all of it when full or surcharged."""
    full = np.pi * 0.4**2 / 4
    assert physics.wetted_area([0.0, 0.2, 0.4, 0.9], 0.4) == pytest.approx(
        [0, full / 2, full, full]
    )


def test_creamery_balance_closes_over_every_period():
    year = creamery.world()
    for span in creamery.periods():
        parts = [
            year.minutes.between(rate, *span) for rate in (year.effluent, year.tower, year.product)
        ]
        assert year.minutes.between(year.intake, *span) == pytest.approx(sum(parts), rel=1e-12)


def test_periods_sum_to_the_year():
    year, spans = creamery.world(), creamery.periods()
    whole = year.minutes.between(year.effluent, spans[0][0], spans[-1][1])
    assert truth().total == pytest.approx(whole, rel=1e-12)
    assert len(truth().effluent) == 12


def test_period_lengths_are_irregular_and_cover_both_clock_changes():
    minutes = creamery.world().minutes
    hours = [(minutes.at(end) - minutes.at(start)) / 60 for start, end in creamery.periods()]
    days = [hour / 24 for hour in hours]
    assert 27.9 < min(days) and max(days) < 33.1 and len(set(days)) >= 5
    odd = [hour % 24 for hour in hours if hour % 24]
    assert odd == [1, 23]  # the hour gained in November, the hour lost in March


def test_share_that_reaches_the_sewer_is_below_the_return_factor():
    """The town takes 90 % of the net intake; in truth it is about 80 %."""
    year, spans = creamery.world(), creamery.periods()
    start, end = spans[0][0], spans[-1][1]
    net = year.minutes.between(year.intake - year.tower, start, end)
    assert 0.77 < truth().total / net < 0.81


def test_true_product_share_lies_within_what_the_case_states():
    """The case states 19 %, standard uncertainty 1 %."""
    year, spans = creamery.world(), creamery.periods()
    for start, end in [(spans[0][0], spans[-1][1]), *spans]:
        water = [year.minutes.between(rate, start, end) for rate in (year.product, year.intake)]
        assert abs(water[0] / water[1] - 0.19) < 0.02


def test_metered_balance_agrees_with_the_truth():
    """Registers less 19 %: within two standard uncertainties, written out by hand.

    Of the intake I: main meter 1 % of 0.81 I, product 1 % of I; tower meter 1.5 % of the tower T.
    """
    year, spans = creamery.world(), creamery.periods()
    start, end = spans[0][0], spans[-1][1]
    counts = {
        name: (meter.at(end) - meter.at(start)) * unit
        for name, meter, unit in (
            ("main", instruments.main_meter(), 100 * physics.GALLON),
            ("tower", instruments.tower_meter(), 10 * physics.CUBIC_FOOT),
        )
    }
    main = counts["main"] + 10**6 * 100 * physics.GALLON  # it rolled over once
    balance = 0.81 * main - counts["tower"]
    spread = np.hypot(np.hypot(0.01 * 0.81 * main, 0.01 * main), 0.015 * counts["tower"])
    assert abs(balance - truth().total) < 2 * spread
    assert year.minutes.between(year.intake, start, end) == pytest.approx(main, rel=0.03)


def test_heads_lie_in_the_range_of_the_flume():
    """6 in Parshall flume: 0.03 to 0.45 m (from memory: Bos 1989, Table 7.4)."""
    year = creamery.world()
    secrets = year.secrets
    head = physics.parshall_6_in_head(year.effluent, secrets.flume_scale, secrets.flume_exponent)
    assert np.mean((head > 0.03) & (head < 0.45)) > 0.999
    assert 0.07 < np.median(head) < 0.13


def test_zero_error_is_a_few_millimetres_and_visits_show_it():
    log = instruments.level_log()
    assert 1e-3 < np.abs(log.zero_error).max() < 10e-3
    year = creamery.world()
    error = log.zero_error + instruments.air_head_error(year)
    after_moves = sum(visit.rezeroed for visit in log.visits)
    assert 1 <= after_moves < len(log.visits)
    for visit in log.visits:
        found = (float(visit.instrument[:-3]) - float(visit.hand[:-3])) * physics.INCH
        before = error[year.minutes.at(visit.time) - 1]
        assert abs(found - before) < 4e-3  # ruler 0.9 mm, rounding 0.4 mm, level at the time
        assert visit.rezeroed == (abs(found) > instruments.REZERO_BEYOND)


def test_laundry_sewer_is_surcharged_at_times_only():
    quarter = laundry.world()
    full = quarter.depth > laundry.DIAMETER
    assert 0.002 < full.mean() < 0.02
    area = physics.wetted_area(quarter.depth, laundry.DIAMETER)
    assert area * quarter.velocity == pytest.approx(quarter.discharge, rel=1e-12)


def test_hotel_balance_closes():
    quarter = hotel.world()
    assert quarter.intake * 0.985 - quarter.garden * 0.985 == pytest.approx(quarter.discharge)
    for name, volume in truth("manning").effluent.items():
        assert volume < truth("manning").intake[name] * 0.8


def test_each_sample_has_its_truth():
    assert list(truth("area_velocity").effluent) == ["P2510", "P2511", "P2512"]
    assert list(truth("manning").effluent) == ["O2506", "O2507", "O2508"]
    assert kgal(truth().total) == pytest.approx(82_000, rel=0.05)
