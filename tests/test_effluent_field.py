"""Inputs of the field: damp air, hand readings, what was done to the instrument; all are listed."""

from __future__ import annotations

from dataclasses import MISSING, fields, replace

import numpy as np
import pandas as pd
import pytest

from looked_at import looked_at
from sewer_audit import audit, load_case
from sewer_audit.auditing.inspecting import inspect_file
from sewer_audit.balance import FLOOR, reconcile
from sewer_audit.effluent import (
    OTHER_HOURS,
    DischargeSeries,
    Periods,
    air_shift,
    assemble,
    assess_checklist,
    discharge_series,
    level_about,
    levels,
    visits_look_round,
    zero_path,
)
from sewer_audit.effluent.volumes import period_volumes
from sewer_audit.effluent.zero import LevelAbout
from sewer_audit.errors import InputRefused
from sewer_audit.hydraulics import build_device, hand_reading, speed_of_sound
from sewer_audit.report.frames import assumptions
from sewer_audit.uncertainty import Cause, Draws, Step, Visit, ZeroModel, condition_zero

FLUME = build_device("parshall flume", {"throat": "6 in"})
DAY, MM, DAYS, BRACKET = 86_400.0, 1e-3, 20, 1.2


def made(visits=(), steps=(), changed=None, humidity=1.0):
    """Two periods of about ten days with a daily course of the head, by echo in saturated air."""
    start = pd.Timestamp("2026-01-01", tz="UTC")
    seconds = np.arange(0, (DAYS + 1) * DAY, 900.0)
    head = 0.15 + 0.05 * np.sin(2 * np.pi * seconds / DAY)
    frame = pd.DataFrame({"time": start + pd.to_timedelta(seconds, unit="s"), "status": "measured"})
    frame["echo_time"] = 2 * (BRACKET - head) / float(speed_of_sound(291.15, 1.0))
    frame["air_temperature"] = 291.15
    level = levels(frame, FLUME, BRACKET, humidity=humidity)
    series = discharge_series(frame, level, FLUME, reference_distance=BRACKET, humidity=humidity)
    causes = assess_checklist(FLUME, {}, echo=True).applied(assemble(FLUME, [], echo=True))
    if changed is not None:
        causes = changed(causes)
    zero = zero_path(
        list(visits),
        0.0,
        DAYS * DAY,
        causes,
        air_shift=air_shift(series, causes),
        steps=steps,
    )
    edges = pd.DatetimeIndex([start + pd.Timedelta(days=day) for day in (0, 9.8, 20)])
    spans = Periods(("A", "B"), edges[:-1], edges[1:], "UTC")
    volumes = period_volumes(series, FLUME, spans, causes, zero, Draws(4000, 3), 3600.0)
    return level, head, volumes


def spread(found) -> float:
    total = found.volumes.sum(axis=1)
    return float(total.std() / total.mean())


VISITS = [Visit(2 * DAY, 0.0, 3 * MM, True), Visit(9.4 * DAY, 1 * MM, 3 * MM)]


def test_saturated_air_is_faster_and_dry_air_reads_high():
    """Damp air at 18 degC: vapour 2.06 kPa, a share of 0.0204, times 0.16 is 0.33 % (by hand)."""
    level, head, _ = made()
    assert level == pytest.approx(head, abs=1e-9)
    dry, _, _ = made(humidity=0.0)
    assert (dry - head) / (BRACKET - head) == pytest.approx(0.0033, rel=0.03)


def alone(found, cause: str) -> float:
    """Relative standard uncertainty that one cause brings to the sum."""
    drawn = found.model.draw(Draws(20_000, 1), only=cause).sum(axis=1)
    return float(drawn.std() / drawn.mean())


def test_zeroed_on_the_spot_the_air_takes_most_of_it_back():
    before = alone(made()[2], "air humidity")
    after = alone(made(VISITS)[2], "air humidity")
    assert before > 0.003 and after < 0.25 * before


