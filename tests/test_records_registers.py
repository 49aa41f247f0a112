"""Registers: counts to volume through roll-overs, changes of meter and bad reads."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sewer_audit.errors import InputRefused
from sewer_audit.records import combine_registers, read_register

GALLON = 231 * 0.0254**3  # NIST Handbook 44 (2024), appendix C: 231 cubic inches


@pytest.fixture
def read(tmp_path):
    def go(rows, header="time,register", name="meter.csv", **given):
        path = tmp_path / name
        path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
        return read_register(path, **({"zone": "UTC", "unit": "m3"} | given))

    return go


def codes(record):
    return [flag.code for flag in record.flags]


def months(counts, year=2026):
    return [f"{year}-{n:02d}-01 08:00,{count}" for n, count in enumerate(counts, start=1)]


def test_counts_become_volume(read):
    record = read(months([10, 15, 35]), unit="gal", multiplier=100)
    assert record.count_m3 == pytest.approx(100 * GALLON)
    expected = np.array([0, 500, 2500]) * GALLON
    np.testing.assert_allclose(record.frame["volume_m3"], expected, rtol=1e-12)
    assert record.frame["register"].tolist() == [10, 15, 35]
    assert codes(record) == []


def test_local_times_and_read_hour(read):
    record = read(["2026-07-01,1", "2026-08-01,2"], zone="America/Chicago", read_hour="07:30")
    assert str(record.frame["time"].iloc[0]) == "2026-07-01 12:30:00+00:00"


def test_roll_over_needs_digits_and_a_believable_volume(read):
    rows = months([9900, 9950, 20, 80])
    record = read(rows, digits=4)
    assert record.frame["volume_m3"].tolist() == [0, 50, 120, 180]
    assert codes(record) == ["roll-over"]
    with pytest.raises(InputRefused, match="State digits if it rolled over"):
        read(rows)
    # 4,950 to 4,900 can be a roll-over of 4 digits only with 220 times the usual use
    with pytest.raises(InputRefused, match="would mean 220 times the largest use on record"):
        read(months([4900, 4950, 4900, 4960][:3]), digits=4)


@pytest.mark.parametrize("marks", [("", "change-out"), ("change-out", ""), ("change-out",) * 2])
def test_the_change_lies_between_the_reads_of_one_time_whichever_is_marked(read, marks):
    """The old meter's 60 counts up to its final read are not lost: 60 + 30 + 40."""
    old, new = marks
    rows = ["2026-01-01,900,", f"2026-01-20,960,{old}", f"2026-01-20,5,{new}"]
    rows += ["2026-02-01,35,", "2026-03-01,75,"]
    record = read(rows, header="time,register,event")
    assert record.frame["volume_m3"].iloc[-1] == 130
    (change,) = record.changes
    assert (change.final_read, change.first_read, change.together) == (960, 5, True)
    assert codes(record) == ["meter changed"]


def test_blank_rows_of_one_time_are_no_read_that_stands_twice(read):
    """A book with a column for each of two meters: two rows tell the change of the other one."""
    rows = ["2026-01-01,900", "2026-01-20,", "2026-01-20,", "2026-02-01,960"]
    record = read(rows)
    assert codes(record) == ["blank-reads"] and record.frame["volume_m3"].iloc[-1] == 60


def test_change_of_meter_with_both_reads(read):
    rows = ["2026-01-01,900,", "2026-02-01,990,", "2026-02-01,5,change-out", "2026-03-01,65,"]
    record = read(rows, "time,register,event")
    assert record.frame["volume_m3"].tolist() == [0, 90, 90, 150]
    assert "final and first read stand together" in record.flags[0].message


def test_change_of_meter_told_by_its_number(read):
    rows = ["2026-01-01,900,K1", "2026-02-01,990,K1", "2026-02-11,5,K2", "2026-03-01,65,K2"]
    record = read(rows, "time,register,meter")
    assert record.frame["volume_m3"].tolist() == [0, 90, 90, 150]
    assert record.flags[0].data["days_without_volume"] == 10.0


def test_multiplier_of_a_read_holds_from_that_read_on(read):
    rows = ["2026-01-01,0,10", "2026-02-01,10,10", "2026-03-01,20,100", "2026-04-01,30,100"]
    record = read(rows, "time,register,multiplier")
    assert record.frame["volume_m3"].tolist() == [0, 100, 200, 1200]
    assert codes(record)[0] == "multiplier changed"


def test_read_below_both_neighbours_is_rejected_and_kept(read):
    record = read(months([100, 200, 30, 400]), digits=6)
    assert record.frame["status"].tolist() == ["measured", "measured", "rejected", "measured"]
    assert record.frame["register"].iloc[2] == 30
    assert np.isnan(record.frame["volume_m3"].iloc[2])
    assert record.frame["volume_m3"].iloc[3] == 300


