"""Faults seen in real exports of loggers and meters, one small file each.

Where each fault was seen stands in the docstring of its test: open records and public reports of
faults in other software, read before this toolkit was written.
"""

from __future__ import annotations

import re

import numpy as np
import openpyxl
import pandas as pd
import pytest

from second_opinions.records_steps import accepted_durations
from sewer_audit.errors import InputRefused
from sewer_audit.records import ClockCorrection, ColumnSpec, read_logger, read_register
from sewer_audit.records.clock.zones import zone_of
from sewer_audit.records.files.tables import read_table
from sewer_audit.records.rules.named import screening_rules
from sewer_audit.records.rules.screening import screen

HEAD = {"head": ColumnSpec("head", "in")}
INCH = 0.0254


@pytest.fixture
def write(tmp_path):
    def put(text, name="log.csv", encoding="utf-8"):
        path = tmp_path / name
        path.write_bytes(text.encode(encoding) if isinstance(text, str) else text)
        return path

    return put


def read(path, **given):
    return read_logger(path, **({"zone": "UTC-06:00", "columns": HEAD} | given))


def codes(record) -> set[str]:
    return {flag.code for flag in record.flags}


def flag(record, code):
    return next(flag for flag in record.flags if flag.code == code)


def inches(record) -> list[float]:
    good = record.frame["status"] == "measured"
    return [round(value / INCH, 6) for value in record.frame.loc[good, "head"]]


def log(rows, header="time,head") -> str:
    return "\n".join([header, *rows]) + "\n"


def five_minutes(start, count, value=3.0):
    times = pd.date_range(start, periods=count, freq="5min")
    return [f"{t:%Y-%m-%d %H:%M},{value + 0.01 * (i % 7):.2f}" for i, t in enumerate(times)]


def test_01_byte_order_mark_leaves_the_first_name(write):
    """Some files of one logger family only begin with the mark (two open records)."""
    path = write(log(["2026-01-01 00:00,3.0", "2026-01-01 00:05,3.1"]), encoding="utf-8-sig")
    assert read_table(path).header == ["time", "head"]
    assert inches(read(path)) == [3.0, 3.1]


@pytest.mark.parametrize("lines", [0, 1, 8])
def test_02_lines_above_the_header(write, lines):
    """One line, and eight lines with a site block, stood above the header in open records."""
    block = [f"Site: {n}, plant outfall; made by nobody" for n in range(lines)]
    path = write("\n".join([*block, "time,head", "2026-01-01 00:00,3.0", "2026-01-01 00:05,3.1"]))
    record = read(path)
    assert inches(record) == [3.0, 3.1]
    assert record.counts["other lines"] == lines + 1


def test_03_unit_row_and_comments_are_no_data(write):
    """A row of units ("5s 15s 12s"), a row of types, and '#' comments (two open records)."""
    text = "# made 2026\n# logger\ntime,head,note\n,RAW VALUE,text\n,in,\n"
    text += "2026-01-01 00:00,3.0,x\n# swapped battery\n2026-01-01 00:05,3.1,y\n"
    record = read(write(text))
    assert inches(record) == [3.0, 3.1]
    assert record.counts["other lines"] == 6


@pytest.mark.parametrize(
    ("text", "name", "unit"),
    [
        ("time,head\n,mm\n2026-01-01 00:00,3.0\n2026-01-01 00:05,3.1\n", "head", "mm"),
        ("time,Level (mm)\n2026-01-01 00:00,3.0\n2026-01-01 00:05,3.1\n", "Level (mm)", "mm"),
        ("time,level_mm\n2026-01-01 00:00,3.0\n2026-01-01 00:05,3.1\n", "level_mm", "mm"),
        ("time,Level [%]\n2026-01-01 00:00,3.0\n2026-01-01 00:05,3.1\n", "Level [%]", "%"),
        ("time,Battery (V)\n2026-01-01 00:00,3.0\n2026-01-01 00:05,3.1\n", "Battery (V)", "V"),
        ("time,v,unit\n2026-01-01 00:00,3.0,ft\n2026-01-01 00:05,3.1,ft\n", "v", "ft"),
    ],
)
def test_03_a_unit_of_the_file_that_contradicts_the_case(write, text, name, unit):
    columns = {"head": ColumnSpec(name, "in")}
    with pytest.raises(
        InputRefused, match=re.escape(f"the file names the unit {unit!r}")
    ) as caught:
        read(write(text), columns=columns)
    assert caught.value.problems[0].line == 1
    why = "the display of the meter shows inches"
    record = read(write(text), columns={"head": ColumnSpec(name, "in", why)})
    assert inches(record) == [3.0, 3.1]
    assert why in record.problems[0].remedy and record.problems[0].severity == "warning"