def test_half_of_the_air_stays_open_where_all_visits_fall_within_a_few_hours():
    """By hand: a common 0.9 mm beside what the visits leave."""
    other = Cause(OTHER_HOURS, 0.9 * MM, unit="m")
    plain = made(VISITS)[2].zero.offset.covariance
    found = made(VISITS, changed=lambda c: replace(c, shared={**c.shared, OTHER_HOURS: other}))[2]
    assert found.zero.offset.covariance - plain == pytest.approx(np.full(plain.shape, 8.1e-7))


@pytest.mark.parametrize(
    ("hours", "seen"),
    [((10.0, 10.3, 9.8), False), ((23.5, 0.5, 1.0), False), ((6.0, 15.0), True), ((), True)],
)
def test_visits_within_a_third_of_the_day_see_one_kind_of_air(hours, seen):
    visits = [Visit(float(k), 0.0) for k in range(len(hours))]
    assert visits_look_round(visits, hours) is seen


# ------------------------------------------------------------------ every input is listed


def without(name: str):
    """The same causes with one of them exactly known."""

    def changed(causes):
        found = {
            field: replace(getattr(causes, field), standard=0.0)
            for field in ("zero", "drift", "noise")
            if getattr(causes, field).name == name
        }
        if name in causes.shared:
            shared = {**causes.shared, name: replace(causes.shared[name], standard=0.0)}
            found["shared"] = shared
        assert found, name
        return replace(causes, **found)

    return changed


EXACT = ("exponent",)  # listed with no spread of its own
LISTED = assess_checklist(FLUME, {}).applied(assemble(FLUME, [], echo=True)).all
BY_VISIT = ("hand reading",)  # acts through the standard of each visit


@pytest.mark.parametrize(
    "name",
    [c.name for c in LISTED if c.name not in (*EXACT, *BY_VISIT)],
)
def test_each_listed_input_moves_the_interval(name):
    """Removed one by one, each constant changes the draws."""
    whole = made(VISITS)[2]
    assert not np.allclose(made(VISITS, changed=without(name))[2].volumes, whole.volumes, rtol=1e-7)


def test_with_every_listed_input_known_nothing_is_left():
    """No constant moves the interval that the list does not name."""

    def known(causes):
        for cause in causes.all:
            if cause.name not in EXACT:
                causes = without(cause.name)(causes)
        return causes

    exact = [replace(visit, standard=1e-9, difference=0.0) for visit in VISITS]
    found = made(exact, changed=known)[2]
    own = {each.cause.name for each in found.model.independent}
    assert own == {"gap filling", "sampling interval", "head noise"}  # listed beside the causes
    by_themselves = sum(each.volumes.sum() ** 2 for each in found.model.independent)
    left = found.volumes.sum(axis=1).var()
    assert left <= 1.1 * by_themselves + 1e-9
    assert spread(found) < 0.05 * spread(made(VISITS)[2])


def test_the_floor_of_an_invoice_is_listed_and_eases_the_test():
    rng = np.random.default_rng(4)
    one, two = (1000 * (1 + 0.01 * rng.standard_normal((4000, 3))) for _ in range(2))
    one = one * 1.01
    plain, kept = (reconcile(one, two, model_floor=floor) for floor in (0.0, 0.003))
    assert kept.chi_square < 0.95 * plain.chi_square  # 0.3 % beside 1 %, in each of the two
    listed = looked_at(draws=500).causes.set_index("cause")
    assert float(listed.loc[FLOOR.name, "standard"]) == 0.003
    assert listed.loc[FLOOR.name, "grade"] == "judgement"


# ------------------------------------------------------------------ visits and events


