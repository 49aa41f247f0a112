"""Causes, draws, intervals and summaries."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from second_opinions.uncertainty_causes import (
    standard_from_expanded,
    standard_from_half_width,
    standard_from_trapezoid,
)
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Cause, Draws, coverage_interval, summarise
from sewer_audit.uncertainty.causes import SHAPES, shaped

ROOT = Path(__file__).parent.parent
REFERENCE = {
    "normal": stats.norm(1.0, 2.0),
    "rectangular": stats.uniform(1 - 2 * math.sqrt(3), 4 * math.sqrt(3)),
    "triangular": stats.triang(0.5, 1 - 2 * math.sqrt(6), 4 * math.sqrt(6)),
    "arcsine": stats.arcsine(1 - 2 * math.sqrt(2), 4 * math.sqrt(2)),
    "student t": stats.t(5, 1.0, 2.0),
    "exponential": stats.expon(-1.0, 2.0),
}


def cause(shape, **more):
    return Cause("c", 2.0, 1.0, shape=shape, dof=5 if shape == "student t" else math.inf, **more)


@pytest.mark.parametrize("shape", SHAPES)
def test_shapes_follow_their_distribution(shape):
    """JCGM 101:2008 6.4: quantiles equal those of a general-purpose statistics library."""
    z = np.linspace(-4.5, 4.5, 101)
    expected = REFERENCE[shape].ppf(stats.norm.cdf(z))
    assert shaped(cause(shape), z) == pytest.approx(expected, rel=1e-7, abs=1e-9)
    drawn = Draws(50_000, 1).of(cause(shape))
    assert stats.kstest(drawn, REFERENCE[shape].cdf).pvalue > 1e-3
    assert cause(shape).standard_deviation == pytest.approx(REFERENCE[shape].std(), rel=1e-12)


def test_far_tails_of_student_t_are_finite():
    """Ten standard deviations of the underlying normal draw, both sides alike."""
    ends = shaped(cause("student t"), np.array([-10.0, 10.0]))
    assert np.all(np.isfinite(ends))
    assert ends[1] - 1.0 == pytest.approx(1.0 - ends[0], rel=1e-12)


def test_draws_depend_on_seed_and_key_only():
    """Order of asking, number of columns and number of draws leave a column as it is."""
    first, again = Draws(1_000, 42), Draws(1_000, 42)
    again.standard("something else", 7)
    assert np.array_equal(first.standard("zero"), again.standard("zero"))
    assert np.array_equal(first.standard("zero", 3)[:, 0], first.standard("zero"))
    assert np.array_equal(first.standard("zero", 3), first.standard("zero", 5)[:, :3])
    assert np.array_equal(Draws(2_000, 42).standard("zero")[:1_000], first.standard("zero"))
    assert not np.array_equal(first.standard("zero"), Draws(1_000, 43).standard("zero"))
    assert first.standard("zero").shape == (1_000,)
    assert first.standard("zero", 1).shape == (1_000, 1)


def test_draws_are_the_same_in_another_process():
    """A hash that changes from process to process would break every recheck."""
    code = "from sewer_audit.uncertainty import Draws; print(float(Draws(9, 5).standard('k')[3]))"
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT,
        env={"PYTHONHASHSEED": "123", "PYTHONPATH": str(ROOT), "PATH": ""},
        capture_output=True,
        text=True,
        check=True,
    )
    assert float(done.stdout) == float(Draws(9, 5).standard("k")[3])


def test_keys_blocks_and_columns_are_independent():
    """Correlations of 40 different columns stay within 5 standard errors."""
    draws = Draws(20_000, 3)
    columns = np.column_stack(
        [draws.standard("a", 12), draws.standard("b", 12), draws.next_block().standard("a", 16)]
    )
    correlation = np.corrcoef(columns, rowvar=False) - np.eye(40)
    assert np.abs(correlation).max() < 5 / math.sqrt(20_000)
    assert np.abs(columns.mean(axis=0)).max() < 5 / math.sqrt(20_000)


def test_shared_cause_moves_two_shapes_together():
    """The same key serves two causes: their draws rank alike."""
    draws = Draws(500, 1)
    one = draws.of(cause("rectangular"), "origin")
    other = draws.of(cause("arcsine"), "origin")
    assert stats.spearmanr(one, other).statistic == pytest.approx(1.0)


def test_symmetric_interval_counts_as_the_guide_does():
    """JCGM 101:2008 7.7.2 counted by hand: M 100, p 0.95, q 95, r 3: 3rd and 98th draw."""
    values = np.random.default_rng(1).permutation(np.arange(1.0, 101.0))
    found = coverage_interval(values, 0.95)
    assert (found.low, found.high) == (3.0, 98.0)


def test_shortest_interval_by_hand():
    """Ten draws with a far one on each side: 80 % leave out both."""
    found = coverage_interval(np.array([0, 50, 51, 52, 53, 54, 55, 56, 57, 99.0]), 0.7, "shortest")
    assert (found.low, found.high) == (50.0, 57.0)


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=25, max_size=200),
    st.sampled_from([0.5, 0.8, 0.95]),
)
@settings(max_examples=60, deadline=None)
def test_interval_properties(values, coverage):
    """It holds its share of the draws; the shortest is never the longer one."""
    draws = np.array(values)
    symmetric = coverage_interval(draws, coverage)
    shortest = coverage_interval(draws, coverage, "shortest")
    for found in (symmetric, shortest):
        assert np.mean((found.low <= draws) & (draws <= found.high)) >= coverage - 0.5 / len(draws)
    assert shortest.width <= symmetric.width


def test_summary_of_columns_equals_summary_of_each():
    draws = Draws(5_000, 2).standard("v", 4) * [1, 2, 3, 4] + 10
    for kind in ("symmetric", "shortest"):
        joint = summarise(draws, 0.9, kind)
        for column in range(4):
            alone = summarise(draws[:, column].copy(), 0.9, kind)
            for name in ("mean", "standard_uncertainty", "low", "high", "low_error", "mean_error"):
                assert getattr(joint, name)[column] == pytest.approx(getattr(alone, name), rel=1e-9)


def test_numerical_errors_of_ten_thousand_draws():
    """Normal theory: u to 0.7 %, each end of a 95 % interval to 0.027 u (computed)."""
    found = [summarise(Draws(10_000, seed).standard("x")) for seed in range(40)]
    assert np.mean([f.standard_uncertainty_error for f in found]) == pytest.approx(
        0.00707, rel=0.03
    )
    assert np.mean([f.high_error for f in found]) == pytest.approx(0.0267, rel=0.1)
    assert np.mean([f.low_error for f in found]) == pytest.approx(0.0267, rel=0.1)
    assert np.mean([f.mean_error for f in found]) == pytest.approx(0.01, rel=0.03)


@pytest.mark.parametrize(("kind", "margin"), [("symmetric", 0.3), ("shortest", 0.6)])
def test_stated_numerical_errors_are_the_observed_ones(kind, margin):
    """Scatter of the figures over 80 seeds against their stated standard errors, skewed draws."""
    found = [summarise(np.exp(0.5 * Draws(4_000, s).standard("x")), 0.9, kind) for s in range(80)]
    for name in ("mean", "standard_uncertainty", "low", "high"):
        scatter = np.std([getattr(f, name) for f in found], ddof=1)
        stated = np.mean([getattr(f, f"{name}_error") for f in found])
        assert stated == pytest.approx(scatter, rel=margin), name


def test_more_draws_narrow_the_numerical_error():
    few, many = (summarise(Draws(n, 1).standard("x")) for n in (4_000, 64_000))
    assert few.high_error / many.high_error == pytest.approx(4, rel=0.4)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: Cause("c", -1.0), "zero or more"),
        (lambda: Cause("c", math.nan), "finite"),
        (lambda: Cause("c", 1.0, math.inf), "not finite"),
        (lambda: Cause("c", 1.0, shape="flat"), "known are normal"),
        (lambda: Cause("c", 1.0, persistence="for ever"), "known are whole record"),
        (lambda: Cause("c", 1.0, shape="student t", dof=2), "at least 4 readings"),
        (lambda: Cause("c", 1.0, dof=0), "above zero"),
        (lambda: Cause("c", 1.0, time_constant=-1), "zero or more"),
        (lambda: Draws(1, 1), "at least 2"),
        (lambda: Draws(10, -1), "zero or more"),
        (lambda: standard_from_half_width(1, "normal"), "says nothing of shape"),
        (lambda: standard_from_half_width(-1, "rectangular"), "zero or more"),
        (lambda: standard_from_expanded(1, 0), "above zero"),
        (lambda: standard_from_trapezoid(1, 2), "between 0 and 1"),
        (lambda: coverage_interval(np.arange(10.0), 0.999), "too few"),
        (lambda: coverage_interval(np.arange(10.0), 1.5), "between 0 and 1"),
        (lambda: coverage_interval(np.arange(10.0), 0.5, "widest"), "known are symmetric"),
        (lambda: summarise(np.array([1.0, np.nan, 2.0])), "not finite"),
        (lambda: summarise(np.zeros((2, 2, 2))), "expected"),
    ],
)
def test_nonsense_is_refused(call, words):
    with pytest.raises(AuditError, match=words):
        call()


def test_halved_cause_keeps_everything_else():
    full = cause("rectangular", source="certificate", persistence="between visits")
    half = full.scaled(0.5)
    assert half.standard == 1.0
    assert (half.source, half.persistence, half.value) == ("certificate", "between visits", 1.0)
    assert standard_from_expanded(4.0, 2.0) == 2.0