def test_register_that_falls_for_good_is_refused(read):
    with pytest.raises(InputRefused, match=r"meter.csv, line 4, column register: the register fal"):
        read(months([100, 200, 30, 40]))


def test_estimates_are_told_and_their_true_up(read):
    rows = [f"{row},{kind}" for row, kind in zip(months([0, 10, 20]), "aea", strict=True)]
    record = read(rows, "time,register,read_type")
    assert record.frame["status"].tolist() == ["measured", "estimated", "measured"]
    assert record.flags[0].data == {"estimated": 1, "reads": 3, "true_ups": 1}


def test_register_that_stands_still(read):
    rows = [
        f"2026-01-{d:02d},{c}"
        for d, c in zip(range(1, 11), [0, 9, 18, 27, 27, 27, 27, 36, 45, 54], strict=True)
    ]
    (flag,) = read(rows).flags
    assert flag.code == "register stands still"
    assert flag.data["days"] == 3.0


def test_read_far_above_usual(read):
    rows = [
        f"2026-01-{d:02d},{c}"
        for d, c in zip(range(1, 11), [0, 9, 18, 27, 36, 136, 145, 154, 163, 172], strict=True)
    ]
    (flag,) = read(rows).flags
    assert flag.code == "read far above usual"
    assert flag.data["m3_per_day"] == 100.0


def test_times_that_go_back_and_files_newest_first(read):
    rows = months([0, 10, 20])
    with pytest.raises(InputRefused, match="line 4, column time: the time goes back from 2026-03"):
        read([rows[0], rows[2], rows[1]])
    record = read(rows[::-1])
    assert record.frame["volume_m3"].tolist() == [0, 10, 20]
    assert codes(record) == ["newest first"]


def test_two_reads_of_one_time(read):
    rows = months([0, 10, 20])
    assert "identical rows merged" in codes(read([*rows, rows[2]]))
    with pytest.raises(InputRefused, match="two reads at 2026-03-01 08:00 UTC differ: 20 and 25"):
        read([*rows, rows[2].replace(",20", ",25")])


def test_two_reads_of_one_time_that_fall(read):
    with pytest.raises(InputRefused, match="two reads at 2026-03-01 08:00 UTC differ: 20 and 2"):
        read([*months([0, 10, 20]), "2026-03-01 08:00,2"], digits=4)


def test_several_files_of_one_meter(read, tmp_path):
    rows = months([0, 10, 20, 30])
    for name, part in (("a.csv", rows[:3]), ("b.csv", rows[2:])):
        (tmp_path / name).write_text("\n".join(["time,register", *part]), encoding="utf-8")
    both = read_register([tmp_path / "b.csv", tmp_path / "a.csv"], zone="UTC", unit="m3")
    pd.testing.assert_frame_equal(
        both.frame.drop(columns="line"), read(rows).frame.drop(columns="line")
    )


def test_one_read_is_no_volume(read):
    record = read(months([5]))
    assert record.flags[0].severity == "stops verdict"


def test_compound_meter_is_the_sum_of_its_registers(read):
    high, low = read(months([0, 100, 300])), read(months([50, 52, 58]), name="low.csv")
    both = combine_registers([high, low])
    assert both.frame["volume_m3"].tolist() == [0, 102, 308]
    assert set(both.frame["status"]) == {"measured"}


def test_deduct_meter_is_taken_off_and_may_not_exceed_the_supply(read):
    supply, deduct = read(months([0, 100, 200])), read(months([0, 40, 190]), name="d.csv")
    net = combine_registers([supply, deduct], [1, -1], name="net")
    assert net.frame["volume_m3"].tolist() == [0, 60, 10]
    assert "in 1 intervals, first before 2026-03-01, more is taken off" in net.flags[-1].message


def test_registers_read_on_different_days(read):
    high = read(["2026-01-01,0", "2026-01-11,100", "2026-01-21,200"])
    low = read(["2026-01-01,0", "2026-01-21,40"], name="low.csv")
    both = combine_registers([high, low])
    assert both.frame["volume_m3"].tolist() == [0, 120, 240]
    assert both.frame["status"].tolist() == ["measured", "estimated", "measured"]
    late = read(["2027-01-01,0", "2027-01-21,40"], name="late.csv")
    with pytest.raises(InputRefused, match="fewer than two times in common"):
        combine_registers([high, late])


def test_volume_is_conserved_when_reads_are_left_out(read):
    """Leaving out reads between two others changes no volume between those."""
    counts = [0, 900, 1700, 2600, 3900, 4600]
    whole = read(months(counts), multiplier=10).frame
    part = read([months(counts)[n] for n in (0, 2, 5)], multiplier=10).frame
    assert part["volume_m3"].tolist() == whole["volume_m3"].iloc[[0, 2, 5]].tolist()