def test_visits_that_scatter_more_than_stated_count_as_less_exact():
    """Ten readings 9 mm apart stated at 1 mm: u near 9 mm / root 10, not 1 mm / root 10."""
    rng = np.random.default_rng(2)
    visits = [Visit(k * DAY, float(rng.normal(0, 9 * MM)), 1 * MM) for k in range(1, 11)]
    tight = condition_zero(visits, 0.0, 11 * DAY, ZeroModel(10 * MM))
    causes = assemble(FLUME, [], echo=False)
    causes = replace(
        causes,
        zero=replace(causes.zero, standard=10 * MM),
        drift=replace(causes.drift, standard=0.0),
        shared={**causes.shared, "gauge datum": replace(causes.shared["gauge datum"], standard=0)},
    )
    found = zero_path(visits, 0.0, 11 * DAY, causes)
    assert found.posterior.standard[0] > 6 * tight.standard[0]
    assert found.posterior.standard[0] == pytest.approx(9 * MM / np.sqrt(10), rel=0.4)
    assert any("scatter" in flag.code or "contradicts" in flag.code for flag in found.flags)
    calm = [replace(visit, difference=visit.difference / 9) for visit in visits]
    same = zero_path(calm, 0.0, 11 * DAY, causes).posterior
    plain = condition_zero(calm, 0.0, 11 * DAY, ZeroModel(10 * MM))
    assert same.standard == pytest.approx(plain.standard)


def recorded(level, every: float, start: float = 0.0) -> DischargeSeries:
    """A record of nothing but a level."""
    time = start + every * np.arange(len(level))
    names = [each.name for each in fields(DischargeSeries) if each.default is MISSING]
    blank = dict.fromkeys(names, None)
    return DischargeSeries(**blank | {"time": time, "level": np.asarray(level, dtype=float)})


def test_a_comparison_is_as_uncertain_as_the_level_moves_between_two_looks():
    """Beside what truly moves within a minute in levels made at random, ten seconds apart."""
    chance = np.random.default_rng(5)
    walk = np.cumsum(1.5 * MM * chance.standard_normal(200_000))  # every ten seconds
    minute = float(np.sqrt(np.mean((walk[6:] - walk[:-6]) ** 2)))
    for step in (1, 6, 30, 90):  # logged every 10 s, 1 min, 5 min, 15 min
        series = recorded(walk[::step], 10.0 * step)
        about = [level_about(series, t).standard for t in np.arange(9e3, 1.9e6, 4567.0)]
        usual = float(np.sqrt(np.mean(np.square(about))))
        assert usual == pytest.approx(minute, rel=0.12), step
    steady = recorded(np.full(500, 0.2), 300.0)
    assert level_about(steady, 30_010.0) == LevelAbout(pytest.approx(0.2), 0.0, 0.0)


def test_a_jump_at_a_visit_is_seen_and_one_an_hour_away_is_not():
    level = np.where(np.arange(400) < 100, 0.10, 0.15)  # jumps between 29 700 s and 30 000 s
    series = recorded(level, 300.0)
    beside, away = level_about(series, 29_900.0), level_about(series, 26_000.0)
    assert beside.moved == pytest.approx(0.05) and away.moved == away.standard == 0.0
    assert 0.10 < beside.recorded < 0.15 and away.recorded == pytest.approx(0.10)
    assert beside.standard == pytest.approx(0.05 * np.sqrt(60 / (3 * 300)))  # three gaps of four
    outside = level_about(series, -7200.0)  # nothing about it: as the whole record moves
    assert np.isnan(outside.recorded) and np.isnan(outside.moved)
    assert outside.standard == pytest.approx(0.05 * np.sqrt(60 / (399 * 300)))


def test_a_step_nobody_read_leaves_the_zero_open_until_the_next_visit():
    """Exact visits on day 0 and 20, a bracket moved on day 10: 20 mm in between, by hand."""
    visits = [Visit(0.0, 0.0, 1e-9), Visit(20 * DAY, 12 * MM, 1e-9)]
    found = condition_zero(
        visits, 0.0, 20 * DAY, ZeroModel(50 * MM), steps=[Step(10 * DAY, 20 * MM)]
    )
    assert list(found.edges[1:-1]) == [0.0, 10 * DAY, 20 * DAY]
    before, after = found.mean[3], found.mean[4]
    assert before == pytest.approx(0.0, abs=1e-6) and after == pytest.approx(12 * MM, abs=1e-6)
    last = condition_zero(
        visits[:1], 0.0, 20 * DAY, ZeroModel(50 * MM), steps=[Step(10 * DAY, 0.02)]
    )
    assert last.standard[-1] == pytest.approx(0.02) and last.standard[0] < 1e-6
    step = [Step(20 * DAY, 0.02)]  # at the visit itself: before it
    same = condition_zero(visits, 0.0, 20 * DAY, ZeroModel(50 * MM), steps=step)
    assert same.mean[-1] == pytest.approx(12 * MM, abs=1e-6)


