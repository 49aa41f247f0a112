"""The stopping rule of the number of draws, worked out beside the code from the blocks it drew."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from second_opinions.uncertainty_stability import adaptive_draws
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import draws_until_stable

BLOCK = 10_000


def recorded(make):
    """A sample and the list of the blocks it was asked for."""
    blocks = []

    def sample(draws):
        blocks.append(make(draws, len(blocks)))
        return blocks[-1]

    return sample, blocks


def by_hand(blocks, digits):
    """Twice the largest s over the tolerance, JCGM 101:2008 7.9.4 e) to k) (from memory)."""
    count = len(blocks)
    figures = np.array(
        [[b.mean(), b.std(ddof=1), *np.sort(b)[[249, 9_749]]] for b in blocks]
    )  # 95 % symmetric: 7.7.2, q = 9500, r = (M - q) / 2 = 250 (from memory)
    s = np.sqrt(np.sum((figures - figures.mean(axis=0)) ** 2, axis=0) / (count * (count - 1)))
    u = np.concatenate(blocks).std(ddof=1)  # i) of all h x M draws, not of the blocks alone
    place = math.floor(math.log10(float(f"{u:.{digits - 1}e}"))) - (digits - 1)
    return 2 * s.max() / (0.5 * 10.0**place)


@pytest.mark.parametrize("digits", [1, 2])
@pytest.mark.parametrize("seed", [1, 7])
def test_both_callers_follow_the_clause(seed, digits):
    def make(draws, _):
        return 10 + 2.4 * draws.standard("x")

    sample, blocks = recorded(make)
    found = adaptive_draws(sample, seed, digits=digits)
    assert found.stable and by_hand(blocks, digits) <= 1
    assert all(by_hand(blocks[:h], digits) > 1 for h in range(2, len(blocks)))
    several, again = recorded(lambda draws, _: np.column_stack([make(draws, 0), np.ones(BLOCK)]))
    counted = draws_until_stable(several, seed, digits=digits)
    assert counted.draws == len(found.draws) == BLOCK * len(blocks)
    assert counted.worst == pytest.approx(by_hand([b[:, 0] for b in again], digits), rel=1e-9)
    worst = max(
        found.mean_error, found.standard_uncertainty_error, found.low_error, found.high_error
    )
    assert 2 * worst / found.tolerance == pytest.approx(by_hand(blocks, digits), rel=1e-9)


def test_the_tolerance_is_that_of_all_draws():
    """Blocks that lie apart: within each u is 0.9, over all of them it is more than 1."""

    def make(draws, number):
        return 0.9 * draws.standard("x") + (-1.0) ** number

    sample, blocks = recorded(make)
    found = adaptive_draws(sample, 1, most_draws=40_000)
    assert np.std(found.draws, ddof=1) > 1.0 > max(block.std() for block in blocks)
    assert found.tolerance == 0.5 and not found.stable  # 0.05 for u = 0.9
    sample, blocks = recorded(make)
    counted = draws_until_stable(lambda d: sample(d)[:, None], 1, most_draws=40_000)
    assert counted.worst == pytest.approx(by_hand(blocks, 1), rel=1e-9)


def test_a_figure_at_its_tolerance_is_stable():
    """7.9.4 k): go on while 2 s exceeds the tolerance; at the tolerance it does not (from memory).

    Two blocks of means 0 and 0.5: s = 0.25, 2 s = 0.5, the tolerance of u = 2.0.
    """
    number = itertools.count()
    sides = np.tile([-2.0, 2.0], BLOCK // 2)[:, None]
    found = draws_until_stable(lambda _: sides + 0.5 * next(number), 1)
    assert found.worst == 1.0 and found.stable and found.draws == 2 * BLOCK


def test_at_least_two_blocks_are_compared():
    found = draws_until_stable(lambda d: d.standard("x", 1), 1, most_draws=100)
    assert found.draws == 2 * BLOCK and np.isfinite(found.worst)


@pytest.mark.parametrize("function", [adaptive_draws, draws_until_stable])
def test_draws_that_are_none_are_refused(function):
    with pytest.raises(AuditError, match="not finite"):
        function(lambda draws: np.full(draws.count, np.nan), 1)
    with pytest.raises(AuditError, match="expected"):
        function(lambda draws: np.ones(7), 1)
