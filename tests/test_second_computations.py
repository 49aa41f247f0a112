"""Small rooms beside a computation of their own: loops, sums and laws written out here again."""

from __future__ import annotations

import argparse
import inspect
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from sewer_audit import audit
from sewer_audit.__main__ import parser
from sewer_audit.auditing.judgement.patterns import Patterns
from sewer_audit.balance import network
from sewer_audit.drafting.looking import _header
from sewer_audit.effluent.readings.means import _joined, mean_correction
from sewer_audit.explanations import marks
from sewer_audit.planning import make_plan
from test_explanations_marks import stub


def test_what_joining_intervals_hides_is_what_loops_over_them_give():
    level = 0.2 + 0.05 * np.random.default_rng(3).random(320).cumsum() % 0.1
    series = SimpleNamespace(time=np.arange(320) * 900.0, level=level)
    hidden, ratio = _joined(series, np.ones(320), lambda head, factor: factor * head**1.6, 900.0)

    def volume(joined: int) -> float:
        parts = [level[n : n + joined].mean() ** 1.6 for n in range(0, 320, joined)]
        return float(np.mean(parts))

    one, two, four = volume(1), volume(2), volume(4)
    assert hidden == pytest.approx((one - two) / one)
    assert ratio == pytest.approx((one - two) / (two - four))


def test_a_finer_stretch_tells_what_the_means_of_the_rest_hide():
    """Three days by the minute, then 57 days of means over 15 minutes, of one course."""
    minutes = np.arange(60 * 1440)
    course = 0.15 + 0.1 * (minutes % 30 < 11) + 0.02 * np.sin(minutes / 900)
    fine, rest = course[: 3 * 1440], course[3 * 1440 :].reshape(-1, 15).mean(axis=1)
    width = np.concatenate([np.full(len(fine), 60.0), np.full(len(rest), 900.0)])
    level = np.concatenate([fine, rest])
    series = SimpleNamespace(
        time=np.cumsum(width) - width, level=level, width=width, discharge=0.7 * level**1.6,
        carrier=0.7, flat=False, name="record.csv",
    )  # fmt: skip
    found = mean_correction(series, lambda head: head**1.6, 0.05)
    blocks = fine.reshape(-1, 15)
    share = (blocks**1.6).mean() / (blocks.mean(axis=1) ** 1.6).mean() - 1
    coarse = (rest**1.6).sum() * 900 / (level**1.6 * width).sum()
    assert share > 0.005
    assert found.cause.value == pytest.approx(coarse * share)


def test_the_law_of_a_course_is_the_one_its_notes_write_down():
    """Normal, covariance s^2 I + l^2 + d^2 exp(-|dt| / T), against no cause; twice, by weight."""
    random = np.random.default_rng(5)
    starts, lengths = 30.0 * np.arange(8), np.full(8, 30.0)
    value, name = 0.03 * random.normal(size=8), "velocity at low depth"
    observed = SimpleNamespace(courses={name: value}, starts=starts, lengths=lengths, count=8)
    predicted = np.linspace(0.0, 0.05, 8)
    own = 3.0 * max(1.05 * np.median(np.abs(np.diff(value))), 0.01) ** 2
    apart = np.abs(starts[:, None] - starts[None, :])
    cov = own * np.eye(8) + 0.06**2 + 0.02**2 * np.exp(-apart / 60.0)

    def log_density(away) -> float:
        laws = [weight * multivariate_normal.pdf(away, cov=cov * scale**2)
                for scale, weight in ((1.0, 0.9), (5.0, 0.1))]  # fmt: skip
        return float(np.log(sum(laws)))

    told = log_density(value - predicted) - log_density(value)
    found = marks.course_told(observed, name, predicted[None, :])
    assert found == pytest.approx([7.0 * np.tanh(told / 7.0)], rel=1e-4)


def test_a_suspect_s_error_has_the_spread_of_repeated_readings():
    """One meter before two: its error relative to the truth, drawn again and again.

    The stated spread takes the reading, which stands in the scale of its error, as the truth: it
    lies between the true one and (1 + error) times that.
    """
    mean, u = np.array([118.0, 60.0, 40.0]), np.array([1.2, 0.9, 0.5])
    rows = np.array([[1.0, -1.0, -1.0]])
    test = network._Test.of(rows, mean, np.diag(u**2), 0)
    found = {each.name: each for each in network._suspects(("a", "b", "c"), test, rows * mean)}
    drawn = mean + u * np.random.default_rng(7).normal(size=(40_000, 3))
    for name, others in {"a": drawn[:, 1] + drawn[:, 2], "b": drawn[:, 0] - drawn[:, 2]}.items():
        place = "abc".index(name)
        error = drawn[:, place] / others - 1
        assert found[name].error == pytest.approx(error.mean(), abs=0.002)
        ends = sorted([1.0, 1 + error.mean()])
        assert ends[0] - 0.01 < found[name].standard / error.std() < ends[1] + 0.01


def test_the_largest_change_of_level_is_found_at_its_hour():
    hours = np.arange(24 * 90)
    flow = 0.01 * (1.5 + np.sin(2 * np.pi * hours / 24)) * np.where(hours < 24 * 37, 1.0, 1.4)
    record, _ = stub(flow, 0 * flow)
    places = SimpleNamespace(series=record.series, _at=lambda seconds: seconds / 86400)
    changes = Patterns.changes.func(places)
    assert changes[0] == pytest.approx(37.0, abs=1.1)


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("time,level\n2026-01-01,1.5\n2026-01-02,1.6\n2026-01-03,1.7\n", ["time", "level"]),
        ("Site 4\n\nDay;Head\n-;cm\n1.2.2026;3,5\n2.2.2026;3,6\n", ["Day", "Head"]),
        ("2026-01-01,1.5\n2026-01-02,1.6\n2026-01-03,1.7\n", []),
        ("Report of the site\nno figures, but words\nand words\n", []),
    ],
)
def test_names_stand_above_the_first_rows_of_numbers(text, names):
    assert _header(text) == names


def options(program: argparse.ArgumentParser):
    (commands,) = (a for a in program._actions if isinstance(a, argparse._SubParsersAction))
    for name, command in commands.choices.items():
        for action in command._actions:
            yield name, action.dest, action.default


def test_every_command_computes_what_the_library_computes_unasked():
    """Draws and seed left out mean the same in a shell and in a cell."""
    own = {key: p.default for key, p in inspect.signature(audit).parameters.items()}
    plan = {key: p.default for key, p in inspect.signature(make_plan).parameters.items()}
    told = [(name, key, default) for name, key, default in options(parser())
            if key in ("draws", "seed") and default is not None]  # fmt: skip
    assert len({name for name, *_ in told}) > 3
    for name, key, default in told:
        assert default in (own[key], plan[key]), (name, key)
