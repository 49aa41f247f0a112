"""What a record cannot say alone: gaps, levels that read too high, troubles with a signature."""

import numpy as np
import pandas as pd
import pytest

from sewer_audit import audit, load_case
from sewer_audit.auditing.volumes.evidence import _confirm_held
from sewer_audit.errors import Flag
from sewer_audit.records import read_register

ODD_MINUS = "minus behind or in brackets"
UNDECIDED, LOW = "cannot be decided from this evidence", "billed volume too low"
HIGH, FAIR = "billed volume too high", "billed volume supported"
CASE = """
[case]
title = "A yeast works"
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
PIPE = """method = "full pipe meter"
accuracy = "1 %"
source = "invented certificate"
columns = { time = "time", flow = { name = "flow", unit = "L/s" } }
"""
FLUME = """method = "parshall flume"
throat = "6 in"
columns = { time = "time", head = { name = "head", unit = "mm" }%s }
%s
"""
CHECKED = 'checklist = { "free flow" = "yes; seen", solids = "yes; cleaned weekly" }'
VISIT = '[[effluent.visit]]\ntime = "%s 11:00"\nhand = "%.1f mm"\ninstrument = "%.1f mm"\n'
STEP, DAYS = 900, 60


@pytest.fixture
def site(tmp_path):
    """Two months, an invoice for each, billed as so many times what the flow comes to."""

    def go(keys, true, factor=1.0, keep=None, **columns):
        time = pd.date_range("2026-01-01", periods=len(true), freq=f"{STEP}s")
        frame = pd.DataFrame({"time": time.strftime("%Y-%m-%d %H:%M"), **columns})
        frame[slice(None) if keep is None else keep].to_csv(tmp_path / "log.csv", index=False)
        month = [0.001 * STEP * true[time.month == number].sum() for number in (1, 2)]
        rows = [
            f"A,2026-01-01,2026-02-01,{factor * month[0]:.1f},1",
            f"B,2026-02-01,2026-03-01,{factor * month[1]:.1f},1",
        ]
        (tmp_path / "bills.csv").write_text(
            "\n".join(["invoice,start,end,billed_volume,total", *rows]) + "\n"
        )
        (tmp_path / "case.toml").write_text(CASE.format(keys=keys))
        return audit(load_case(tmp_path), draws=400)

    return go


def course(days=DAYS, level=4.0, seed=3):
    """Flow of a works that never rests [L/s]."""
    hours = np.arange(days * 86400 // STEP) * STEP / 3600
    noise = np.random.default_rng(seed).normal(0, 0.02, len(hours))
    return level * (1 + 0.3 * np.sin(2 * np.pi * hours / 24) + noise)


def head_of(flow):
    """Head of a 6 in flume [mm]: 2.06 ft3/s at 1 ft, power 1.58 (USBR manual, from memory)."""
    return 304.8 * (flow / (2.06 * 28.3168)) ** (1 / 1.58)


def codes(result, severity=None):
    return {f.code for f in result.flags if severity in (None, str(f.severity))}


def test_no_bill_is_found_too_low_by_a_level_that_may_read_high(site):
    """The sewer below stands high and the level reads far too high; the bill is fair."""
    flow, raised = course(), 1.6 * course()
    head = head_of(raised)
    visits = VISIT % ("2026-01-09", head[9 * 96 + 44], head[9 * 96 + 44])
    alone = site(FLUME % ("", visits), flow, head=head.round(1))
    assert set(alone.invoices["finding"]) == {UNDECIDED} and alone.total["finding"] == UNDECIDED
    told = next(f for f in alone.flags if f.code == "record-may-read-high")
    assert told.data["open"] == ["submergence not seen", "solids at the gauge"]
    assert "billed-too-low" not in codes(alone)
    checked = site(FLUME % ("", CHECKED + "\n" + visits), flow, head=head.round(1))
    assert set(checked.invoices["finding"]) == {LOW}
    unread = site(FLUME % ("", CHECKED), flow, head=head.round(1))
    assert set(unread.invoices["finding"]) == {UNDECIDED}
    told = next(f for f in unread.flags if f.code == "record-may-read-high")
    assert told.data["open"] == ["no hand reading"]


def test_a_finding_stands_only_if_the_gaps_cannot_overturn_it(site):
    """Four gaps of a day: the bill of all that ran is far beyond, that of a tenth is not."""
    flow = course()
    keep = np.ones(len(flow), bool)
    for day in (5, 12, 19, 26):
        keep[day * 96 : day * 96 + 96] = False
    for factor, finding in ((1.09, UNDECIDED), (1.5, HIGH)):
        result = site(PIPE, flow, factor, keep, flow=flow.round(3))
        assert result.invoices["finding"].tolist() == [finding, HIGH]
        assert ("gaps-leave-it-open" in codes(result)) == (finding == UNDECIDED)


@pytest.mark.parametrize("hours", [8, 1])
def test_many_gaps_that_may_hide_storms_carry_no_verdict(site, hours):
    flow = course()
    lost = np.zeros(len(flow), bool)
    for start in np.random.default_rng(5).choice(len(flow) // 100, 8, replace=False) * 100:
        lost[start : start + hours * 4] = True
    flow[lost] *= 4
    result = site(PIPE, flow, 1.0, ~lost, flow=flow.round(3))
    stops = hours == 8
    assert ("gaps-may-hide-events" in codes(result, "stops verdict")) == stops
    assert HIGH not in set(result.invoices["finding"])


def test_where_the_balance_agrees_the_note_names_those_invoices_and_the_stop_the_others():
    flag = Flag("held back decides", "log.csv: zeros in A, B.", {"invoices": ["A", "B"]})
    rng = np.random.default_rng(1)
    effluent = rng.normal([100.0, 100.0], 2, (400, 2))
    balance = rng.normal([101.0, 101.0], 2, (400, 2))
    have = {"effluent": np.array([True, True]), "balance": np.array([True, False])}
    flags = [flag]
    _confirm_held(flags, [], ["A", "B"], have, (effluent, balance), 0.95)
    assert [(f.code, f.data["invoices"]) for f in flags] == [
        ("held back", ["A"]),
        ("held back decides", ["B"]),
    ]
    assert flags[1].message == "log.csv: zeros in B." and "kept in A." in flags[0].message
    flags = [Flag("gaps-may-hide-events", flag.message, flag.data)]
    _confirm_held(flags, [], ["A", "B"], have, (effluent, balance), 0.95)
    assert [(f.code, f.data["invoices"]) for f in flags] == [("gaps-may-hide-events", ["B"])]
    flags = [flag]
    _confirm_held(flags, [], ["A", "B"], have, (effluent, 2 * balance), 0.95)
    assert flags == [flag]


def test_a_meter_that_cuts_off_low_flow_accuses_nobody(site):
    flow = course()
    shown = np.where(flow < np.quantile(flow, 0.35), 0, flow)
    result = site(PIPE, flow, 1.0, flow=shown.round(3))
    assert "held back decides" in codes(result, "stops verdict")
    assert set(result.invoices["finding"]) == {UNDECIDED}
    dies = np.where(np.arange(len(flow)) % 96 < 24, 0, flow) * (1 + 0.2 * np.sin(flow * 50))
    assert "held back decides" not in codes(site(PIPE, dies, flow=dies.round(3)))


def test_the_instruments_own_flow_beside_that_of_the_stated_device(site):
    flow = course()
    both = ', flow = { name = "flow", unit = "L/s" }'
    for factor, told in ((1.0, False), (1.3, True)):
        result = site(
            FLUME % (both, ""), flow, head=head_of(flow).round(1), flow=(factor * flow).round(3)
        )
        assert ("flow-of-another-rating" in codes(result, "warning")) == told


def test_foam_is_told_and_batches_are_not(site):
    flow, rng = course(), np.random.default_rng(2)
    hour = np.arange(len(flow)) % 96 // 4
    foam = (hour >= 10) * (hour < 16) * np.maximum(rng.normal(50, 20, len(flow)), 0)
    batch = np.where(np.arange(len(flow)) % 37 < 2, 60, 0)
    for more, told in ((foam, True), (batch, False)):
        result = site(FLUME % ("", ""), flow, head=(head_of(flow) + more).round(1))
        assert ("readings without a course" in codes(result, "warning")) == told


def test_rags_cleaned_off_at_visits_stop_the_verdict(site):
    flow = course()
    days = np.arange(len(flow)) / 96
    rags = 1.5 * (days % 12)
    head = head_of(flow) + rags
    visits = "".join(
        VISIT % (f"2026-{1 + day // 31:02d}-{1 + day % 31:02d}", *[head[day * 96 + 44]] * 2)
        for day in (11, 23, 35, 47)
    )
    result = site(FLUME % ("", visits), flow, head=head.round(1))
    assert "falls at visits" in codes(result, "stops verdict")
    clean = site(FLUME % ("", visits), flow, head=head_of(flow).round(1))
    assert "falls at visits" not in codes(clean)


def test_what_was_touched_and_not_read_is_told_until_somebody_reads(site):
    flow = course()
    head = head_of(flow)
    event = '[[effluent.event]]\ntime = "2026-01-20 10:00"\nkind = "cleaning"\n'
    after = VISIT % ("2026-02-09", head[39 * 96 + 44], head[39 * 96 + 44])
    for keys, told in ((event, True), (after + event, False)):
        result = site(FLUME % ("", keys), flow, head=head.round(1))
        assert ("event-not-read" in codes(result, "warning")) == told


def test_a_step_of_the_level_may_be_the_sensors_until_a_reading_tells(site):
    flow = course()
    flow = flow * np.where(np.arange(len(flow)) < 40 * 96, 1, 1.7)
    result = site(FLUME % ("", ""), flow, head=head_of(flow).round(1))
    assert "step change" in codes(result, "warning")
    causes = result.causes.set_index("cause")["standard"]
    step = causes[[name for name in causes.index if name.startswith("step change")]]
    assert len(step) == 1 and step.iloc[0] == pytest.approx(0.03, rel=0.5)
    visits = VISIT % ("2026-02-20", head_of(flow)[50 * 96 + 44], head_of(flow)[50 * 96 + 44])
    read = site(FLUME % ("", visits), flow, head=head_of(flow).round(1))
    after = [each.invoices["effluent_standard_uncertainty"][1] for each in (result, read)]
    assert after[1] < 0.6 * after[0]


def test_air_that_warms_far_more_than_in_a_sewer_widens_what_the_echo_says(site):
    flow = course()
    hours = np.arange(len(flow)) / 4
    keys = """method = "parshall flume"