def test_a_bracket_moved_widens_what_follows():
    plain, moved = made(VISITS)[2], made(VISITS, [Step(12 * DAY, 30 * MM)])[2]
    first, second = moved.volumes.std(axis=0) / plain.volumes.std(axis=0)
    assert first < 1.2 and second > 2


def path_of(visits, steps=(), growth="random walk", drift=1 * MM, days=60):
    causes = assemble(FLUME, [], echo=False)
    causes = replace(causes, drift=replace(causes.drift, standard=drift))
    return zero_path(list(visits), 0.0, days * DAY, causes, steps=steps, growth=growth)


def test_a_visit_that_contradicts_moves_the_zero_at_an_unknown_moment():
    """Good on day 20, 20 mm off on day 40: in between anything from nothing to 20 mm, by hand.

    A step of d at a moment uniform over T has at its middle the mean d/2 and the spread d/2.
    """
    visits = [Visit(0.0, 0.0), Visit(20 * DAY, 0.0), Visit(40 * DAY, 20 * MM, label="the third")]
    found = path_of(visits)
    (step,) = [each for each in found.steps if each.since is not None]
    assert (step.since, step.time) == (20 * DAY, 40 * DAY)
    assert step.standard == pytest.approx(20 * MM, rel=0.1)
    halfway = zero_path(
        visits, 0.0, 60 * DAY, assemble(FLUME, [], echo=False), nodes=[30 * DAY], steps=[]
    )
    place = 2 * (list(halfway.edges).index(30 * DAY))
    assert halfway.offset.mean[place] == pytest.approx(10 * MM, rel=0.15)
    assert np.sqrt(halfway.offset.covariance[place, place]) > 8 * MM
    late = found.posterior.standard[-1]
    assert late < 5 * MM  # after the visit the zero is known again
    listed = found.listed(assemble(FLUME, [], echo=False)).shared
    assert listed["zero moved before the third"].standard == step.standard
    assert any(flag.code == "visit-contradicts-zero-uncertainty" for flag in found.flags)


def test_a_misread_visit_is_told_from_a_moved_zero():
    """Many readings that jump to and fro: the readings scatter; nothing has moved for good."""
    rng = np.random.default_rng(5)
    away = [Visit(k * 2 * DAY, float(rng.normal(0, 15 * MM))) for k in range(1, 26)]
    found = path_of(away)
    assert found.scaled.get("hand reading", 1.0) > 2 and not found.steps
    drifts = [Visit(k * 5 * DAY, k * 7 * MM) for k in range(1, 11)]
    found = path_of(drifts)
    assert "hand reading" not in found.scaled and (found.steps or found.scaled["zero drift"] > 2)


def test_what_grows_between_cleanings_is_taken_off_again():
    """A crust of one unit per cleaning: nothing after it, all of it before, by hand."""
    steps = [Step(day * DAY, 10 * MM, cleaned=True) for day in (15, 35, 55)]
    found = path_of([], steps, drift=0.0, days=65).posterior
    base = (2.5 * MM) ** 2
    spread = {}
    for place, edge in enumerate(found.edges[1:-1], start=1):
        spread[edge / DAY] = (
            found.covariance[2 * place - 1, 2 * place - 1] - base,
            (found.covariance[2 * place, 2 * place] - base),
        )
    for day in (15, 35, 55):
        before, after = spread[day]
        assert before == pytest.approx((10 * MM) ** 2) and after == pytest.approx(0, abs=1e-12)
    assert found.covariance[-1, -1] - base == pytest.approx((5 * MM) ** 2)
    seen = [Visit(34.9 * DAY, -12 * MM, 1e-4)]  # 12 mm too high just before a cleaning
    told = path_of(seen, steps, drift=0.0, days=65).posterior
    place = 2 * list(told.edges).index(55 * DAY) - 1
    assert told.mean[place] < -9 * MM and abs(told.mean[place + 1]) < 3 * MM


