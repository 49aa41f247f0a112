"""What visits say about the zero: closed cases, simulated sites, contradictions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Step, Visit, ZeroModel, condition_zero
from sewer_audit.uncertainty.level.conditioning import condition

DAY = 86_400.0
MM = 1e-3


def test_one_reading_by_hand():
    """Prior 0 with 3 mm, reading 4 mm with 1 mm: mean 3.6, u 0.9487 mm (weights 0.9, 0.1)."""
    found = condition(np.zeros(1), np.array([[9.0]]), np.eye(1), np.array([4.0]), np.array([[1.0]]))
    assert found.mean[0] == pytest.approx(3.6)
    assert found.covariance[0, 0] == pytest.approx(0.9)
    assert found.innovations[0] == pytest.approx(4 / math.sqrt(10))
    assert found.statistic == pytest.approx(1.6)
    assert found.probability == pytest.approx(0.2059, abs=1e-4)  # chi-square, one degree


def test_conditioning_equals_the_inverse_of_the_joint_precision():
    """Independent route: P'^-1 = P^-1 + H' R^-1 H."""
    rng = np.random.default_rng(1)
    root = rng.normal(size=(5, 5))
    prior, matrix, noise = root @ root.T, rng.normal(size=(3, 5)), np.diag([1.0, 2.0, 0.5])
    mean, seen = rng.normal(size=5), rng.normal(size=3)
    found = condition(mean, prior, matrix, seen, noise)
    precision = np.linalg.inv(prior) + matrix.T @ np.linalg.inv(noise) @ matrix
    expected = np.linalg.inv(precision)
    assert found.covariance == pytest.approx(expected, rel=1e-8)
    pulled = np.linalg.inv(prior) @ mean + matrix.T @ np.linalg.inv(noise) @ seen
    assert found.mean == pytest.approx(expected @ pulled, rel=1e-8)


def test_a_visit_narrows_the_interval_around_it():
    """One visit in mid-record, 1 mm hand reading, 3 mm prior, no drift: 0.9487 mm everywhere."""
    found = condition_zero([Visit(50 * DAY, 4 * MM)], 0.0, 100 * DAY, ZeroModel(3 * MM))
    assert found.mean == pytest.approx([3.6 * MM] * 4)
    assert found.standard == pytest.approx([math.sqrt(0.9) * MM] * 4)
    assert list(found.edges) == [0.0, 50 * DAY, 100 * DAY]
    assert np.all(found.wander == 0)


def test_without_visits_the_prior_stays():
    model = ZeroModel(3 * MM, 1 * MM, drift_standard=2 * MM)
    found = condition_zero([], 0.0, 60 * DAY, model)
    assert found.mean == pytest.approx([1 * MM, 1 * MM])
    assert found.standard == pytest.approx([3 * MM, math.sqrt(9 + 8) * MM])  # two spans of 30 days
    assert found.flags == ()
    assert found.probability == 1.0


@pytest.mark.parametrize(("growth", "expected"), [("random walk", 4.0), ("steady", 8.0)])
def test_growth_with_time(growth, expected):
    """2 mm in 30 days become 4 mm in 120 days as a random walk, 8 mm on a straight line."""
    model = ZeroModel(0.0, drift_standard=2 * MM, growth=growth)
    assert model.growth_standard(120 * DAY) == pytest.approx(expected * MM)


def test_rezeroing_starts_anew():
    """After re-zeroing only the errors of the hand reading and of setting remain."""
    model = ZeroModel(5 * MM, shared_standard=0.6 * MM, setting_standard=0.5 * MM)
    visit = Visit(10 * DAY, 7 * MM, 0.8 * MM, rezeroed=True)
    found = condition_zero([visit], 0.0, 20 * DAY, model)
    assert found.standard[2] < math.sqrt(0.6**2 + 0.8**2 + 0.5**2) * MM
    assert abs(found.mean[2]) < 1 * MM
    assert found.mean[1] > 6 * MM


def test_poor_hand_reading_is_carried_into_the_next_interval():
    """Offset before and after re-zeroing to one reading: the sum of both is known, not each."""
    model = ZeroModel(5 * MM)
    found = condition_zero([Visit(DAY, 4 * MM, 3 * MM, rezeroed=True)], 0.0, 2 * DAY, model)
    before, after = 1, 2
    combined = found.covariance[before, before] + found.covariance[after, after]
    combined -= 2 * found.covariance[before, after]
    # hand - instrument = before - after exactly, as after = -(error of the reading)
    assert combined == pytest.approx(0, abs=1e-12)
    assert found.mean[before] - found.mean[after] == pytest.approx(4 * MM)


def test_shared_gauge_error_never_averages_out():
    """Ten visits with an exact reading each but a gauge datum of 2 mm: 2 mm prior-limited."""
    model = ZeroModel(50 * MM, shared_standard=2 * MM)
    visits = [Visit(k * DAY, 3 * MM, 0.01 * MM) for k in range(1, 11)]
    found = condition_zero(visits, 0.0, 11 * DAY, model)
    assert found.standard[0] == pytest.approx(2 * MM, rel=0.01)
    free = condition_zero(visits, 0.0, 11 * DAY, ZeroModel(50 * MM))
    assert free.standard[0] < 0.01 * MM


def simulate(rng, model, visits, start, end):
    """One site by a plain loop: true offsets at both ends of every interval, and hand readings."""
    shared = rng.normal(0, model.shared_standard) if model.shared_standard else 0.0
    here = rng.normal(model.start_mean, model.start_standard)
    last, path, seen = start, [], []
    for time, standard, rezeroed in [*visits, (end, None, False)]:
        path.append(here)
        span = (time - last) / model.drift_span
        grown = math.sqrt(span) if model.growth == "random walk" else span
        here += rng.normal(0, model.drift_standard * grown)
        path.append(here)
        if standard is not None:
            error = shared + rng.normal(0, standard)
            seen.append(Visit(time, here + error, standard, rezeroed))
            if rezeroed:
                here = -error + rng.normal(0, model.setting_standard)
        last = time
    return np.array(path), seen


PLAN = [(20 * DAY, 1 * MM, False), (50 * DAY, 2 * MM, True), (90 * DAY, 1 * MM, False)]


@pytest.mark.parametrize("growth", ["random walk", "steady"])
def test_posterior_is_calibrated_in_simulation(growth):
    """1 500 simulated sites: truth less mean, over u, has variance 1; 95 % intervals hold 95 %."""
    rng = np.random.default_rng(4)
    model = ZeroModel(
        3 * MM,
        1 * MM,
        drift_standard=1.5 * MM,
        growth=growth,
        shared_standard=0.7 * MM,
        setting_standard=0.4 * MM,
    )
    scores, squares, alarms = [], [], 0
    for _ in range(1_500):
        path, visits = simulate(rng, model, PLAN, 0.0, 120 * DAY)
        found = condition_zero(visits, 0.0, 120 * DAY, model)
        scores.append((path - found.mean) / found.standard)
        root = np.linalg.pinv(found.covariance, rcond=1e-9)
        squares.append((path - found.mean) @ root @ (path - found.mean))
        alarms += any(f.code == "visit-contradicts-zero-uncertainty" for f in found.flags)
    scores = np.array(scores)
    assert scores.std(axis=0) == pytest.approx(np.ones(8), abs=0.08)
    assert np.abs(scores.mean(axis=0)).max() < 0.1
    assert np.mean(np.abs(scores) < 1.96, axis=0) == pytest.approx(np.full(8, 0.95), abs=0.025)
    assert np.mean(squares) == pytest.approx(
        np.linalg.matrix_rank(found.covariance, 1e-12), rel=0.1
    )
    assert alarms / 1_500 == pytest.approx(0.05, abs=0.02)


def test_wrong_stated_spread_fails_the_same_check():
    """Truth drifts three times as far as stated: the intervals no longer hold, and flags rise."""
    rng = np.random.default_rng(5)
    stated = ZeroModel(1 * MM, drift_standard=1 * MM)
    true = ZeroModel(3 * MM, drift_standard=3 * MM)
    inside, flagged = [], 0
    for _ in range(300):
        path, visits = simulate(rng, true, PLAN, 0.0, 120 * DAY)
        found = condition_zero(visits, 0.0, 120 * DAY, stated)
        inside.append(np.abs(path - found.mean) < 1.96 * found.standard)
        flagged += bool(found.flags)
    assert np.mean(inside) < 0.85
    assert flagged > 150


def test_contradicting_visit_is_named():
    """The second visit stands 15 mm off while everything stated allows about 2 mm."""
    visits = [
        Visit(10 * DAY, 1 * MM, label="2031-03-04 09:10"),
        Visit(20 * DAY, 15 * MM, label="2031-03-14 10:00"),
        Visit(30 * DAY, 9 * MM, label="2031-03-24 10:00"),
    ]
    found = condition_zero(visits, 0.0, 40 * DAY, ZeroModel(3 * MM, drift_standard=1 * MM))
    named = [flag.data["visit"] for flag in found.flags]
    assert named == ["2031-03-14 10:00"]  # 9 mm is where the estimate then stands
    assert "hand less instrument is +15.0 mm" in found.flags[0].message
    assert found.probability < 1e-6


def test_scatter_of_many_visits_is_flagged_as_a_whole():
    """No single visit is far out, all together scatter too much."""
    visits = [Visit(k * DAY, 2.2 * MM * (-1) ** k) for k in range(1, 13)]
    found = condition_zero(visits, 0.0, 13 * DAY, ZeroModel(1 * MM))
    assert [flag.code for flag in found.flags] == ["visits-scatter-more-than-stated"]


def test_wander_between_visits_against_simulation():
    """Time mean of a random walk about the line between its ends: sqrt(variance / 12)."""
    rng = np.random.default_rng(6)
    steps = rng.normal(0, 1, (20_000, 300)) / math.sqrt(300)
    path = np.cumsum(steps, axis=1)
    line = path[:, -1:] * np.arange(1, 301) / 300
    seen = (path - line).mean(axis=1).std()
    found = condition_zero([], 0.0, 30 * DAY, ZeroModel(0.0, drift_standard=1 * MM))
    assert found.wander[0] / MM == pytest.approx(seen, rel=0.03)


@pytest.mark.parametrize("growth", ["random walk", "steady"])
def test_further_nodes_change_nothing_that_was_known(growth):
    """Offsets at visits and ends are the same with meter reads as further nodes in between."""
    rng = np.random.default_rng(9)
    model = ZeroModel(3 * MM, drift_standard=1.5 * MM, growth=growth, shared_standard=0.7 * MM)
    _, visits = simulate(rng, model, PLAN, 0.0, 120 * DAY)
    coarse = condition_zero(visits, 0.0, 120 * DAY, model)
    reads = [30 * DAY, 50 * DAY, 60 * DAY, 119 * DAY]  # one of them is a visit
    fine = condition_zero(visits, 0.0, 120 * DAY, model, nodes=reads)
    assert len(fine.edges) == len(coarse.edges) + 3
    for edge in coarse.edges[1:-1]:
        one, other = (2 * np.flatnonzero(p.edges == edge)[0] - 1 for p in (coarse, fine))
        here, there = slice(one, one + 2), slice(other, other + 2)
        assert fine.mean[there] == pytest.approx(coarse.mean[here], rel=1e-9, abs=1e-15)
        assert fine.covariance[there, there] == pytest.approx(
            coarse.covariance[here, here], rel=1e-8, abs=1e-16
        )
    assert fine.innovations == pytest.approx(coarse.innovations)
    if growth == "steady":  # a straight line: the node lies on it
        line = coarse.mean[2] + (coarse.mean[3] - coarse.mean[2]) / 3
        assert fine.mean[3] == pytest.approx(line)


def test_nodes_make_a_random_walk_right_in_mid_record():
    """No visit for 36 months: variance grows in proportion to time, covariance as the earlier."""
    model = ZeroModel(0.0, drift_standard=1 * MM)
    months = [30 * DAY * k for k in range(1, 36)]
    found = condition_zero([], 0.0, 36 * 30 * DAY, model, nodes=months)
    assert found.standard[1::2] == pytest.approx(np.sqrt(np.arange(1, 37)) * MM)
    assert found.covariance[3, 21] == pytest.approx(2 * MM**2)
    assert found.wander == pytest.approx(np.full(36, 1 * MM / math.sqrt(12)))


def test_visits_outside_the_record_count():
    """A check three days before the record starts informs its start."""
    early = condition_zero([Visit(-3 * DAY, 2 * MM, 1 * MM)], 0.0, 10 * DAY, ZeroModel(9 * MM))
    assert early.edges[0] == -3 * DAY
    assert early.standard[2] < 1 * MM
    late = condition_zero([Visit(12 * DAY, 2 * MM, 1 * MM)], 0.0, 10 * DAY, ZeroModel(9 * MM))
    assert late.standard[0] < 1 * MM


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: ZeroModel(-1.0), "zero or more"),
        (lambda: ZeroModel(1.0, drift_span=0), "above zero"),
        (lambda: ZeroModel(1.0, growth="sudden"), "known are random walk"),
        (
            lambda: condition_zero([Visit(2.0, 0), Visit(1.0, 0)], 0.0, 3.0, ZeroModel(1.0)),
            "not in order of time",
        ),
        (lambda: condition_zero([], 3.0, 3.0, ZeroModel(1.0)), "ends before it starts"),
        (
            lambda: condition_zero([Visit(1.0, 0.1, 0.0)], 0.0, 3.0, ZeroModel(0.0)),
            "stated as exact",
        ),
    ],
)
def test_nonsense_is_refused(call, words):
    with pytest.raises(AuditError, match=words):
        call()


def test_the_parts_of_the_zero_are_its_whole_variance_and_each_is_its_own():
    """A source whose spread goes leaves no part, and the parts add up to the mean's variance."""
    visits = [Visit(20 * DAY, 2e-3, 1e-3, True), Visit(50 * DAY, -1e-3, 2e-3)]
    spreads = {
        "zero error": ("start_standard", 3e-3),
        "zero drift": ("drift_standard", 2e-3),
        "gauge datum": ("shared_standard", 1e-3),
        "setting of the zero": ("setting_standard", 0.7e-3),
    }
    usual = dict(spreads.values())
    steps = [Step(35 * DAY, 4e-3)]

    def found(read=visits, steps=steps, **other):
        model = ZeroModel(**usual | other)
        return condition_zero(read, 0.0, 90 * DAY, model, nodes=[30 * DAY, 60 * DAY], steps=steps)

    def of_mean(found):
        spans = np.diff(found.edges)
        weights = np.repeat(spans / spans.sum(), 2) / 2
        covariance = found.covariance + np.kron(np.diag(found.wander**2), np.ones((2, 2)))
        return float(weights @ covariance @ weights)

    for read in (visits, []):
        whole = found(read)
        assert sum(whole.parts.values()) == pytest.approx(of_mean(whole), rel=1e-9)
        for name, (key, _) in spreads.items():
            without = found(read, **{key: 0.0})
            assert without.parts[name] == 0.0
            assert sum(without.parts.values()) == pytest.approx(of_mean(without), rel=1e-9)
    assert found(steps=[]).parts["steps"] == 0.0 < found().parts["steps"]
    assert found([]).parts["hand reading"] == 0.0 < found().parts["hand reading"]