def test_blank_reads_are_told_with_their_lines(read):
    record = read(["2026-01-01,900", "2026-01-20,", "2026-02-01,960", "2026-02-10,"])
    (flag,) = [each for each in record.flags if each.code == "blank-reads"]
    assert flag.data["lines"] == [3, 5]


def test_date_and_time_in_two_columns(read):
    rows = ["07/01/2026,8:30 AM,1", "08/01/2026,2:05 PM,2"]
    columns = {"date": "Day", "time": "Hour", "register": "Count"}
    record = read(rows, "Day,Hour,Count", columns=columns, day_first=False)
    told = record.frame["time"].dt.strftime("%Y-%m-%d %H:%M").tolist()
    assert told == ["2026-07-01 08:30", "2026-08-01 14:05"]


def test_a_column_of_times_that_the_case_forgets_is_told(read):
    columns = {"time": "Day", "register": "Count"}
    rows = ["07/01/2026,8:30 AM,1", "08/01/2026,2:05 PM,2"]
    with pytest.raises(InputRefused, match=r"'Hour' holds times of day.*time = 'Hour'"):
        read(rows, "Day,Hour,Count", columns=columns, day_first=False)


@pytest.mark.parametrize("clocks", [("0830", "1405"), ("8h30", "14h05"), ("8.30", "14.05")])
def test_times_without_a_colon_are_told_where_the_head_speaks_of_time(read, clocks):
    columns = {"time": "Day", "register": "Count"}
    rows = [f"2026-0{n}-01,{clock},{n}" for n, clock in enumerate(clocks, start=7)]
    with pytest.raises(InputRefused, match=r"'read at' holds times of day.*time = 'read at'"):
        read(rows, "Day,read at,Count", columns=columns)
    if "h" not in clocks[0]:  # the same figures under another head may be pressures
        assert len(read(rows, "Day,bar,Count", columns=columns).frame) == 2


def test_a_column_of_dates_that_the_case_forgets_is_told(read):
    columns = {"time": "Hour", "register": "Count"}
    rows = ["07/13/2026,8:30 AM,1", "08/13/2026,2:05 PM,2"]
    with pytest.raises(InputRefused, match=r"'Day' holds the dates.*date = 'Day', time = 'Hour'"):
        read(rows, "Day,Hour,Count", columns=columns)


def test_remarks_in_place_of_a_date_are_told_and_no_reads(read):
    rows = [*months([10, 15]), "glass wiped: no read,", "2026-03-01 08:00,22"]
    record = read(rows)
    assert record.frame["register"].tolist() == [10, 15, 22]
    assert codes(record) == ["remarks between reads"]
    with pytest.raises(InputRefused, match="line 4"):
        read([*months([10, 15]), "glass wiped,17", "2026-03-01 08:00,22"])


def test_two_rows_of_one_second_that_only_rise_are_no_fault(tmp_path):
    """A fast counter logged twice within a second; more than a count is still asked about."""
    path = tmp_path / "meter.csv"
    head = "time,register\n2026-03-01 08:00:00,100\n2026-03-01 09:00:00,110\n"
    tail = "2026-03-01 10:00:00,{again}\n2026-03-01 11:00:00,131\n2026-03-01 12:00:00,141\n"
    path.write_text(head + "2026-03-01 10:00:00,120\n" + tail.format(again=121))
    frame = read_register(path, zone="UTC", unit="m3").frame
    assert frame["volume_m3"].dropna().iloc[-1] == pytest.approx(41)
    assert (frame["status"] == "rejected").sum() == 1
    path.write_text(head + "2026-03-01 10:00:00,120\n" + tail.format(again=124))
    with pytest.raises(InputRefused, match="two reads at 2026-03-01 10:00 UTC differ"):
        read_register(path, zone="UTC", unit="m3")


def test_a_roll_over_every_other_month_is_no_misread(read):
    """Half a dial a month: each low read lies below both neighbours, and none of them is wrong."""
    counts = [20_000, 70_500, 21_000, 71_200, 22_400, 72_000]
    record = read(months(counts), unit="m3", digits=5)
    assert set(record.frame["status"]) == {"measured"}
    used = np.diff(record.frame["volume_m3"])
    assert used == pytest.approx([50_500, 50_500, 50_200, 51_200, 49_600])


def test_a_misread_below_both_neighbours_stays_one(read):
    """The same dial, but a month uses a hundredth of it: the low read is wrong, not the wheel."""
    record = read(months([61_000, 61_600, 12_200, 62_800, 63_400]), unit="m3", digits=5)
    assert record.frame["status"].tolist().count("rejected") == 1
    assert record.frame["volume_m3"].dropna().iloc[-1] == pytest.approx(2_400)
