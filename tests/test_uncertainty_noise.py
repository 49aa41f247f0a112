"""Noise with a memory, noise already in the record, snapshots, gaps, Type A."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from second_opinions.uncertainty_noise import (
    noise_bias,
    noise_of_mean,
    relative_noise_bias,
    time_constant_of,
)
from second_opinions.uncertainty_noise_sums import WeightedStretch, noise_covariance
from second_opinions.uncertainty_sampling import gap_fill_standard, snapshot_standard
from second_opinions.uncertainty_type_a import fit_line, mean_of_readings
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import noise_variance

MINUTE = 60.0


@pytest.mark.parametrize(
    ("minutes", "inflation", "effective"),
    [
        (1, 1.471024, 19963.85),
        (10, 4.473482, 2158.7),
        (60, 10.946968, 360.492),
        (360, 26.720787, 60.5042),
        (1440, 52.763625, 15.5172),
    ],
)
def test_month_of_autocorrelated_readings(minutes, inflation, effective):
    """Exact variance of the mean of 43 200 one-minute readings (computed)."""
    found = noise_of_mean(np.ones(43_200), MINUTE, minutes * MINUTE)
    assert found.inflation == pytest.approx(inflation, abs=2e-6)
    assert found.effective_readings == pytest.approx(effective, abs=0.01)


def test_slow_noise_acts_like_a_zero_error():
    """2 mm with a time constant of a day act on a month like 0.5 mm (computed)."""
    found = noise_of_mean(np.ones(43_200), MINUTE, 1440 * MINUTE, 2.0)
    assert found.standard == pytest.approx(0.5, abs=0.01)


def dense(weights, time, constant):
    """The double sum itself."""
    apart = np.abs(np.subtract.outer(time, time))
    return weights @ (np.exp(-apart / constant) if constant else np.equal(apart, 0.0)) @ weights


@given(
    st.integers(0, 10_000),
    st.integers(1, 60),
    st.sampled_from([0.0, 1.0, 60.0, 1e4, 1e7]),
    st.booleans(),
)
@settings(max_examples=80, deadline=None)
def test_recursion_equals_the_double_sum(seed, count, constant, even):
    """Even and uneven spacing, long gaps, weights of either sign."""
    rng = np.random.default_rng(seed)
    step = np.full(count, 60.0) if even else rng.choice([1.0, 59.5, 60.0, 7e4], count)
    time, weights = np.cumsum(step) + 1e9, rng.normal(size=count)
    expected = dense(weights, time, constant)
    assert noise_variance(weights, time, constant, 2.0) == pytest.approx(
        4 * expected, rel=1e-6, abs=1e-9 * float(weights @ weights)
    )


def test_step_instead_of_instants():
    weights = np.random.default_rng(1).random(500)
    assert noise_variance(weights, 30.0, 400.0) == pytest.approx(
        noise_variance(weights, np.arange(500) * 30.0, 400.0), rel=1e-12
    )
    assert noise_variance(weights, 30.0, None) == pytest.approx(weights @ weights)
    assert noise_variance(np.ones(1), 30.0, 10.0) == 1.0
    assert noise_variance(np.ones(0), 30.0, 10.0) == 0.0


def test_splitting_a_record_keeps_its_variance():
    """Covariances of adjoining stretches restore the variance of the whole, shared ends too."""
    rng = np.random.default_rng(5)
    time = np.cumsum(rng.choice([60.0, 61.0, 4000.0], 400))
    weights = rng.random(400)
    for constant in (None, 50.0, 3_000.0, 1e6):
        cuts = [0, 90, 91, 250, 400]
        parts = [WeightedStretch(a, weights[a:b]) for a, b in itertools.pairwise(cuts)]
        joint = noise_covariance(parts, time, constant, 3.0)
        assert joint.sum() == pytest.approx(noise_variance(weights, time, constant, 3.0), rel=1e-9)
        halves = [WeightedStretch(0, weights[:200] / 2), WeightedStretch(198, weights[198:])]
        both = np.zeros(400)
        both[:200] += weights[:200] / 2
        both[198:] += weights[198:]
        joint = noise_covariance(halves, time, constant)
        assert joint.sum() == pytest.approx(noise_variance(both, time, constant), rel=1e-9)
        assert joint == pytest.approx(joint.T)


def test_noise_variance_against_simulated_noise():
    """5 000 simulated series of unevenly read noise, made by a plain loop."""
    rng = np.random.default_rng(3)
    time = np.cumsum(rng.choice([30.0, 90.0, 600.0], 120))
    weights = rng.random(120)
    noise = np.empty((5_000, 120))
    noise[:, 0] = rng.standard_normal(5_000)
    for k in range(1, 120):
        kept = math.exp(-(time[k] - time[k - 1]) / 500.0)
        noise[:, k] = kept * noise[:, k - 1] + math.sqrt(1 - kept**2) * rng.standard_normal(5_000)
    seen = (noise @ weights).var()
    assert noise_variance(weights, time, 500.0) == pytest.approx(seen, rel=0.08)


def test_bias_of_a_month():
    """Own closed case (computed): noise of 2 mm adds 6.8737 m3 to 117 920 m3."""
    h = 0.165 + 0.055 * np.sin(2 * np.pi * np.arange(43_200) / 1440)
    n, c = 1.522, 0.6909
    second = c * n * (n - 1) * h ** (n - 2)
    assert noise_bias(np.full(43_200, 60.0), second, 0.002) == pytest.approx(6.8737, abs=5e-4)


def test_noise_of_a_month():
    """Own closed case (computed): independent noise of 2 mm is 0.008689 % of the month."""
    h = 0.165 + 0.055 * np.sin(2 * np.pi * np.arange(43_200) / 1440)
    n, c = 1.522, 0.6909
    slope = 60 * c * n * h ** (n - 1)
    spread = math.sqrt(noise_variance(slope, MINUTE, None, 0.002))
    assert 100 * spread / 117_920.2124 == pytest.approx(0.008689, abs=1e-6)


@pytest.mark.parametrize("exponent", [1.5, 1.522, 2.5])
def test_relative_bias_against_exact_moments(exponent):
    """E[(h + e)^n] by Gauss-Hermite quadrature; exact for n = 2: (s/h)^2."""
    node, weight = np.polynomial.hermite_e.hermegauss(40)
    ratio = 0.03
    exact = (weight @ (1 + ratio * node) ** exponent) / weight.sum() - 1
    assert relative_noise_bias(exponent, ratio) == pytest.approx(exact, rel=0.01)
    assert relative_noise_bias(2.0, 0.1) == pytest.approx(0.01)
    assert relative_noise_bias(1.0, 0.1) == 0.0


def test_subtracting_the_bias_restores_the_volume():
    """A noisy record is biased upward; noise added again would double that, subtracting ends it."""
    rng = np.random.default_rng(8)
    h, n, s = 0.05, 1.522, 0.004
    seen = h + s * rng.standard_normal(2_000_000)
    volume = (seen**n).mean()
    doubled = ((seen + s * rng.standard_normal(len(seen))) ** n).mean()
    second = n * (n - 1) * seen ** (n - 2)
    corrected = volume - noise_bias(np.full(len(seen), 1 / len(seen)), second, s)
    true = h**n
    doubt = 4 * n * h ** (n - 1) * s / math.sqrt(len(seen))
    assert volume - true == pytest.approx(relative_noise_bias(n, s / h) * true, abs=doubt)
    assert doubled - true == pytest.approx(2 * relative_noise_bias(n, s / h) * true, abs=2 * doubt)
    assert corrected == pytest.approx(true, abs=doubt)
    assert abs(volume - true) > 2 * doubt  # the test can tell


def test_zero_error_in_percent_of_discharge():
    """3 mm at several heads and exponents (computed)."""
    for exponent, head, expected in (
        (1.5, 0.05, 9.1337),
        (1.522, 0.1, 4.6016),
        (1.522, 0.2, 2.2919),
        (2.5, 0.05, 15.6817),
        (2.5, 0.1, 7.6696),
        (2.5, 0.3, 2.5188),
    ):
        found = 100 * ((1 + 0.003 / head) ** exponent - 1)
        assert found == pytest.approx(expected, abs=1e-4)


def test_drift_over_a_period():
    """Zero drifting from 0 to 3 mm at h 0.2 m, n 1.522: 1.14447 %, first order 1.1415 % (computed);
    the volume follows the mean offset, 1.5 mm, to first order."""
    offset = (np.arange(100_000) + 0.5) / 100_000 * 0.003
    found = 100 * (((0.2 + offset) ** 1.522).mean() / 0.2**1.522 - 1)
    assert found == pytest.approx(1.14447, abs=2e-4)
    assert 100 * 1.522 * 0.0015 / 0.2 == pytest.approx(1.1415, abs=1e-4)


def test_snapshots_of_a_pump():
    """10 L/s, 1800 runs, looked at every 5 min: 51.96 m3 of 10 800, 0.481 % (computed)."""
    assert snapshot_standard(0.010, 300, 1_800) == pytest.approx(51.9615, abs=1e-3)
    assert 100 * snapshot_standard(0.010, 300, 1_800) / 10_800 == pytest.approx(0.481125, abs=1e-5)
    assert snapshot_standard(0.010, 300, 1, duration=600) == 0
    assert snapshot_standard(0.010, 300, 1, duration=450) == pytest.approx(1.5)


def test_snapshots_against_simulation():
    """Runs of random length at random phase, counted by snapshots."""
    rng = np.random.default_rng(2)
    begin, length = rng.random(200_000) * 300, 300 + rng.random(200_000) * 900
    counted = 300.0 * (np.floor((begin + length) / 300) - np.floor(begin / 300))
    assert 0.01 * (counted - length).std() == pytest.approx(
        snapshot_standard(0.01, 300, 1), rel=0.02
    )


def test_gap_filled_by_the_mean_of_the_other_days():
    """2 of 30 days, daily sd 12 %: 0.58554 % of the month (computed); simulated beside it."""
    assert 100 * gap_fill_standard(0.12, 2, 30) / 30 == pytest.approx(0.58554, abs=1e-5)
    assert gap_fill_standard(0.12, 0, 30) == 0
    days = np.random.default_rng(1).normal(1, 0.12, (100_000, 30))
    filled = days[:, :28].sum(axis=1) * 30 / 28
    assert (filled - days.sum(axis=1)).std() == pytest.approx(
        gap_fill_standard(0.12, 2, 30), rel=0.02
    )


def autoregression(count, constant, step, seed):
    rng = np.random.default_rng(seed)
    kept = math.exp(-step / constant)
    noise = np.empty(count)
    noise[0] = rng.standard_normal()
    shocks = math.sqrt(1 - kept**2) * rng.standard_normal(count)
    for k in range(1, count):
        noise[k] = kept * noise[k - 1] + shocks[k]
    return noise


def test_time_constant_of_a_simulated_record():
    found = [time_constant_of(autoregression(20_000, 600, 60, s), 60) for s in range(8)]
    assert np.mean(found) == pytest.approx(600, rel=0.1)
    assert time_constant_of(np.random.default_rng(1).standard_normal(5_000), 60) < 30
    assert time_constant_of(np.tile([1.0, -1.0], 50), 60) == 0


def test_mean_of_correlated_readings_covers_the_truth():
    """JCGM 100:2008 4.2.7: s/sqrt(n) fails on readings with memory, effective readings do not."""
    plain = honest = 0
    for seed in range(120):
        series = autoregression(1_500, 1_200, 60, seed)
        plain += abs(series.mean()) <= 1.96 * mean_of_readings(series).standard
        found = mean_of_readings(series, 60.0, 1_200.0)
        honest += abs(found.mean) <= 1.96 * found.standard
    assert plain / 120 < 0.6
    assert honest / 120 == pytest.approx(0.95, abs=0.06)


def test_mean_of_independent_readings_by_hand():
    """1, 2, 3, 4: mean 2.5, s 1.29099, u 0.64550, 3 degrees of freedom."""
    found = mean_of_readings(np.array([1.0, 2.0, 3.0, 4.0]))
    assert found.mean == 2.5
    assert found.deviation == pytest.approx(1.29099, abs=1e-5)
    assert found.standard == pytest.approx(0.64550, abs=1e-5)
    assert found.dof == pytest.approx(3)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: noise_variance(np.ones(3), np.array([0.0, 2.0, 1.0]), 5.0), "do not increase"),
        (lambda: noise_variance(np.ones(3), np.arange(4.0), 5.0), "one each expected"),
        (lambda: noise_variance(np.ones(3), 1.0, -5.0), "zero or more"),
        (lambda: noise_of_mean(np.array([1.0, -1.0]), 1.0, None), "add up to zero"),
        (lambda: time_constant_of(np.ones(5), 1.0), "fewer than 10"),
        (lambda: time_constant_of(np.ones(50), 1.0), "do not vary"),
        (lambda: mean_of_readings(np.ones(1)), "at least 2"),
        (lambda: mean_of_readings(np.arange(20.0), 1.0, 1e6), "outlasts the series"),
        (lambda: snapshot_standard(1.0, 0.0, 1), "above zero"),
        (lambda: snapshot_standard(1.0, 1.0, 1, duration=-1), "zero or more"),
        (lambda: gap_fill_standard(1.0, 30, 30), "at least one day"),
        (lambda: fit_line(np.ones(5), np.ones(5)), "different positions"),
    ],
)
def test_nonsense_is_refused(call, words):
    with pytest.raises(AuditError, match=words):
        call()