def test_04_units_and_signs_in_header_names(write):
    """Degree signs and superscripts in header names (an open record): mapped by the user."""
    text = "Zeit;Pegel (cm);Temp, °C;m³/h\n2026-01-01 00:00;7,5;12,5;3,1\n"
    text += "2026-01-01 00:05;7,6;12,4;3,2\n"
    columns = {
        "head": ColumnSpec("Pegel (cm)", "cm"),
        "air_temperature": ColumnSpec("Temp, °C", "degC"),
        "flow": ColumnSpec("m³/h", "m3/h"),
    }
    for encoding in ("utf-8", "cp1252", "utf-16"):
        record = read(write(text, encoding=encoding), columns=columns, time="Zeit")
        assert record.frame["head"].tolist() == pytest.approx([0.075, 0.076])
        assert record.frame["air_temperature"].tolist() == pytest.approx([285.65, 285.55])
        assert record.frame["flow"].iloc[1] == pytest.approx(3.2 / 3600)


def test_05_rows_wider_than_the_header_do_not_shift(write):
    """Header with fewer names than the rows have cells; trailing commas (an open record)."""
    text = "time,head\n2026-01-01 00:00,3.0,,\n2026-01-01 00:05,3.1,,\n"
    assert inches(read(write(text))) == [3.0, 3.1]
    table = read_table(write("time,head\n2026-01-01 00:00,3.0,9\n2026-01-01 00:05,3.1,8\n"))
    assert table.header == ["time", "head", ""]
    assert table.rows[0] == ["2026-01-01 00:00", "3.0", "9"]
    assert "the header names 2 columns, the rows have 3" in table.problems[0].found


def test_06_separator_differs_between_sister_files(write):
    """';' in one file, ',' in its sister, stamps in quotation marks (an open record)."""
    one = write('"time";"head"\n"2026-01-01 00:00";3.0\n"2026-01-01 00:05";3.1\n', "a.csv")
    two = write(log(["2026-01-01 00:10,3.2", "2026-01-01 00:15,3.3"]), "b.csv")
    tab = write(log(["2026-01-01 00:20,3.4"]).replace(",", "\t"), "c.csv")
    assert inches(read([one, two, tab])) == [3.0, 3.1, 3.2, 3.3, 3.4]


def test_07_decimal_comma(write):
    """';' with decimal commas and -200 for missing (from memory of an open air-quality record)."""
    path = write("time;head\n2026-01-01 00:00;3,25\n2026-01-01 00:05;-200\n2026-01-01 00:10;3,5\n")
    record = read(path, missing_marks=["-200"])
    assert inches(record) == [3.25, 3.5]
    assert record.kept["text"].tolist() == ["-200"]


def test_07_comma_that_may_be_thousands_is_refused(write):
    text = "time;head\n2026-01-01 00:00;3,250\n2026-01-01 00:05;4,125\n"
    with pytest.raises(InputRefused, match="'1,234' can be read with a decimal comma or with thou"):
        read(write(text))
    assert inches(read(write(text), decimal=",")) == [3.25, 4.125]


def test_08_date_in_five_columns(write):
    """Month, Day, Year, Hour, Minute (an open sewer record)."""
    text = "Month,Day,Year,Hour,Minute,head\n2,16,2008,0,0,3.0\n2,16,2008,0,15,3.1\n"
    record = read(write(text), time="Year + Month + Day + Hour + Minute")
    assert record.frame["time"].iloc[1] == pd.Timestamp("2008-02-16 06:15", tz="UTC")
    assert flag(record, "date in several columns").data["columns"] == 5
    with pytest.raises(InputRefused, match=r"line 3, column Year: '2008-13-16 00:15' is no day"):
        bad = text.replace("2,16,2008,0,15", "13,16,2008,0,15")
        read(write(bad), time=["Year", "Month", "Day", "Hour", "Minute"])


def test_08_twelve_hour_clock_in_two_columns(write):
    """A date column and a 12 h clock with AM and PM (an open record)."""
    text = "Date,Time,head\n03/04/2026,12:05:00 AM,3.0\n03/04/2026,12:05:00 PM,3.1\n"
    record = read(write(text), time="Time", date="Date", day_first=False)
    assert [str(t) for t in record.frame["time"]] == [
        "2026-03-04 06:05:00+00:00",
        "2026-03-04 18:05:00+00:00",
    ]