def test_an_instrument_nobody_reads_drifts_further(tmp_path):
    visit = EVENTS.split("[[effluent.event]]")[0]
    bare, read = (
        audit(load_case(site(tmp_path, tables=tables)), draws=500).causes.set_index("cause")
        for tables in ("", visit)
    )
    assert float(bare.loc["zero drift", "standard"]) == pytest.approx(0.003)
    assert "nobody reads" in bare.loc["zero drift", "source"]
    assert float(read.loc["zero drift", "standard"]) == pytest.approx(0.001)
    steady = path_of([], growth="steady", drift=3 * MM).posterior.standard[-1]
    assert steady == pytest.approx(np.hypot(6 * MM, 2.5 * MM))  # 3 mm in 30 days, for 60


# ------------------------------------------------------------------ what only reads too high


def test_what_raises_the_water_is_skewed_and_lowers_no_volume_by_itself():
    found = made()[2]
    drawn = found.model.draw(Draws(40_000, 4), only="solids at the gauge").sum(axis=1)
    alone_mean = float(drawn.mean()) / float(found.model.evaluate(None, {}, 1).sum())
    assert alone_mean == pytest.approx(1.0, abs=0.003)
    low, high = np.quantile(drawn / drawn.mean() - 1, [0.025, 0.975])
    assert low < -2 * high  # a bed of 2 mm in the mean: now and then far more, never below none
    one = Cause("x", 0.02, shape="exponential")
    values = Draws(200_000, 1).of(one)
    assert values.mean() == pytest.approx(0.0, abs=2e-4)
    assert values.std() == pytest.approx(0.02, rel=0.01)
    assert values.min() == pytest.approx(-0.02, abs=1e-5)  # JCGM 101, 6.4.10, moved by its mean


def test_a_yes_takes_it_away_and_a_second_head_sees_the_submergence():
    names = lambda answers, tail: {  # noqa: E731
        name
        for name in assess_checklist(FLUME, answers, tail=tail)
        .applied(assemble(FLUME, [], echo=False, tail=tail))
        .shared
        if name in ("solids at the gauge", "submergence not seen")
    }
    both = {"solids at the gauge", "submergence not seen"}
    assert names({}, False) == both and names({}, True) == {"solids at the gauge"}
    clean = {"solids": "yes; bare floor", "free flow": "yes"}
    assert names(clean, False) == set()
    twice = assess_checklist(FLUME, {"solids": "no"}).applied(assemble(FLUME, [], echo=False))
    assert twice.shared["solids at the gauge"].standard == pytest.approx(0.004)


def test_an_air_sensor_nobody_answers_for_may_stand_in_the_sun():
    air = lambda answers: (  # noqa: E731
        assess_checklist(FLUME, answers, echo=True)
        .applied(assemble(FLUME, [], echo=True))
        .shared["air temperature"]
    )
    assert air({}).standard == 3.0 and "sun" in air({}).source
    assert air({"temperature": "yes; shaded"}).standard == 1.0
    stated = assemble(FLUME, [Cause("air temperature", 0.5, unit="K")], echo=True)
    kept = assess_checklist(FLUME, {}, echo=True).applied(stated).shared["air temperature"]
    assert kept.standard == 0.5


# ------------------------------------------------------------------ a second head


def drowned(method: str, head: float = 0.0, tail: float = 0.0):
    """A 1 ft flume 83 to 88 % submerged for twenty days; both heads may be off."""
    device = build_device("parshall flume", {"throat": "1 ft", "submergence": method})
    start = pd.Timestamp("2026-01-01", tz="UTC")
    seconds = np.arange(0, (DAYS + 1) * DAY, 900.0)
    true = 0.065 + 0.01 * np.sin(2 * np.pi * seconds / DAY)
    below = true * (0.855 + 0.025 * np.sin(2 * np.pi * seconds / DAY + 1))
    frame = pd.DataFrame({"time": start + pd.to_timedelta(seconds, unit="s"), "status": "measured"})
    frame = frame.assign(head=true + head, downstream_head=below + tail)
    series = discharge_series(frame, levels(frame, device, None), device)
    causes = assemble(device, [], echo=False, tail=True)
    zero = zero_path([], 0.0, DAYS * DAY, causes)
    edges = pd.DatetimeIndex([start, start + pd.Timedelta(days=DAYS)])
    spans = Periods(("A",), edges[:-1], edges[1:], "UTC")
    return period_volumes(series, device, spans, causes, zero, Draws(4000, 3), 3600.0)


