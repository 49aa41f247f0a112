"""Each screening rule finds its fault, leaves a clean record alone, and deletes nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from second_opinions.records_steps import accepted_durations
from sewer_audit.errors import InputRefused
from sewer_audit.records import ColumnSpec, read_logger
from sewer_audit.records.rules.marking import Visit
from sewer_audit.records.rules.named import DEFAULT_RULES, screening_rules
from sewer_audit.records.rules.screening import read_visits, screen

STEP = 300
DAY = 86400 // STEP


def level_of(days=30, seed=1):
    """Head of an invented site: two peaks a day, noise of 1 mm, resolution of 0.1 mm [m]."""
    rng = np.random.default_rng(seed)
    hours = np.arange(days * DAY) * STEP / 3600
    wave = 0.10 + 0.05 * np.sin(2 * np.pi * hours / 24 - 2) + 0.02 * np.sin(4 * np.pi * hours / 24)
    return np.round(wave + rng.normal(0, 0.001, len(hours)), 4)


@pytest.fixture
def make(tmp_path):
    def go(level, **others):
        stamps = pd.date_range("2026-01-05", periods=len(level), freq=f"{STEP}s")
        frame = pd.DataFrame({"time": stamps.strftime("%Y-%m-%d %H:%M"), "head": level, **others})
        frame.to_csv(tmp_path / "log.csv", index=False)
        units = {
            "head": "m",
            "distance": "m",
            "echo_time": "ms",
            "velocity": "m/s",
            "downstream_head": "m",
            "air_temperature": "degC",
            "rain": "mm",
            "humidity": "1",
        }
        columns = {name: ColumnSpec(name, units[name]) for name in frame.columns if name != "time"}
        return read_logger(tmp_path / "log.csv", zone="UTC", columns=columns)

    return go


def found(record, rule) -> np.ndarray:
    """Rows a rule found, rebuilt from the stretches it reports."""
    mask = np.zeros(len(record.frame), dtype=bool)
    for span in record.spans[record.spans["rule"] == rule].itertuples():
        mask |= (
            (record.frame["time"] >= span.start) & (record.frame["time"] <= span.end)
        ).to_numpy()
    return np.flatnonzero(mask)


def test_a_clean_record_is_left_alone(make):
    level = level_of()
    done = screen(make(level), level)
    assert done.spans.empty
    assert done.counts["measured"] == len(level)
    assert (done.screening[["rejected", "marked"]] == 0).all().all()


def test_every_rule_states_its_parameters_and_reasons(make):
    level = level_of(2)
    table = screen(make(level), level).screening
    assert set(table["rule"]) == {rule.name for rule in DEFAULT_RULES}
    assert (table["reason"].str.len() > 10).all()
    assert (table["unit"] != "").all()


def test_out_of_range(make):
    level = level_of()
    level[[100, 2000]] = [-0.05, 7.0]
    done = screen(make(level), level)
    assert list(found(done, "out of range")) == [100, 2000]
    assert set(done.frame["reason"].iloc[[100, 2000]]) == {"out of range"}
    tight = screen(make(level), level, screening_rules(highest_level=0.155))
    assert len(found(tight, "out of range")) > 2


def test_level_that_is_not_known(make):
    level = level_of(2)
    shown = level.copy()
    shown[7] = np.nan
    assert screen(make(level), shown).frame["reason"].iloc[7] == "no level"


def test_blanking_distance_and_echo_loss(make):
    level = level_of()
    distance = np.round(1.0 - level, 4)
    distance[500] = 0.2
    distance[[800, 801, 1500, 2600]] = 3.0
    record = make(level, distance=distance)
    rules = screening_rules({"out of range": "off"}, blanking_distance=0.3)
    done = screen(record, 1.0 - distance, rules)
    assert list(found(done, "blanking distance")) == [500]
    assert list(found(done, "echo loss")) == [800, 801, 1500, 2600]
    plain = screen(record, 1.0 - distance)
    remark = plain.screening.loc[plain.screening["rule"] == "blanking distance", "remark"].iloc[0]
    assert remark == "not applied: no blanking distance stated"


def test_echo_loss_in_echo_time(make):
    level = level_of()
    echo = np.round(2 * (1.0 - level) / 343 * 1000, 4)
    echo[[10, 20, 30]] = 50.0
    done = screen(make(level, echo_time=echo), level)
    assert list(found(done, "echo loss")) == [10, 20, 30]


def test_flat_line_but_not_a_dry_channel(make):
    level = level_of()
    level[3 * DAY : 5 * DAY] = level[3 * DAY]
    done = screen(make(level), level)
    assert list(found(done, "flat line")) == list(range(3 * DAY, 5 * DAY))
    level[3 * DAY : 5 * DAY] = 0.002
    assert not len(found(screen(make(level), level), "flat line"))


def test_zeros_of_hours_without_a_habit_are_told_and_not_rejected(make):
    def held(values):
        record = make(values)
        done = screen(record, record.frame["head"].to_numpy())
        assert (done.frame["status"] == "measured").sum() == len(values)
        return done.held.get("sudden zeros")

    rng = np.random.default_rng(4)
    place = np.arange(20 * 288)
    values = 0.4 + 0.05 * np.sin(place / 40) + rng.normal(0, 0.001, len(place))
    lost = values.copy()
    for start in rng.choice(np.arange(20, len(place) - 60, 70), 12, replace=False):
        lost[start : start + 20] = 0.0
    assert held(lost)[0].sum() == 12 * 20
    assert held(np.where(place % 288 < 20, 0.0, values)) is None, "at one hour: the works pauses"
    emptied = np.where(lost == 0, np.roll(values, 3) * 0.1, lost)
    emptied[9:] = np.where((lost[9:] == 0) & (lost[:-9] == 0), 0.0, emptied[9:])
    assert held(emptied) is None, "water falls to nothing by and by"


def test_spike_but_not_a_batch_discharge(make):
    level = level_of()
    level[1000] += 0.3
    level[2000:2006] += 0.3  # half an hour: a tank was emptied
    done = screen(make(level), level)
    assert list(found(done, "spike")) == [1000]
    assert done.frame["head"].iloc[1000] == pytest.approx(level[1000])  # kept as read
    flagged = screen(make(level), level, screening_rules({"spike": "mark"}))
    assert flagged.counts["rejected"] == 0
    assert list(found(flagged, "spike")) == [1000]


def test_spike_rule_stands_back_at_wide_steps(make):
    level = level_of()
    rules = screening_rules({"spike": {"longest step": "1 min"}})
    done = screen(make(level), level, rules)
    remark = done.screening.loc[done.screening["rule"] == "spike", "remark"].iloc[0]
    assert "readings are 300 s apart: one reading may be a real discharge" in remark


def test_sudden_change(make):
    level = level_of()
    level[1000:] += 3.5
    done = screen(make(level), level)
    assert list(found(done, "sudden change")) == [1000]


def test_step_change_is_dated(make):
    level = level_of(40)
    level[20 * DAY :] += 0.03
    done = screen(make(level), level)
    flag = next(flag for flag in done.flags if flag.code == "step change")
    assert flag.data["date"] == "2026-01-25"
    assert flag.data["shift_m"] == pytest.approx(0.03, abs=0.001)
    assert done.counts["rejected"] == 0


def test_drift_against_visits(make):
    level = level_of()
    visits = [
        Visit(pd.Timestamp("2026-01-12 10:00", tz="UTC"), 0.100, 0.101),
        Visit(pd.Timestamp("2026-01-26 10:00", tz="UTC"), 0.100, 0.112, True),
    ]
    done = screen(make(level), level, visits=visits)
    rows = found(done, "drift against visits")
    assert done.frame["time"].iloc[rows[0]] > visits[0].time
    assert done.frame["time"].iloc[rows[-1]] <= visits[1].time
    flag = next(flag for flag in done.flags if flag.code == "drift against visits")
    assert flag.data["difference_m"] == pytest.approx(0.012)
    assert "it was set right then" in flag.message


def test_visits_are_read_in_the_zone_of_the_case():
    class Item:
        time, hand, instrument, rezeroed = "2026-07-01 10:00", 0.1, 0.1, False

    (visit,) = read_visits([Item], zone="America/Chicago")
    assert visit.time == pd.Timestamp("2026-07-01 15:00", tz="UTC")
    Item.time = "last week"
    with pytest.raises(InputRefused, match="'last week' is no date"):
        read_visits([Item], zone="America/Chicago")


def test_nights_that_never_fall_to_the_usual_minimum(make):
    level = level_of(40)
    low = slice(25 * DAY, 30 * DAY)
    noise = np.random.default_rng(2).normal(0, 0.0005, 5 * DAY)  # ponded water is not still
    level[low] = np.round(np.maximum(level[low], 0.0955 + np.abs(noise)), 4)
    done = screen(make(level), level)
    rows = found(done, "night floor")
    assert (rows[0], rows[-1]) == (25 * DAY, 30 * DAY - 1)
    flag = next(flag for flag in done.flags if flag.code == "night floor")
    assert flag.data["days"] == 5
    assert flag.data["least_m"] == pytest.approx(0.0955, abs=1e-3)


def test_backwater_by_velocity_and_by_downstream_head(make):
    level = level_of()
    speed = np.round(5 * level, 3)
    level[1000:1010], speed[1000:1010] = 0.3, 0.05
    done = screen(make(level, velocity=speed), level)
    assert list(found(done, "backwater")) == list(range(1000, 1010))
    downstream = np.where(np.arange(len(level)) == 77, 0.7, 0.2) * level
    done = screen(make(level, downstream_head=downstream), level)
    assert list(found(done, "backwater")) == [77]


def test_surcharge_over_the_crown(make):
    level = level_of()
    level[1000:1005] = 0.5
    done = screen(make(level), level, screening_rules(crown=0.4))
    assert list(found(done, "surcharge")) == list(range(1000, 1005))
    assert done.counts["rejected"] == 0


def plant(days=56, step=900, seed=2):
    """Head of a flume of a works with shifts and quiet weekends [m], times, noise of a day."""
    rng = np.random.default_rng(seed)
    hours = np.arange(days * 86400 // step) * step / 3600
    day = (hours // 24).astype(int)
    flow = 10 + 6 * np.sin((hours - 8) * 2 * np.pi / 24) - 2 * (day % 7 >= 5)
    flow = flow * np.repeat(rng.lognormal(0, 0.03, days), 86400 // step)
    return 0.03 * flow ** (1 / 1.58) + rng.normal(0, 0.001, len(flow)), hours


def looked_at(make, level, hours, visits=(), events=(), **others):
    stamps = pd.Timestamp("2026-01-05") + pd.to_timedelta(hours, unit="h")
    record = make(level, **others)
    frame = record.frame.assign(time=stamps.tz_localize("UTC").as_unit("us"))
    record = replace(record, frame=frame, step=float(np.diff(hours)[0] * 3600))
    done = screen(record, level, visits=visits, events=events)
    return done, {flag.code for flag in done.flags}


def test_a_shift_of_all_levels_is_the_sensor_and_a_change_of_flow_is_not(make):
    level, hours = plant()
    later = hours > 30 * 24
    done, codes = looked_at(make, level + 0.02 * later, hours)
    assert "zero shift" in codes
    data = next(flag for flag in done.flags if flag.code == "zero shift").data
    assert data["shift_m"] == pytest.approx(0.02, abs=0.006)
    assert abs(pd.Timestamp(data["date"]) - pd.Timestamp("2026-02-04")) < pd.Timedelta(days=3)
    assert "zero shift" not in looked_at(make, level, hours)[1]
    grown = np.where(later, level * 1.4 ** (1 / 1.58), level)  # 40 % more of every flow
    assert "zero shift" not in looked_at(make, grown, hours)[1]
    moment = pd.Timestamp("2026-02-04 10:00", tz="UTC")
    told = looked_at(make, level + 0.02 * later, hours, events=[moment])[1]
    assert "zero shift looked at" in told and "zero shift" not in told


def test_solids_that_are_cleaned_off_at_visits_are_told(make):
    level, hours = plant()
    rags = (hours % (14 * 24)) / 24 * 0.0015
    visits = [
        Visit(pd.Timestamp("2026-01-05", tz="UTC") + pd.Timedelta(days=n), 0.1, 0.1)
        for n in (14, 28, 42)
    ]
    assert "falls at visits" in looked_at(make, level + rags, hours, visits)[1]
    assert "falls at visits" not in looked_at(make, level, hours, visits)[1]
    fridays = [replace(visit, time=visit.time + pd.Timedelta(days=4)) for visit in visits]
    assert "falls at visits" not in looked_at(make, level, hours, fridays)[1], "a weekend follows"


def test_single_readings_far_above_are_held_back_at_a_wide_step(make):
    level, hours = plant()
    rng = np.random.default_rng(3)
    places = rng.choice(np.arange(5, len(level) - 5, 3), len(level) // 40, replace=False)
    high = level.copy()
    high[places] = rng.uniform(0.32, 0.45, len(places))
    held = looked_at(make, high, hours)[0].held
    assert held["spike"][0].sum() == len(places) and not held["spike"][2]
    rinse = np.where(hours % 24 == 6, 2.2 * level, level)
    assert "spike" not in looked_at(make, rinse, hours)[0].held, "at six every morning"


def test_values_at_the_end_of_the_range_are_held_back(make):
    level, hours = plant()
    speed = np.round(level * 4, 3)
    rng = np.random.default_rng(3)
    fast = speed.copy()
    fast[rng.choice(len(fast), 60, replace=False)] = 1.3
    assert looked_at(make, level, hours, velocity=fast)[0].held["at the limit"][0].sum() == 60
    assert "at the limit" not in looked_at(make, level, hours, velocity=speed)[0].held


def test_a_second_echo_of_water_too_near_is_rejected(make):
    level, hours = plant()
    away = 0.4 - level
    near = away < np.quantile(away, 0.2)
    echo = np.where(near, 2 * away, away)
    done, _ = looked_at(make, level, hours, distance=echo)
    again = found(done, "second echo")
    assert len(again) == pytest.approx(near.sum(), rel=0.1)
    assert not len(found(looked_at(make, level, hours, distance=away)[0], "second echo"))


def test_a_flow_that_runs_backwards_every_night_is_held_back(make, tmp_path):
    hours = np.arange(40 * 96) / 4
    flow = np.where(hours % 24 == 3, -2.0, 10 + np.sin(hours))
    text = pd.DataFrame({"time": pd.date_range("2026-01-05", periods=len(hours), freq="15min")})
    text.assign(flow=flow).to_csv(tmp_path / "flow.csv", index=False)
    columns = {"flow": ColumnSpec("flow", "L/s")}
    record = read_logger(tmp_path / "flow.csv", zone="UTC", columns=columns)
    done = screen(record, np.zeros(len(flow)))
    assert done.held["backflow"][0].sum() == 40 and done.counts["rejected"] == 0


def test_channels_beside_the_level_have_rules_of_their_own(make):
    level, hours = plant(14)
    rng = np.random.default_rng(6)
    damp = np.clip(0.85 + rng.normal(0, 0.02, len(level)), 0, 1)
    stuck = np.where((hours > 100) & (hours < 160), 0.8, damp)
    stuck[7] = 1.4
    marked = found(looked_at(make, level, hours, humidity=stuck)[0], "humidity anomaly")
    assert marked[0] == 7 and len(marked) == pytest.approx(1 + 60 * 4, abs=2)
    full = np.where((hours > 100) & (hours < 160), 1.0, damp)
    assert not len(found(looked_at(make, level, hours, humidity=full)[0], "humidity anomaly"))
    rain = np.where(rng.random(len(level)) < 0.03, np.round(rng.exponential(2, len(level)), 1), 0)
    held = np.where((hours > 100) & (hours < 110), 3.0, rain)
    held[9], held[11] = -1.0, 900.0
    marked = found(looked_at(make, level, hours, rain=held)[0], "rain anomaly")
    assert {9, 11} <= set(marked) and len(marked) == pytest.approx(2 + 10 * 4, abs=4)
    assert not len(found(looked_at(make, level, hours, rain=rain)[0], "rain anomaly"))
    tail = 0.7 * level
    frozen = np.where((hours > 100) & (hours < 160), 0.1, tail)
    assert len(found(looked_at(make, level, hours, downstream_head=frozen)[0], "flat line")) > 200
    far = np.where(hours == 50, 9.0, tail)
    assert len(found(looked_at(make, level, hours, downstream_head=far)[0], "out of range")) == 1
    dry = np.where((hours > 100) & (hours < 160), 0.01, tail)
    done = looked_at(make, level, hours, downstream_head=dry)[0]
    assert not len(found(done, "flat line")), "a tail far below the head drowns nothing"


def test_nights_at_the_usual_level_are_no_ponding(make):
    level, hours = plant()
    assert not len(found(looked_at(make, level, hours)[0], "ponding"))
    flat = 0.16 + 0.01 * np.sin(hours * 2 * np.pi / 24)
    assert not len(found(looked_at(make, flat, hours)[0], "ponding")), "hardly moves, ever"
    full = np.where((hours > 480) & (hours < 500), 0.2 + level / 3, level)
    assert len(found(looked_at(make, full, hours)[0], "ponding")) > 60


def test_wet_weather_is_compared_with_dry_days(make):
    level, rain = level_of(), np.zeros(30 * DAY)
    wet = slice(10 * DAY, 11 * DAY)
    rain[10 * DAY + 100 : 10 * DAY + 140] = 0.5
    level[wet] += 0.05
    done = screen(make(level, rain=rain), level)
    assert list(found(done, "wet weather")) == list(range(10 * DAY, 11 * DAY))
    data = next(flag for flag in done.flags if flag.code == "wet weather").data
    assert (data["wet_days"], data["dry_days"]) == (1, 25)  # 2 before the first, 1 wet, 2 after
    assert data["wet_mean"] - data["dry_mean"] == pytest.approx(0.05, abs=0.002)


def test_temperature_anomalies(make):
    level = level_of()
    air = 15 + np.round(3 * np.sin(np.arange(len(level)) / 50), 2)
    air[100] = 85.0
    air[2000:3000] = 12.0
    done = screen(make(level, air_temperature=air), level)
    rows = found(done, "temperature anomaly")
    assert 100 in rows
    assert set(range(2000, 3000)) <= set(rows)
    assert done.counts["rejected"] == 0


def test_rough_surface(make):
    level = level_of()
    rng = np.random.default_rng(2)
    level[1200:1212] += rng.normal(0, 0.03, 12)
    done = screen(make(level), level)
    rows = found(done, "rough surface")
    assert 0 < len(rows) <= 24
    assert set(rows) & set(range(1200, 1212))


def test_nothing_is_deleted_and_counts_agree(make):
    level = level_of()
    level[2000] += 0.4
    level[3 * DAY : 5 * DAY] = level[3 * DAY]
    record = make(level)
    done = screen(record, level)
    assert done.frame["head"].equals(record.frame["head"])
    assert done.frame["time"].equals(record.frame["time"])
    assert done.counts["measured"] + done.counts["rejected"] == len(level)
    reasons = done.frame["reason"].value_counts()
    table = done.screening.drop_duplicates("rule").set_index("rule")["rejected"]
    for rule in ("spike", "flat line"):
        assert reasons[rule] == table[rule]
    durations = accepted_durations(done.frame, longest=2 * STEP)
    assert durations.accepted + durations.gaps == durations.span == (len(level) - 1) * STEP
    assert done.gaps["seconds"].max() == 2 * 86400 + STEP


def test_screening_twice_changes_nothing(make):
    level = level_of()
    level[1000] += 0.4
    once = screen(make(level), level)
    twice = screen(once, level)
    assert twice.frame["status"].tolist() == once.frame["status"].tolist()


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({"spikes": "off"}, "screening.spikes: no rule 'spikes'"),
        ({"spike": {"smalest": "1 mm"}}, "the rule 'spike' has no 'smalest'; it has smallest"),
        ({"spike": {"smallest": "1 gal"}}, "'gal' is not a unit of length"),
        ({"spike": {"smallest": 20}}, "a length needs a unit"),
        ({"spike": "remove"}, "'remove' is no setting of the rule 'spike'"),
    ],
)
def test_settings_that_are_not_known(given, text):
    with pytest.raises(InputRefused, match=text):
        screening_rules(given, shown_as="case.toml")


def test_settings_of_the_case_are_shown_as_stated(make):
    rules = screening_rules({"spike": {"smallest": "20 mm", "action": "mark"}})
    level = level_of(3)
    table = screen(make(level), level, rules).screening
    row = table[(table["rule"] == "spike") & (table["parameter"] == "smallest")].iloc[0]
    assert (row["value"], row["stated"], row["action"]) == (pytest.approx(0.02), True, "mark")


def test_level_of_another_length_is_an_error(make):
    level = level_of(2)
    with pytest.raises(ValueError, match=r"level has shape \(3,\), the record has 576 rows"):
        screen(make(level), level[:3])