def test_08_order_of_day_and_month_is_never_guessed(write):
    """MM/DD/YY in one record, DD/MM/YYYY in another."""
    path = write(log(["03/04/2026 00:00,3.0", "13/04/2026 00:00,3.1"]))
    with pytest.raises(InputRefused, match="order of day and month in '03/04/2026 00:00' is not"):
        read(path)
    with pytest.raises(InputRefused, match="'13/04/2026 00:00' has no month 13 with day_first = f"):
        read(path, day_first=False)
    assert read(path, day_first=True).frame["time"].iloc[0].month == 4
    short = write(log(["12/31/25 23:00,3.0", "01/01/26 00:00,3.1"]))
    assert read(short, day_first=False).frame["time"].iloc[1].year == 2026


def test_08_text_dates_in_a_workbook(tmp_path):
    """Stamps as text DD/MM/YYYY HH:mm in a workbook (an open district record)."""
    book = openpyxl.Workbook()
    for row in (["time", "head"], ["25/03/2026 10:00", 3.0], ["25/03/2026 10:05", 3.1]):
        book.active.append(row)
    book.save(tmp_path / "log.xlsx")
    record = read(tmp_path / "log.xlsx", day_first=True)
    assert record.frame["time"].iloc[0] == pd.Timestamp("2026-03-25 16:00", tz="UTC")


def test_09_offset_in_the_stamp(write):
    """+01:00 and +02:00 in the stamps (an open pipe record)."""
    rows = ["2022-03-27T01:00:00+01:00,3.0", "2022-03-27T03:00:00+02:00,3.1"]
    time = read(write(log(rows)), zone="Europe/Paris").frame["time"]
    assert [str(t) for t in time] == ["2022-03-27 00:00:00+00:00", "2022-03-27 01:00:00+00:00"]
    with pytest.raises(InputRefused, match="no offset from UTC, its neighbours have one"):
        read(write(log([rows[0], "2022-03-27T03:00:00,3.1"])))


def test_09_zone_in_a_column(write):
    """EST and EDT alternating in a column (an open record)."""
    rows = ["2025-11-02 01:30,EDT,3.0", "2025-11-02 01:30,EST,3.1"]
    path = write(log(rows, "time,tz,head"))
    offsets = {"EST": "UTC-05:00", "EDT": "UTC-04:00"}
    time = read(path, zone_column="tz", offsets=offsets).frame["time"]
    assert [str(t) for t in time] == ["2025-11-02 05:30:00+00:00", "2025-11-02 06:30:00+00:00"]
    with pytest.raises(InputRefused, match="line 3, column tz: 'EST' is no zone the case states"):
        read(path, zone_column="tz", offsets={"EDT": "UTC-04:00"})


@pytest.mark.parametrize(
    ("zone", "stamps"), [("UTC-05:00", 0), ("America/New_York", 1), ("UTC-06:00", 2)]
)
def test_09_zone_in_the_header(write, zone, stamps):
    """The header names the offset the logger kept, the case states a zone (an open record)."""
    rows = ["2026-01-10 00:00,3.0", "2026-07-10 00:00,3.1"]
    record = read(
        write(log(rows, "Date Time GMT-05:00,head")), zone=zone, time="Date Time GMT-05:00"
    )
    told = [p for p in record.problems if p.code == "time zone"]
    assert len(told) == (stamps > 0)
    if told:
        assert f"reads {stamps} of 2 stamps as {zone}" in told[0].found
        assert "State time_zone = 'UTC-05:00'" in told[0].remedy
        assert told[0].severity == "warning"


def test_10_inverted_sign_of_etc_zones(write):
    """ "Etc/GMT-6" is six hours east of Greenwich (a script beside an open record)."""
    path = write(log(["2026-01-01 12:00,3.0", "2026-01-01 12:05,3.1"]))
    assert read(path, zone="Etc/GMT-6").frame["time"].iloc[0].hour == 6
    assert read(path, zone="UTC-06:00").frame["time"].iloc[0].hour == 18
    assert (
        "Etc/GMT-6 lies 6 h east of Greenwich"
        in flag(read(path, zone="Etc/GMT-6"), "sign of the zone").message
    )
    with pytest.raises(InputRefused, match="'GMT minus six' is no time zone"):
        zone_of("GMT minus six")