def test_submergence_is_worked_out_for_every_error_of_either_head():
    """1.5 mm of either head moves such a volume by some 5 %; the interval has to know it."""
    found = drowned("direct")
    mean, u = float(found.volumes.mean()), float(found.volumes.std())
    assert u / mean > 0.10
    for moved in (drowned("direct", head=1.5 * MM), drowned("direct", tail=1.5 * MM)):
        change = abs(float(moved.volumes.mean()) / mean - 1)
        assert 0.02 < change < 2 * u / mean
    other = float(drowned("subtractive").volumes.mean())
    assert 0.05 < abs(other / mean - 1) and abs(other - mean) < 2 * u
    assert {"downstream zero", "submergence method"} <= set(found.model.names)
    assert found.check.largest < 0.03  # brute force, reading by reading


def test_a_second_head_far_below_changes_nothing():
    """Free flow: the second sensor and the choice of a correction leave the volume alone."""
    found = drowned("direct", tail=-0.09)
    for cause in ("downstream zero", "submergence method"):
        assert alone(found, cause) < 1e-9


def test_a_second_head_that_never_moves_stops_the_verdict():
    device = build_device("parshall flume", {"throat": "1 ft"})
    time = pd.date_range("2026-01-01", periods=50, freq="15min", tz="UTC")
    head = np.linspace(0.1, 0.2, 50)
    for tail, stops in ((np.zeros(50), True), (0.3 * head, False)):
        frame = pd.DataFrame({"time": time, "status": "measured", "head": head})
        frame["downstream_head"] = tail
        flags = discharge_series(frame, head, device).flags
        assert ("second-head-dead" in {flag.code for flag in flags}) is stops


CASE = """
[case]
title = "Bottling hall"
time_zone = "UTC"
basis = "discharge"
[invoices]
file = "bills.csv"
volume_unit = "m3"
end_day_counts = false
[effluent]
file = "log.csv"
method = "parshall flume"
throat = "6 in"
reference_distance = "1.2 m"
stamp = "instant"
{more}
[effluent.columns]
time = "time"
echo_time = {{ name = "echo", unit = "ms" }}
air_temperature = {{ name = "air", unit = "degC" }}
{column}
{tables}
"""
EVENTS = """
[[effluent.visit]]
time = "2026-01-03 10:00"
hand = "152 mm"
instrument = "150 mm"
[[effluent.event]]
time = "2026-01-12 09:00"
kind = "bracket moved"
"""


def site(folder, more="", column="", tables=""):
    (folder / "bills.csv").write_text(
        "invoice,start,end,billed_volume,total\nA,2026-01-01,2026-01-21,9000,90\n"
    )
    seconds = np.arange(0, 21 * DAY, 1800.0)
    air = 18 + np.sin(seconds / 20_000)
    damp = 99.5 + 0.5 * np.sin(seconds / 15_000)
    speed = speed_of_sound(air + 273.15, 1.0)
    echo = 2e3 * (1.2 - 0.15 - 0.03 * np.sin(seconds / 9000)) / speed
    stamps = pd.Timestamp("2026-01-01") + pd.to_timedelta(seconds, unit="s")
    rows = [
        f"{time:%Y-%m-%d %H:%M},{each:.5f},{warm:.3f},{share:.2f}"
        for time, each, warm, share in zip(stamps, echo, air, damp, strict=True)
    ]
    (folder / "log.csv").write_text("\n".join(["time,echo,air,damp", *rows]) + "\n")
    (folder / "case.toml").write_text(CASE.format(more=more, column=column, tables=tables))
    return folder


