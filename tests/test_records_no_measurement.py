"""Values that are no measurement, and values that only look like none: told apart by the record."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from sewer_audit import audit, load_case
from sewer_audit.effluent.readings.means import _joined
from sewer_audit.effluent.readings.noise import IN_STEP
from sewer_audit.errors import InputRefused

UNDECIDED = "cannot be decided from this evidence"
CASE = """
[case]
title = "A dye works"
time_zone = "UTC"
basis = "discharge"
[invoices]
file = "bills.csv"
volume_unit = "m3"
end_day_counts = false
[effluent]
file = "log.csv"
{keys}
"""
FLOW = (
    'method = "full pipe meter"\n'
    'columns = {{ time = "t", flow = {{ name = "x", unit = "L/s" }} {more}}}'
)
HEAD = (
    'method = "parshall flume"\nthroat = "6 in"\n'
    'columns = { time = "t", head = { name = "x", unit = "mm" } }'
)


@pytest.fixture
def site(tmp_path):
    """Two months of values, one invoice each, billed as given [m3]."""

    def go(values, step, bills=(5000, 5000), keys=None, **others):
        time = pd.date_range("2026-01-01", periods=len(values), freq=f"{step}s")
        frame = pd.DataFrame({"t": time.strftime("%Y-%m-%d %H:%M:%S"), "x": values, **others})
        frame.to_csv(tmp_path / "log.csv", index=False)
        (tmp_path / "bills.csv").write_text(
            "invoice,start,end,billed_volume,total\n"
            f"A,2026-01-01,2026-02-01,{bills[0]},1\nB,2026-02-01,2026-03-01,{bills[1]},1\n"
        )
        keys = FLOW.format(more="") if keys is None else keys
        (tmp_path / "case.toml").write_text(CASE.format(keys=keys))
        return audit(load_case(tmp_path), draws=400)

    return go


def course(step, days=60, level=2.0, seed=1):
    """Flow of a site that works day and night [L/s]."""
    rng = np.random.default_rng(seed)
    hours = np.arange(days * 86400 // step) * step / 3600
    return np.round(level * (1 + 0.3 * np.sin(hours / 3.8)) + rng.normal(0, 0.02, len(hours)), 2)


def codes(result, severity=None):
    return {f.code for f in result.flags if severity in (None, str(f.severity))}


@pytest.mark.parametrize(("on", "off"), [(2, 2), (1, 2), (4, 7)])
def test_zeros_of_a_pump_are_flow_of_nothing(site, on, off):
    flow = np.where(np.arange(60 * 288) % (on + off) < on, 6.0, 0.0)
    result = site(flow, 300)
    true = 6.0 * on / (on + off) * 31 * 86.4
    assert result.invoices["effluent_mean"][0] == pytest.approx(true, rel=0.03)
    assert not codes(result, "stops verdict")
    causes = result.causes.set_index("cause")["standard"]
    half_steps = 1 / on  # two switches of half a step for each run of so many steps
    assert causes[IN_STEP] == pytest.approx(half_steps / 3**0.5, rel=0.02)


def test_a_pump_that_wanders_through_the_step_is_not_in_step(site):
    rng = np.random.default_rng(6)
    ends = np.cumsum(rng.uniform(4, 9, 4000))
    flow = np.where(np.searchsorted(ends, np.arange(60 * 288)) % 2, 6.0, 0.0)
    assert IN_STEP not in set(site(flow, 300).causes["cause"])


INTERRUPTED = {
    "every second lost": lambda place, rng: place % 2 == 1,
    "one in five lost": lambda place, rng: rng.random(len(place)) < 0.2,
    "half an hour in five": lambda place, rng: place // 6 % 10 == 3,
    "half an hour in two": lambda place, rng: place // 6 % 4 == 3,
}


@pytest.mark.parametrize("share", [0.0, 0.04])
@pytest.mark.parametrize("kind", INTERRUPTED)
def test_a_course_that_goes_on_after_zeros_or_lows_decides_nothing_by_itself(site, kind, share):
    flow = course(300)
    lost = INTERRUPTED[kind](np.arange(len(flow)), np.random.default_rng(8))
    shown = np.where(lost, np.round(share * flow, 2), flow)
    result = site(shown, 300)
    assert "held back decides" in codes(result, "stops verdict")
    assert set(result.invoices["finding"]) == {UNDECIDED}
    told = [f.data for f in result.flags if f.code == "held back"]
    told = max(told, key=lambda data: data["without_m3"])
    assert told["with_m3"] == pytest.approx(0.3 * shown[: 59 * 288].sum(), rel=0.01)
    assert told["without_m3"] == pytest.approx(0.3 * flow[: 59 * 288].sum(), rel=0.01)
    if share == 0:
        said = site(shown, 300, keys="not_missing = ['0']\n" + FLOW.format(more=""))
        assert not codes(said, "stops verdict")


def test_batches_each_of_its_own_rate_are_no_interrupted_course(site):
    rng = np.random.default_rng(9)
    run = np.arange(60 * 288) // 6
    flow = np.where(run % 4 == 3, 0.0, np.round(rng.uniform(2, 6, run.max() + 1), 2)[run])
    assert "held back decides" not in codes(site(flow, 300))


def test_zeros_stand_where_the_balance_agrees_with_them(site, tmp_path):
    flow = course(300)
    flow[np.arange(len(flow)) // 6 % 5 == 3] = 0.0
    true = 0.3 * flow.sum() / 60  # m3 a day
    for factor, stands in ((1.0, True), (1.25, False)):
        days = pd.date_range("2026-01-01", periods=60)
        register = [round(factor * true * day, 1) for day in range(60)]
        reads = pd.DataFrame({"time": days.strftime("%Y-%m-%d %H:%M"), "register": register})
        reads.to_csv(tmp_path / "m.csv", index=False)
        meter = (
            '[[intake]]\nmeter = "main"\nfile = "m.csv"\nunit = "m3"\nmultiplier = 1\n'
            'digits = 7\nerror = { expanded = "2 %", coverage_factor = 2, source = "test" }\n'
        )
        result = site(flow, 300, keys=FLOW.format(more="") + "\n" + meter)
        assert ("held back decides" not in codes(result)) == stands


@pytest.mark.parametrize("said", ["", 'stamp = "instant"\n'])
def test_levels_an_hour_apart_of_which_nothing_says_what_they_are_ask(site, said):
    shown = pulses(6, 60).reshape(-1, 60).mean(axis=1) + np.arange(60 * 24) % 3
    result = site(shown, 3600, keys=said + 'longest_bridge = "2 h"\n' + HEAD)
    asked = [f for f in result.flags if f.code == "means-of-level"]
    assert bool(asked) == (not said)
    assert all("stamp = 'instant'" in f.message for f in asked)


def test_levels_of_short_steps_are_instants_unless_it_matters(site):
    hours = np.arange(60 * 96) / 4
    level = 120 + 40 * np.sin(hours / 4) + np.random.default_rng(7).normal(0, 2, len(hours))
    assert "means-of-level" not in codes(site(level.round(1), 900, keys=HEAD))
    assert "means-of-level" not in codes(site(pulses(11, 27)[::5], 300, keys=HEAD))
    wild = np.random.default_rng(7).gamma(0.7, 60, len(hours)).round(1)
    assert "means-of-level" in codes(site(wild, 900, keys=HEAD))


@pytest.mark.parametrize("places", [(0, 1, -1, -2), (-1,), (3000, 3001)])
def test_spikes_at_an_end_or_beside_a_gap_are_rejected(site, places):
    flow = course(300)
    clean = site(flow, 300).invoices["effluent_mean"].to_numpy()
    flow[2980:3000] = np.nan
    flow[list(places)] = 900.0
    result = site(flow, 300)
    assert result.invoices["effluent_mean"].to_numpy() == pytest.approx(clean, rel=5e-3)


def test_a_few_zeros_written_for_missing_are_still_rejected(site):
    flow = course(900)
    clean = site(flow, 900).invoices["effluent_mean"].to_numpy()
    flow[np.random.default_rng(2).integers(10, 5700, 12)] = 0.0
    result = site(flow, 900)
    assert result.invoices["effluent_mean"].to_numpy() == pytest.approx(clean, rel=2e-3)
    assert (result.invoices["record_coverage"] < 1).all()


def test_many_zeros_without_a_pattern_decide_nothing(site):
    """Eight in a hundred at random: rejected or kept, the volume differs by more than the rule."""
    flow = course(900)
    flow[np.random.default_rng(3).random(len(flow)) < 0.08] = 0.0
    result = site(flow, 900)
    assert "held back decides" in codes(result, "stops verdict")
    assert set(result.invoices["finding"]) == {UNDECIDED}
    told = next(f for f in result.flags if f.code == "held back").data
    assert told["without_m3"] > 1.05 * told["with_m3"]


def test_twelve_days_without_water_at_a_site_that_never_rests(site):
    flow = course(900)
    flow[10 * 96 : 22 * 96] = 0.0
    result = site(flow, 900, bills=(5400, 6000))
    assert result.invoices["finding"].tolist() == [UNDECIDED, "billed volume too high"]
    assert np.isnan(result.invoices["effluent_mean"][0])


def test_weekends_without_water_are_the_sites_own(site):
    day = np.arange(60 * 96) // 96 % 7
    flow = np.where((day == 2) | (day == 3), 0.0, course(900))
    result = site(flow, 900)
    assert "dry-or-dead" not in codes(result)
    assert result.invoices["effluent_mean"].notna().all()


def test_a_record_of_nothing_measures_nothing(site):
    result = site(np.zeros(60 * 96), 900)
    assert set(result.invoices["finding"]) == {UNDECIDED} and "dry-or-dead" in codes(result)


@pytest.mark.parametrize("even", [False, True])
def test_spikes_in_a_record_of_flow_are_rejected_and_told(site, even):
    flow = course(300)
    clean = site(flow, 300).invoices["effluent_mean"].to_numpy()
    at = np.random.default_rng(4).integers(20, 17_000, 50)
    flow[np.arange(100, 17_000, 331) if even else at] = 350.0
    result = site(flow, 300)
    assert result.invoices["effluent_mean"].to_numpy() == pytest.approx(clean, rel=2e-3)
    assert "screening: spike" in codes(result)


def test_a_rinse_at_six_every_morning_is_no_spike(site):
    flow = course(300)
    flow[72::288] += 9.0
    result = site(flow, 300)
    true = float(flow[: 31 * 288].sum()) * 0.3  # the rinses are 1.5 % of it
    assert result.invoices["effluent_mean"][0] == pytest.approx(true, rel=5e-3)


@pytest.mark.parametrize("start", [0, 22])
def test_a_value_held_for_hours_is_uncovered_time(site, start):
    flow = course(900)
    for day in range(3, 50, 4):
        flow[day * 96 + 4 * start : day * 96 + 4 * start + 24] = flow[day * 96 + 4 * start]
    result = site(flow, 900)
    rejected = (result.inputs.logger.frame["reason"] == "flat line").sum()
    assert 12 * 23 <= rejected <= 12 * 26
    assert result.invoices["record_coverage"][0] < 0.95


def test_a_stuck_last_digit_is_held_too(site):
    flow = course(900)
    stuck = slice(20 * 96, 26 * 96)
    flow[stuck] = flow[20 * 96] + np.random.default_rng(5).choice([0.0, 0.01], 6 * 96)
    result = site(flow, 900)
    assert result.invoices["record_coverage"][0] < 0.85


def test_heads_above_the_published_limit_carry_no_verdict(site):
    head = 600 + course(900, level=10.0)  # a 6 in flume is published to 457 mm
    result = site(np.round(head, 1), 900, keys=HEAD)
    assert "above-published-limit" in codes(result, "stops verdict")
    assert set(result.invoices["finding"]) == {UNDECIDED}


def test_a_flow_that_runs_backwards_carries_no_verdict(site):
    keys = FLOW.format(more="") + '\n[effluent.screening]\n"out of range" = "off"\n'
    result = site(-course(900), 900, keys=keys)
    assert "effluent-below-zero" in codes(result, "stops verdict")
    assert set(result.invoices["finding"]) == {UNDECIDED}


STATUS = FLOW.format(more=', status = "s"') + "\n[effluent.status]\n"


def rows_with(codes, flow, rng):
    """A status of every row: the first code, with a tenth of the rows of each further one."""
    status = np.full(len(flow), codes[0], dtype=object)
    for code in codes[1:]:
        status[rng.random(len(flow)) < 0.1] = code
    return status


@pytest.mark.parametrize(
    ("codes", "meaning"),
    [
        (["0", "2"], 'good = ["0"]\nbad = ["2"]'),
        (["A", "E"], 'good = ["A"]\nestimated = ["E"]'),
        (["1", "5"], 'bits = { 1 = "good", 4 = "bad" }'),
    ],
)
def test_what_the_record_itself_calls_bad_is_no_reading(site, codes, meaning):
    flow, rng = course(900), np.random.default_rng(6)
    clean = site(flow, 900).invoices["effluent_mean"].to_numpy()
    status = rows_with(codes, flow, rng)
    shown = np.where(status == codes[1], rng.uniform(0, 9, len(flow)).round(2), flow)
    result = site(shown, 900, keys=STATUS + meaning, s=status)
    assert result.invoices["effluent_mean"].to_numpy() == pytest.approx(clean, rel=4e-3)
    assert (result.invoices["record_coverage"] < 0.95).all()
    unnamed = site(shown, 900, status=status)
    assert "status column not named" in {flag.code for flag in unnamed.flags}


def test_doubtful_readings_count_with_an_uncertainty_of_their_own(site):
    flow = course(900)
    status = np.where(np.arange(len(flow)) % 2 == 0, "0", "1")
    plain, half = (
        site(flow, 900, keys=STATUS + f'good = {good}\ndoubtful = ["{doubtful}"]', s=status)
        for good, doubtful in (('["0", "1"]', "9"), ('["0"]', "1"))
    )
    assert half.invoices["effluent_mean"].to_numpy() == pytest.approx(
        plain.invoices["effluent_mean"].to_numpy(), rel=0.02
    )
    own = np.sqrt(
        half.invoices["effluent_standard_uncertainty"] ** 2
        - plain.invoices["effluent_standard_uncertainty"] ** 2
    )
    half_of_it = 0.10 * half.invoices["effluent_mean"] / 2
    assert own.to_numpy() == pytest.approx(half_of_it.to_numpy(), rel=0.15)
    assert "readings the record calls doubtful" in set(half.causes["cause"])


def test_a_code_without_a_meaning_is_refused_with_its_line(site):
    with pytest.raises(InputRefused, match=r"log\.csv, line 4, column s: the code 'X'"):
        site(course(900), 900, keys=STATUS + 'good = ["0"]', s=["0", "0", "X", *["0"] * 5757])


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ('values = "interval maximum"\nstamp = "interval end"', "no flow of it"),
        ('values = "interval mean"', "Write stamp = 'interval end' or 'interval start'"),
        ('values = "instant"\nstamp = "interval end"', "Leave stamp out"),
    ],
)
def test_the_kind_of_values_is_stated_and_never_guessed(site, keys, words):
    with pytest.raises(InputRefused, match=words):
        site(course(900), 900, keys=keys + "\n" + FLOW.format(more=""))


def test_means_of_days_are_summed_exactly(site):
    """One day of 3 L/s among days of nothing: its volume is that of the day, at any boundary."""
    flow = np.zeros(60)
    flow[40] = 3.0
    keys = 'stamp = "interval start"\nvalues = "interval mean"\n' + FLOW.format(more="")
    result = site(flow, 86_400, keys=keys)
    assert result.evidence.effluent.model.evaluate(None, {}, 1)[0] == pytest.approx([0.0, 259.2])


def test_the_meters_own_totaliser_stops_a_record_that_does_not_show_all(site):
    """A display that ends at 2.2 L/s while the counter runs on; it rolls over and is set back."""
    flow = course(900)
    total = np.cumsum(flow) * 0.9 + 400
    total[2000:] -= 1000  # rolled over
    total[4000:] -= total[4000] - 5  # set back
    keys = FLOW.format(more=', totaliser = { name = "n", unit = "m3" }')
    fair = site(flow, 900, keys=keys, n=total.round(1))
    assert "totaliser-agrees" in codes(fair) and not codes(fair, "stops verdict")
    cut = site(np.minimum(flow, 1.9), 900, bills=(6500, 5800), keys=keys, n=total.round(1))
    assert "totaliser-outside" in codes(cut, "stops verdict")
    assert set(cut.invoices["finding"]) == {UNDECIDED}


def pulses(minutes, every, days=60):
    """Head of a 6 in flume fed by a pump, minute by minute [mm]."""
    on = np.arange(days * 1440) % every < minutes
    return np.where(on, 160.0, 20.0)


@pytest.mark.parametrize(("minutes", "every", "mean"), [(10, 47, 60), (9, 40, 15), (12, 60, 60)])
def test_means_of_a_level_that_hide_a_pump_carry_no_verdict(site, minutes, every, mean):
    level = pulses(minutes, every)
    shown = level.reshape(-1, mean).mean(axis=1).round(1)
    keys = 'stamp = "interval start"\n' + HEAD
    result = site(shown, mean * 60, keys=keys)
    assert "means-of-level" in codes(result, "stops verdict")
    assert set(result.invoices["finding"]) == {UNDECIDED}
    assert result.invoices["effluent_mean"].isna().all()


def test_means_of_a_level_that_moves_slowly_are_corrected_and_kept(site):
    minutes = np.arange(60 * 1440)
    level = 120 + 50 * np.sin(minutes / 90) + np.random.default_rng(7).normal(0, 1, len(minutes))
    keys = 'stamp = "interval start"\n' + HEAD
    result = site(level.reshape(-1, 15).mean(axis=1).round(1), 900, keys=keys)
    assert "means-of-level" not in codes(result)
    assert "means of the level" in set(result.causes["cause"])


def test_what_means_hide_does_not_depend_on_the_size_of_the_flow():
    level = 0.2 + 0.1 * np.sin(np.arange(4000) / 9.0)
    series = SimpleNamespace(time=np.arange(4000) * 900.0, level=level)
    shares = [
        _joined(series, np.ones(4000), lambda head, factor, k=k: k * factor * head**2.5, 900.0)
        for k in (1e-4, 1.0, 100.0)
    ]
    assert shares[0] == pytest.approx(shares[1])
    assert shares[2] == pytest.approx(shares[1])
    assert 0 < shares[1][0] < 0.01
    assert shares[1][1] == pytest.approx(0.25, rel=0.02)  # an error of the second order


PARSHALL = {"3 in": (0.992, 1.547), "6 in": (2.06, 1.58), "9 in": (3.07, 1.53)}
"""Free flow [ft3/s] = C h^n, head in feet (Water Measurement Manual, table 8-2; from memory)."""


def volume_of(throat, heads_mm):
    c, n = PARSHALL[throat]
    return 0.0283168 * (c * (heads_mm / 304.8) ** n).sum() * 300


@pytest.mark.parametrize("built", ["3 in", "9 in"])
def test_a_size_that_makes_all_bills_right_is_asked_for_before_one_is_accused(site, built):
    """A flume of another throat than the case states, billed rightly."""
    heads = np.round(110 * (1 + 0.2 * np.sin(np.arange(60 * 288) / 40)))
    parts = heads[: 31 * 288], heads[31 * 288 : 59 * 288]
    bills = [round(volume_of(built, part)) for part in parts]
    visit = "[[effluent.visit]]\ntime = '2026-01-01 12:00'\n"
    shown = heads[144]
    visit += f"hand = '{shown} mm'\ninstrument = '{shown} mm'\n"
    result = site(heads, 300, bills=bills, keys=HEAD + "\n" + visit)
    (asked,) = [flag for flag in result.flags if flag.code == "size-of-the-device"]
    assert asked.data["instead"] == f"throat {built} instead of 6 in"
    assert set(result.invoices["finding"]) == {UNDECIDED}
    seen = "[effluent.checklist]\ndimensions = 'yes, 6 in by tape'\n"
    result = site(heads, 300, bills=bills, keys=HEAD + "\n" + seen + visit)
    assert "size-of-the-device" not in codes(result)
    if built == "9 in":  # "too low" a record never says alone
        assert all("too high" in finding for finding in result.invoices["finding"])
    bills = [1.3 * volume_of("6 in", part) for part in parts]
    result = site(heads, 300, bills=bills, keys=HEAD + "\n" + visit)
    assert "size-of-the-device" not in codes(result)


def test_without_a_visit_the_zero_is_as_unknown_at_the_begin_as_later(site):
    heads = np.full(60 * 288, 80.0) + np.random.default_rng(2).normal(0, 0.5, 60 * 288)
    result = site(np.round(heads, 1), 300, keys=HEAD)
    table = result.invoices
    first, second = table["effluent_standard_uncertainty"] / table["effluent_mean"]
    assert first > 0.75 * second


def test_a_month_without_any_reading_states_how_far_its_estimate_is_open(site):
    """Anything from nothing to the highest hour, a rectangle: half of it over the root of three."""
    heads = 20 * course(900, days=27)
    with pytest.raises(InputRefused, match="where there is none, write allow_missing_periods"):
        site(heads, 900, keys=HEAD)
    result = site(heads, 900, keys=HEAD + "\nallow_missing_periods = true")
    gap = result.evidence.effluent.gaps.iloc[-1]
    assert gap["invoice"] == "B" and gap["hours"] == 28 * 24
    assert gap["standard_uncertainty_m3"] == pytest.approx(gap["volume_m3"] / np.sqrt(3))


def test_a_visit_far_from_the_record_names_its_clock(site):
    visit = '[[effluent.visit]]\ntime = "2026-01-10 10:20"\nhand = "400 mm"\ninstrument = "400 mm"'
    heads = 20 * course(900, days=59)
    zone = '\ntime_zone = "America/Regina"\nallow_missing_periods = true\n'
    result = site(heads, 900, keys=HEAD + zone + visit)
    told = next(f.message for f in result.flags if f.code == "visit-and-record-differ")
    assert told.endswith("the time zone of the record (read in America/Regina).")