def chicago(start, end):
    """Local stamps of a logger that follows America/Chicago, every 5 min."""
    index = pd.date_range(start, end, freq="5min", tz="America/Chicago")
    return [f"{t:%Y-%m-%d %H:%M},{3 + 0.01 * (i % 9):.2f}" for i, t in enumerate(index)]


@pytest.mark.parametrize(
    ("start", "end", "hours"),
    [("2025-03-09", "2025-03-10", 23), ("2025-11-02", "2025-11-03", 25)],
)
def test_11_days_of_23_and_25_hours(write, start, end, hours):
    """Repeated and missing hour (an open district record; a public report of duplicates)."""
    record = read(write(log(chicago(start, end))), zone="America/Chicago")
    durations = accepted_durations(record.frame, longest=600)
    assert durations.span == durations.accepted == hours * 3600
    assert record.frame["time"].is_monotonic_increasing
    assert ("repeated hour" in codes(record)) == (hours == 25)


def test_11_hourly_stamps_repeat_once(write):
    rows = [f"2025-11-02 {h:02d}:00,3.{n}" for n, h in enumerate([0, 1, 1, 2, 3])]
    record = read(write(log(rows)), zone="America/Chicago")
    assert (record.frame["time"].diff().dropna() == pd.Timedelta(hours=1)).all()


def test_11_one_pass_of_the_repeated_hour(write):
    """A logger that kept standard time, read as if it followed the zone, says so."""
    rows = five_minutes("2025-11-02 00:00", 48)
    record = read(write(log(rows)), zone="America/Chicago")
    assert "its zone is not America/Chicago" in flag(record, "repeated hour once").message
    rows = [row for row in rows if not "00:59" < row[11:16] < "01:30"]
    record = read(write(log(rows)), zone="America/Chicago")  # joins what follows: second pass
    assert record.frame["time"].iloc[12] == pd.Timestamp("2025-11-02 07:30", tz="UTC")


def test_11_sorted_repeated_hour_is_not_settled(write):
    rows = [f"2025-11-02 01:{m:02d},3.{n}" for m in range(0, 60, 5) for n in (1, 2)]
    record = read(write(log(rows)), zone="America/Chicago")
    assert set(record.frame["reason"]) == {"repeated hour not settled"}
    assert record.counts["rejected"] == 24


def test_12_faulty_clock_logic_steps_back(write):
    """Jump at 02:00, then the 03:00 hour again (a public report of an analysis library)."""
    rows = five_minutes("2025-03-09 01:30", 6) + five_minutes("2025-03-09 03:00", 12)
    rows += five_minutes("2025-03-09 03:00", 6, 4.0)
    with pytest.raises(InputRefused, match="line 20, column time: the time goes back by 3300 s"):
        read(write(log(rows)), zone="America/Chicago")
    kept = read(write(log(rows)), zone="America/Chicago", back_steps="reject")
    assert (kept.frame["reason"] == "clock set back").sum() == 6
    assert "time goes back" in codes(kept)


def test_13_clock_set_by_hand_shows_both_ways(write):
    """90-min step a day and a half after summer time began (inferred in an open sewer record)."""
    before = pd.date_range("2008-03-08 00:00", "2008-03-10 11:15", freq="15min")
    after = pd.date_range("2008-03-10 12:45", "2008-03-12 00:00", freq="15min")
    rows = [f"{t:%Y-%m-%d %H:%M},2.0" for t in [*before, *after]]
    columns = {"flow": ColumnSpec("flow", "m3/h")}
    path = write(log(rows, "time,flow"))
    record = read(path, columns=columns, site_zone="America/Chicago")
    data = flag(record, "clock change or gap").data
    assert data["missing_if_gap_s"] == 75 * 60
    assert data["missing_if_clock_s"] == 15 * 60
    assert data["volume_if_gap_m3"] == pytest.approx(3.0)
    assert data["volume_if_clock_m3"] == pytest.approx(1.0)
    with pytest.raises(InputRefused, match="the logger's clock did not follow that zone"):
        read(path, columns=columns, zone="America/Chicago")
    given = ClockCorrection("2008-03-09 02:00", "2008-03-10 11:15", 3600.0)
    told = read(path, columns=columns, zone="America/Chicago", corrections=[given])
    assert told.gaps["seconds"].tolist() == [1800.0]  # one reading is missing, not six
    assert flag(told, "clock corrected").data["rows"] == 134