def test_the_air_of_a_case(tmp_path):
    damp = audit(load_case(site(tmp_path)), draws=500).invoices["effluent_mean"][0]
    stated = audit(load_case(site(tmp_path, 'air = "saturated"')), draws=500)
    column = 'humidity = { name = "damp", unit = "%" }'
    measured = audit(load_case(site(tmp_path, "", column)), draws=500)
    dry = audit(load_case(site(tmp_path, 'air = "dry"')), draws=500).invoices["effluent_mean"][0]
    assert stated.invoices["effluent_mean"][0] == pytest.approx(damp)
    assert measured.invoices["effluent_mean"][0] == pytest.approx(damp, rel=1e-3)
    assert dry > 1.02 * damp
    half = audit(load_case(site(tmp_path, 'air = "40 %"')), draws=500).invoices["effluent_mean"][0]
    assert damp < half < dry


@pytest.mark.parametrize(
    ("more", "column", "said"),
    [
        ('air = "humid"', "", "'dry', 'saturated' or for example '40 %'"),
        ('air = "140 %"', "", "between 0 and 100 %"),
        ('air = "dry"', 'humidity = { name = "damp", unit = "%" }', "its own column of humidity"),
    ],
)
def test_an_air_that_says_nothing_is_refused(tmp_path, more, column, said):
    with pytest.raises(InputRefused, match=said):
        load_case(site(tmp_path, more, column))


def test_what_was_done_to_the_instrument_is_listed(tmp_path):
    found = audit(load_case(site(tmp_path, tables=EVENTS)), draws=500)
    causes = found.causes.set_index("cause")
    assert float(causes.loc["bracket moved 2026-01-12 09:00", "standard"]) == pytest.approx(0.03)
    hand = float(causes.loc["hand reading", "standard"])
    moves = level_about(found.evidence.series, found.evidence.effluent.zero.visits[0].time).standard
    assert 0 < moves < 0.001 and hand == pytest.approx(np.hypot(0.003, moves))
    assert "96.05" in causes.loc["hand reading", "source"]
    assert "setting of the zero" not in causes.index  # nothing was re-zeroed
    assert any(flag.code == "visits-at-one-time-of-day" for flag in found.flags)
    assert 0 < float(causes.loc["air at other hours", "standard"]) < 0.004  # 3 K unanswered
    bare = audit(load_case(site(tmp_path)), draws=500)
    assert "hand reading" not in set(bare.causes["cause"])


def test_an_unreadable_event_is_told_with_its_place(tmp_path):
    wrong = EVENTS.replace("2026-01-12 09:00", "12th of never")
    told = inspect_file(site(tmp_path, tables=wrong)).problems
    assert any(p.column == "effluent.event[1].time" for p in told)


# ------------------------------------------------------------------ how figures are known


def test_the_share_that_rests_on_memory_or_judgement_is_told(tmp_path):
    """Stated figures with a certificate take it away; the page and findings.json say the same."""
    loose = audit(load_case(site(tmp_path)), draws=1000)
    certain = "".join(
        f'[[effluent.cause]]\nname = "{name}"\nstandard = "{figure}"\nsource = "certificate 12"\n'
        for name, figure in [("discharge coefficient", "3 %"), ("air humidity", "1 %")]
    )
    stated = audit(load_case(site(tmp_path, tables=certain)), draws=1000)
    shares = [each.findings()["memory_or_judgement"]["effluent"] for each in (loose, stated)]
    assert 0.5 < shares[0] <= 1 and shares[1] < shares[0]
    graded = stated.causes.set_index("cause")["grade"]
    assert graded["discharge coefficient"] == "stated" and graded["zero error"] == "read"
    assert graded["sampling interval"] == "computed" and graded["clock"] == "judgement"
    page = assumptions(loose).set_index("cause")
    told = page.loc["from memory or by judgement, together", "standard uncertainty"]
    assert told == f"{100 * shares[0]:.0f} % of the variance"


def test_a_discharge_by_hand_says_how_its_accuracy_is_known():
    said = str(hand_reading("parshall", {"throat": "6 in", "head": "3 in"}))
    assert "grade      memory" in said and "field      5 % at 95 %" in said
