"""Time integration and gaps: cases solvable by hand, conservation, hold-out errors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sewer_audit.effluent.integrate import find_gaps, stretches, trapezoid_weights
from sewer_audit.effluent.readings.gaps import fill_gap, hold_out_error, hourly_record


def volume(time, flow, start, end, bridge=1e9):
    first, weights = trapezoid_weights(time, start, end, bridge)
    return float(weights @ flow[first : first + len(weights)])


def test_straight_line_integrates_exactly():
    """q = 2 t from 1 to 4 is 16 - 1 = 15, by hand, though no reading stands at 1 or 4."""
    time = np.array([0.0, 0.5, 3.0, 7.0])
    assert volume(time, 2 * time, 1.0, 4.0) == pytest.approx(15.0, rel=1e-14)


def test_weights_carry_exactly_the_span():
    time = np.array([0.0, 10.0, 25.0, 40.0])
    _, weights = trapezoid_weights(time, 3.0, 33.0, 1e9)
    assert weights.sum() == pytest.approx(30.0, rel=1e-14)
    assert (weights >= 0).all()


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.floats(0.01, 5000), min_size=2, max_size=40),
    st.floats(0, 1),
    st.floats(0, 1),
    st.integers(0, 2**32 - 1),
)
def test_splitting_a_span_keeps_its_volume(steps, one, other, seed):
    """Conservation: over any cut the parts add up to the whole."""
    time = np.concatenate([[0.0], np.cumsum(steps)])
    flow = np.random.default_rng(seed).uniform(0, 1, len(time))
    low, high = sorted((one * time[-1], other * time[-1]))
    parts = sum(volume(time, flow, a, b) for a, b in ((0, low), (low, high), (high, time[-1])))
    assert parts == pytest.approx(np.trapezoid(flow, time), rel=1e-9, abs=1e-9)


def test_a_long_gap_is_not_bridged():
    time = np.array([0.0, 60.0, 120.0, 7200.0, 7260.0])
    flow = np.ones(5)
    assert volume(time, flow, 0.0, 7260.0, bridge=1800.0) == pytest.approx(180.0)
    gaps = find_gaps(time, 0.0, 7260.0, 1800.0)
    assert gaps.tolist() == [[120.0, 7200.0]]


def test_covered_time_and_gaps_make_up_the_period():
    rng = np.random.default_rng(4)
    time = np.cumsum(rng.choice([300.0, 300.0, 300.0, 9000.0], 500))
    start, end = time[0] - 5000.0, time[-1] + 7000.0
    _, weights = trapezoid_weights(time, start, end, 1800.0)
    gaps = find_gaps(time, start, end, 1800.0)
    assert weights.sum() + (gaps[:, 1] - gaps[:, 0]).sum() == pytest.approx(end - start)


def test_stretches_cut_at_periods_and_visits():
    time = np.arange(0.0, 1001.0, 10.0)
    pieces = stretches(time, np.array([[0.0, 495.0], [495.0, 1000.0]]), np.array([203.0]), 60.0)
    assert [(p.period, p.interval) for p in pieces] == [(0, 0), (0, 1), (1, 1)]
    assert [p.covered for p in pieces] == pytest.approx([203.0, 292.0, 505.0])


def weekly_record(weeks=8, noise=0.0, seed=1):
    time = np.arange(0.0, weeks * 7 * 86400.0, 300.0)
    hour = (time // 3600).astype(int)
    usual = 2.0 + np.sin(2 * np.pi * hour / 24) + 0.5 * ((hour // 24) % 7 < 5)
    flow = usual * (1 + noise * np.random.default_rng(seed).standard_normal(len(time)))
    hours = int(np.ceil(time[-1] / 3600))
    return time, flow, np.arange(hours) % 168


def test_a_gap_in_a_perfect_week_is_filled_exactly():
    time, flow, bins = weekly_record()
    start, end = 20 * 86400.0, 21.5 * 86400.0
    keep = (time <= start) | (time >= end)
    record = hourly_record(time[keep], flow[keep], 1800.0, bins)
    assert fill_gap(record, start, end) == pytest.approx(volume(time, flow, start, end), rel=2e-3)
    assert hold_out_error(record, end - start) < 0.01 * fill_gap(record, start, end)


def test_the_hold_out_error_is_the_error_of_filling():
    """Days that vary by 10 % leave about that error in a one-day gap."""
    rng = np.random.default_rng(7)
    time, flow, bins = weekly_record(30)
    flow = flow * (1 + 0.10 * rng.standard_normal(30 * 7))[(time // 86400).astype(int)]
    record = hourly_record(time, flow, 1800.0, bins)
    relative = hold_out_error(record, 86400.0) / (86400.0 * flow.mean())
    assert 0.07 < relative < 0.20


def test_the_scale_follows_the_neighbourhood():
    time, flow, bins = weekly_record()
    flow = np.where(time > 28 * 86400.0, 1.3 * flow, flow)
    start, end = 40 * 86400.0, 40.5 * 86400.0
    keep = (time <= start) | (time >= end)
    record = hourly_record(time[keep], flow[keep], 1800.0, bins)
    # the hours of the gap are missing from its own pattern, so 2 % is what eight weeks allow
    assert fill_gap(record, start, end) == pytest.approx(volume(time, flow, start, end), rel=0.025)