@pytest.mark.parametrize("hours", [1, -1])
def test_13_a_clock_set_back_or_forward_for_a_while(write, hours):
    """The stamps of the wrong stretch also stand, rightly, in the rows before or after it."""
    right = pd.date_range("2026-01-10 00:00", periods=80, freq="15min")
    wrong = right[30:50] - pd.Timedelta(hours=hours)
    rows = [
        f"{t:%Y-%m-%d %H:%M},3.{n:02d}" for n, t in enumerate([*right[:30], *wrong, *right[50:]])
    ]
    path = write(log(rows))
    with pytest.raises(InputRefused, match="the time goes back by 2700 s"):
        read(path)
    given = ClockCorrection(str(wrong[0]), str(wrong[-1]), hours * 3600.0)
    told = read(path, corrections=[given])
    assert (told.frame["time"].dt.tz_convert("UTC").diff().dropna() == right.freq).all()
    assert inches(told) == pytest.approx([3 + n / 100 for n in range(80)])


def test_14_end_of_day_as_24_00(write):
    """24:00 is the next day's 00:00 (XML Schema dateTime and ISO 8601:2004, from public notes)."""
    rows = ["2026-02-28 23:55,3.0", "2026-02-28 24:00,3.1", "2026-03-01 00:05,3.2"]
    record = read(write(log(rows)))
    assert (record.frame["time"].diff().dropna() == pd.Timedelta(minutes=5)).all()
    assert flag(record, "24:00 stamps").data["rows"] == 1


def test_14_midnight_with_the_old_date(write):
    """23:59, then 0:00 of the same date, then 0:01 of the next (a public report)."""
    rows = ["6/1/2026 23:59,3.0", "6/1/2026 0:00,3.1", "6/2/2026 0:01,3.2"]
    record = read(write(log(rows)), day_first=False)
    assert (record.frame["time"].diff().dropna() == pd.Timedelta(minutes=1)).all()
    assert flag(record, "midnight with the old date").data["rows"] == 1


def test_15_stamps_a_second_early(write):
    """:59 for months, then :00 (a public report of a weather library): no false gaps."""
    early = pd.date_range("2026-01-01 00:04:59", periods=20, freq="5min")
    right = pd.date_range("2026-01-01 01:45:00", periods=20, freq="5min")
    path = write(log([f"{t},3.0{i % 3}" for i, t in enumerate([*early, *right])]))
    assert read(path).gaps.empty
    moved = read(path, round_to=300)
    assert flag(moved, "stamps rounded").data["rows"] == 20
    assert (moved.frame["time"].diff().dropna() == pd.Timedelta(minutes=5)).all()


def test_16_local_and_utc_columns_disagree(write):
    """A local and a UTC column that disagree (a public report of a data service)."""
    rows = ["2026-01-01 00:00,2026-01-01 06:00,3.0", "2026-01-01 00:05,2026-01-01 05:05,3.1"]
    record = read(write(log(rows, "time,utc,head")), utc_column="utc")
    assert flag(record, "two time columns compared").data == {"rows": 1, "largest_s": 3600.0}
    assert record.frame["time"].iloc[1].hour == 6


def test_17_three_kinds_of_repeated_stamps(write):
    """Same value, different value, and rows closer than the stamps (two open records)."""
    base = five_minutes("2026-01-01 00:00", 10)
    same = read(write(log([*base[:4], base[3], *base[4:]])))
    assert same.counts["identical rows merged"] == 1
    assert len(same.frame) == 10
    rows = [*base[:4], base[3].replace("3.03", "5.00"), *base[4:]]
    conflict = read(write(log(rows)))
    assert (conflict.frame["reason"] == "conflicting rows").sum() == 2
    assert inches(read(write(log(rows)), conflicts="first")) == inches(read(write(log(base))))
    assert 5.0 in inches(read(write(log(rows)), conflicts="last"))


def test_17_sub_second_rows_keep_their_volume(write):
    """Rows every 0.5 s, stamps to 1 s: dropping duplicates would halve the volume."""
    rows = [f"2017-04-29 09:57:{n // 2:02d},{10 + n % 5}" for n in range(100)]
    columns = {"flow": ColumnSpec("flow", "gpm")}
    record = read(write(log(rows, "time,flow")), columns=columns)
    assert record.counts["measured"] == 100
    assert (record.frame["time"].diff().dropna() == pd.Timedelta(seconds=0.5)).all()
    assert flag(record, "stamps repeat").data["rows"] == 50