throat = "6 in"
reference_distance = "1200 mm"
columns = { time = "time", echo_time = { name = "echo", unit = "ms" }, air_temperature = %s }
%s
"""
    air = '{ name = "air", unit = "degC" }'
    known = {}
    for swing in (4.0, 18.0):
        shown = 12 + swing / 2 * np.sin(2 * np.pi * hours / 24)
        sound = 331.3 * np.sqrt(1 + shown / 273.15)
        echo = 2 * (1200 - head_of(flow)) / sound
        yes = 'checklist = { temperature = "yes; shaded" }'
        result = site(keys % (air, yes), flow, echo=echo.round(5), air=shown.round(2))
        known[swing] = result.causes.set_index("cause")["standard"]["air temperature"]
        assert ("air swings" in codes(result, "warning")) == (swing > 10)
    assert known[18.0] == pytest.approx(6.0, rel=0.05) and known[4.0] < 2


@pytest.mark.parametrize("written", ["(1.250)", "1.250-", "1.250 CR"])
def test_numbers_below_zero_by_brackets_or_a_minus_behind_are_told(site, tmp_path, written):
    flow = course()
    shown = [written if place in (40, 41) else f"{x:.3f}" for place, x in enumerate(flow)]
    told = [f for f in site(PIPE, flow, flow=shown).flags if f.code == ODD_MINUS]
    assert told[0].data["times"] == 2 and told[0].data["line"] == 42
    assert not [f for f in site(PIPE, flow, flow=flow.round(3)).flags if f.code == ODD_MINUS]
    (tmp_path / "dial.csv").write_text(
        f"time,register\n2026-01-01,100\n2026-01-05,{written}\n2026-01-09,140\n"
    )
    read = read_register(tmp_path / "dial.csv", zone="UTC", unit="m3")
    assert [f.data["line"] for f in read.flags if f.code == ODD_MINUS] == [3]


def test_a_record_that_grows_finer_is_covered_at_either_step(site):
    """Every half hour, then every quarter: no half of the first month is missing."""
    flow = course()
    keep = np.ones(len(flow), bool)
    keep[1 : 20 * 96 : 2] = False
    fine = site(PIPE, flow, keep=keep, flow=flow.round(3))
    assert (fine.invoices["record_coverage"] > 0.999).all()
    keep[40 * 96 : 50 * 96] = False
    gap = site(PIPE, flow, keep=keep, flow=flow.round(3))
    assert gap.invoices["record_coverage"].tolist() == pytest.approx([1.0, 18 / 28], abs=0.002)
