"""Gaps follow the metered intake where that errs less, and only there."""

from __future__ import annotations

import numpy as np
import pytest

from sewer_audit.effluent.readings.gap_intake import BETTER, followed, intake_course
from sewer_audit.effluent.readings.gaps import HourlyRecord, fill_gap, hold_out_error, hourly_record

HOUR, DAY = 3600.0, 86400.0
RNG = np.random.default_rng(11)
DAYS = 70
BINS = np.arange(24 * DAYS) % 168


def site(coupled: bool):
    """Discharge every 15 min and an hourly register; production differs from day to day."""
    time = np.arange(0, DAYS * DAY + 1, 900.0)
    level = RNG.uniform(0.4, 1.6, DAYS + 1)[(time // DAY).astype(int)]
    hour = (time / HOUR) % 24
    flow = level * (0.004 + 0.01 * np.exp(-((hour - 12) ** 2) / 20))
    used = flow if coupled else RNG.permutation(flow)
    total = np.concatenate([[0.0], np.cumsum((used[1:] + used[:-1]) / 2 * 900)]) / 0.8
    return time, flow, (time[::4], total[::4])


def records(coupled: bool) -> tuple[HourlyRecord, HourlyRecord, np.ndarray]:
    time, flow, register = site(coupled)
    plain = hourly_record(time, flow, 1800.0, BINS)
    edges = plain.start + HOUR * np.arange(len(BINS) + 1)
    course = intake_course(edges, [register], BINS)
    return (
        plain,
        HourlyRecord(plain.start, plain.volume, plain.covered, plain.pattern, course),
        flow,
    )


def test_following_the_intake_narrows_the_filling_of_a_day():
    """The intake of the gap says how busy the day was; the weekly pattern cannot."""
    plain, with_intake, _ = records(coupled=True)
    before, after = (hold_out_error(record, DAY) for record in (plain, with_intake))
    assert after < 0.3 * before
    day = slice(24 * 33, 24 * 34)
    truth = plain.volume[day].sum()
    filled = fill_gap(with_intake, 33 * DAY, 34 * DAY)
    assert abs(filled - truth) < 0.3 * abs(fill_gap(plain, 33 * DAY, 34 * DAY) - truth)


def test_an_intake_that_says_nothing_is_not_followed():
    plain, with_intake, _ = records(coupled=False)
    assert hold_out_error(with_intake, DAY) > BETTER * hold_out_error(plain, DAY)


def test_course_is_one_where_the_intake_is_as_usual_and_unknown_beyond_the_reads():
    edges = HOUR * np.arange(24 * 14 + 1)
    register = (edges[: 24 * 10 + 1], 2.0 * np.arange(24 * 10 + 1))
    course = intake_course(edges, [register], BINS[: 24 * 14])
    assert course[: 24 * 10] == pytest.approx(1.0)
    assert np.isnan(course[24 * 10 :]).all()
    assert intake_course(edges, [], BINS[: 24 * 14]) is None
    assert followed(None, course, np.ones(1), slice(0, 1), []) == 1.0
    unknown = slice(24 * 12, 24 * 13)
    beside = [(slice(24 * 8, 24 * 9), np.ones(24, dtype=bool))]
    assert followed(course, np.ones(24 * 14), np.full(24, HOUR), unknown, beside) == 1.0


def test_two_meters_are_one_intake():
    edges = HOUR * np.arange(24 * 14 + 1)
    steady = np.arange(24 * 14 + 1.0)
    course = intake_course(edges, [(edges, steady), (edges, 3 * steady)], BINS[: 24 * 14])
    assert course == pytest.approx(np.ones(24 * 14))