def test_17_rows_reported_twice_a_second_apart_are_read_once(write):
    times = pd.date_range("2026-01-01", periods=40, freq="15min")
    rows = [
        f"{t + pd.Timedelta(seconds=late)},{3 + n % 7}"
        for n, t in enumerate(times)
        for late in (0, 1)
    ]
    record = read(write(log(rows)))
    assert record.counts["measured"] == 40 and record.step == 900
    assert flag(record, "identical rows merged").data["rows"] == 40


def test_18_overlapping_exports_are_counted_once(write):
    """3,271 identical rows in overlapping exports (an open record)."""
    rows = five_minutes("2026-01-01 00:00", 60)
    one, two = write(log(rows[:40]), "a.csv"), write(log(rows[25:]), "b.csv")
    record, whole = read([two, one]), read(write(log(rows)))
    pd.testing.assert_frame_equal(record.frame, whole.frame)
    assert flag(record, "identical rows merged").data == {"rows": 15, "in_other_file": 15}
    changed = write(log([*rows[25:30], rows[30].split(",")[0] + ",9.99", *rows[31:]]), "c.csv")
    assert (read([one, changed]).frame["reason"] == "conflicting rows").sum() == 2


def test_19_one_odd_step_is_kept(write):
    """One step of 1,048 s among even ones (an open record): true steps are integrated."""
    times = pd.date_range("2026-01-01", periods=30, freq="15min").to_series().reset_index(drop=True)
    times[15:] += pd.Timedelta(seconds=148)
    record = read(write(log([f"{t},3.0{i % 4}" for i, t in enumerate(times)])))
    steps = record.frame["time"].diff().dt.total_seconds()
    assert steps.max() == 1048.0
    assert record.gaps.empty


def test_20_gaps_are_found_and_add_up(write):
    """Gaps from 90 min to 86 days stood in open records."""
    rows = five_minutes("2026-01-01 00:00", 50) + five_minutes("2026-01-01 06:00", 50)
    rows += five_minutes("2026-03-28 00:00", 50)
    record = read(write(log(rows)))
    assert record.gaps["seconds"].tolist() == [6900.0, 85 * 86400 + 50100.0]
    durations = accepted_durations(record.frame, longest=600)
    assert durations.accepted + durations.gaps == durations.span
    assert durations.accepted == 3 * 49 * 300


def test_21_zero_written_for_missing(write):
    """Isolated zeros without any mark (an open record): zero is not dry."""
    rows = five_minutes("2026-01-01", 40)
    rows[20] = rows[20].split(",")[0] + ",0"
    record = read(write(log(rows)))
    done = screen(record, record.frame["head"].to_numpy())
    assert done.frame["reason"].iloc[20] == "isolated zero"
    assert done.counts["rejected"] == 1
    assert done.frame["head"].iloc[20] == 0.0  # kept as read


def test_22_held_value_while_the_totaliser_stops(write):
    """A held flow while the totaliser stood still (an open record)."""
    rows, total = [], 0.0
    for i, t in enumerate(pd.date_range("2026-01-01", periods=60, freq="5min")):
        flow = 12.0 if 20 <= i < 40 else 10.0 + i % 5
        total += 0.0 if 20 <= i < 40 else flow / 12
        rows.append(f"{t:%Y-%m-%d %H:%M},{flow},{total:.3f}")
    columns = {"flow": ColumnSpec("flow", "m3/h"), "totaliser": ColumnSpec("total", "m3")}
    record = read(write(log(rows, "time,flow,total")), columns=columns)
    done = screen(record, np.full(60, 0.1))
    span = done.spans[done.spans["rule"] == "totaliser stands still"]
    assert span["readings"].tolist() == [20]
    data = flag(done, "totaliser against flow").data
    assert data["flow_m3"] - data["totaliser_m3"] == pytest.approx(20.0, abs=1.0)


def test_23_impossible_level_and_negative_flow(write):
    """33.6 ft out of the water, negative flow (an open record)."""
    rows = [
        f"{t:%Y-%m-%d %H:%M},{h},{q}"
        for t, h, q in zip(
            pd.date_range("2026-01-01", periods=6, freq="5min"),
            [1.0, 1.1, 33.6, 1.2, 1.1, 1.0],
            [5, 5, 5, -4, 5, 5],
            strict=True,
        )
    ]
    columns = {"depth": ColumnSpec("d", "ft"), "flow": ColumnSpec("q", "m3/h")}
    record = read(write(log(rows, "time,d,q")), columns=columns)
    done = screen(record, record.frame["depth"].to_numpy())
    assert done.frame["reason"].tolist() == ["", "", "out of range", "backflow", "", ""]


def test_24_missing_marks(write):
    """-999 in a model input, words such as Ice and Eqp from memory; the list can be extended."""
    marks = ["-999", "-999.00", "9999", "", "---", "NaN", "nan", "Bad", "BAD", "Ice", "Eqp", "#N/A"]
    base = pd.date_range("2026-01-01", periods=len(marks) + 2, freq="5min")
    rows = [f"{base[0]:%Y-%m-%d %H:%M},3.0"]
    rows += [f"{t:%Y-%m-%d %H:%M},{m}" for t, m in zip(base[1:-1], marks, strict=True)]
    rows += [f"{base[-1]:%Y-%m-%d %H:%M},3.1"]
    record = read(write(log(rows)))
    assert inches(record) == [3.0, 3.1]
    assert record.counts["rejected"] == len(marks)
    assert record.kept["text"].tolist() == marks
    assert record.frame["head"].isna().sum() == len(marks)
    rows[1] = rows[1].replace("-999", "flooded")
    with pytest.raises(InputRefused, match="line 3, column head: 'flooded' is neither a number"):
        read(write(log(rows)))
    assert read(write(log(rows)), missing_marks=["Flooded"]).counts["rejected"] == len(marks)


def test_24_unlisted_number_far_from_all_others_is_pointed_out(write):
    rows = five_minutes("2026-01-01", 40)
    for place in (5, 6, 20):
        rows[place] = rows[place].split(",")[0] + ",-200"
    data = flag(read(write(log(rows))), "a number that may mark a missing value").data
    assert (data["value"], data["times"]) == (-200.0, 3)


@pytest.mark.parametrize("mark", ["99.99", "65535", "-32.768", "999.9"])
def test_24_a_number_of_loggers_that_recurs_by_itself_is_asked_about(write, mark):
    rows = five_minutes("2026-01-01", 40)
    for place in (5, 6, 20):
        rows[place] = rows[place].split(",")[0] + "," + mark
    with pytest.raises(InputRefused, match=f"{mark} stands 3 times in the column") as caught:
        read(write(log(rows)))
    assert caught.value.problems[0].line == 7
    assert read(write(log(rows)), missing_marks=[mark]).counts["rejected"] == 3
    assert read(write(log(rows)), not_missing=[mark]).counts["rejected"] == 0


def test_24_a_level_that_passes_by_such_a_number_is_not(write):
    rows = [f"2026-01-01 {n // 60:02d}:{n % 60:02d},{99 + n % 30 / 10:.1f}" for n in range(300)]
    assert read(write(log(rows))).counts["measured"] == 300  # 99.9 stands ten times


def test_25_register_reset_roll_over_and_negative_month(write):
    """Two totaliser resets; estimated reads followed by a negative month (open accounts)."""
    head = "time,register,read_type,event"
    text = log(["2026-01-01,900,,", "2026-02-01,990,,", "2026-03-01,80,,"], head)
    rolled = read_register(write(text), zone="UTC", unit="m3", digits=3)
    assert rolled.frame["volume_m3"].tolist() == [0, 90, 180]
    with pytest.raises(InputRefused, match="line 4, column register: the register falls from 990"):
        read_register(write(text), zone="UTC", unit="m3")
    text = log(
        ["2026-01-01,900,,", "2026-02-01,990,,", "2026-03-01,0,,reset", "2026-04-01,80,,"], head
    )
    reset = read_register(write(text), zone="UTC", unit="m3")
    assert reset.frame["volume_m3"].tolist() == [0, 90, 90, 170]
    assert "no volume is counted for the 28.0 days" in flag(reset, "meter changed").message
    text = log(["2026-01-01,900,,", "2026-02-01,990,estimated,", "2026-03-01,960,actual,"], head)
    true_up = read_register(write(text), zone="UTC", unit="m3")
    assert true_up.frame["status"].tolist() == ["measured", "rejected", "measured"]
    assert true_up.frame["volume_m3"].tolist()[2] == 60


def test_26_rows_of_other_devices_and_events(write):
    """Barometer rows and event words between the readings (an open record)."""
    text = "time,head,event\n2026-01-01 00:00,3.0,\n2026-01-01 00:02,,Button down\n"
    text += "2026-01-01 00:05,3.1,\n2026-01-01 00:05,,Host connected\n2026-01-01 00:10,3.2,\n"
    record = read(write(text), event="event")
    assert len(record.frame) == 3
    assert record.counts["rows set aside"] == 2
    assert record.kept["reason"].tolist() == ["event", "event"]
    assert record.counts["rows in files"] == 5


def test_27_unit_changes_between_files(write):
    """cm in one file, m in the next (an open record)."""
    one = write(log(five_minutes("2026-01-01", 30)), "a.csv")
    rows = [row.split(",") for row in five_minutes("2026-01-01 03:00", 30)]
    two = write(log([f"{t},{float(v) * 25.4:.1f}" for t, v in rows]), "b.csv")
    data = flag(read([one, two]), "unit may differ between files").data
    assert data["file"] == 2
    both = read([one, two], columns=[HEAD, {"head": ColumnSpec("head", "mm")}])
    assert "unit may differ between files" not in codes(both)
    assert both.frame["head"].max() == pytest.approx(3.06 * INCH, rel=1e-3)


def test_28_pointer_instead_of_data(write):
    """A file of three lines that points to the data (an open record)."""
    text = "version one\noid sha256:4d7a214614ab2935c943f9e0ff69d22e\nsize 12345\n"
    with pytest.raises(InputRefused, match=r"log.csv: this is a pointer of a few lines to a file"):
        read(write(text))


def test_29_very_short_files(write):
    """Files of 2 and 12 rows among long ones (an open record): merged and noted."""
    rows = five_minutes("2026-01-01", 30)
    record = read([write(log(rows[:28]), "a.csv"), write(log(rows[28:]), "b.csv")])
    assert record.counts["measured"] == 30
    assert flag(record, "short file").data["rows"] == 2


def test_29_codes_in_a_column_that_the_case_does_not_name(write):
    rows = [f"2026-01-01 00:{n:02d},3.{n % 7},{'BAD' if n % 20 == 7 else 'OK'}" for n in range(60)]
    for header, code in (("time,head,X", "status-column-says-bad"), ("time,head,note", None)):
        words = rows if code else [row.replace("BAD", f"seen {row[14:16]}") for row in rows]
        found = codes(read(write(log(words, header))))
        assert (code in found) if code else not any("status" in each for each in found)
    plain = [row.replace("BAD", "HAND") for row in rows]
    assert "status column not named" in codes(read(write(log(plain, "time,head,X"))))


def test_30_line_ends_and_encodings_mixed(write):
    """CRLF and LF, UTF-8 and ASCII in sister files (an open record)."""
    rows = five_minutes("2026-01-01", 6)
    one = write(log(rows[:3]).replace("\n", "\r\n"), "a.csv")
    two = write("﻿" + log(rows[3:], "time,head,°C"), "b.csv")
    assert len(inches(read([one, two]))) == 6


def test_31_names_and_serial_numbers_stay_behind(write):
    """Serial numbers in headers, staff initials in a column (two open records)."""
    text = "Plot of logger SN 20718093\ntime,head (SN 20718093),by\n"
    text += "2026-01-01 00:00,3.0,QX\n2026-01-01 00:05,-999,QX\n2026-01-01 00:10,3.1,QX\n"
    columns = {"head": ColumnSpec("head (SN 20718093)", "in")}
    record = read(write(text), columns=columns)
    shown = f"{record.flags}{record.counts}{record.frame.to_csv()}{record.kept.to_csv()}"
    assert "20718093" not in shown
    assert "QX" not in shown


def test_32_impossible_hour_is_never_shifted(write):
    """The data library can shift or drop the missing hour in silence (its documentation)."""
    rows = ["2025-03-09 01:55,3.0", "2025-03-09 02:30,3.1", "2025-03-09 03:00,3.2"]
    path = write(log(rows))
    with pytest.raises(InputRefused, match=r"1 stamps from 2025-03-09 02:30:00 lie in the hour"):
        read(path, zone="America/Chicago")
    record = read(path, zone="America/Chicago", missing_hour="reject")
    assert record.counts["rejected"] == 1
    assert (record.frame["reason"] == "hour missing from the local clock").sum() == 1


def test_rules_of_a_site_are_stated_not_guessed(write):
    record = read(write(log(five_minutes("2026-01-01", 10))))
    done = screen(record, record.frame["head"].to_numpy(), screening_rules({"spike": "off"}))
    row = done.screening[done.screening["rule"] == "spike"].iloc[0]
    assert row["remark"] == "switched off"
