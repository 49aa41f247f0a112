"""Tables of any shape are read as one row for each time, or refused with line and remedy."""

from __future__ import annotations

import numpy as np
import openpyxl
import pandas as pd
import pytest

from sewer_audit import load_case
from sewer_audit.auditing.reading.readers import effluent_record
from sewer_audit.errors import InputRefused
from sewer_audit.records import ColumnSpec, read_logger
from sewer_audit.records.files.shapes import Shape

INCH = 0.0254
LEVEL = {"head": ColumnSpec("Level", "in")}


@pytest.fixture
def write(tmp_path):
    def put(text, name="log.csv"):
        (tmp_path / name).write_text(text, encoding="utf-8")
        return tmp_path / name

    return put


def read(path, **given):
    return read_logger(path, **({"zone": "UTC-06:00", "columns": LEVEL, "time": "Time"} | given))


def inches(record):
    return [round(value / INCH, 6) for value in record.frame["head"]]


ROWS = "2026-01-01 00:00,3\n2026-01-01 00:05,4\n2026-01-01 00:10,5\n"


@pytest.mark.parametrize(
    ("header", "time", "level"),
    [
        ("Outfall,Outfall\nTime,Level\n,in\n", "Time", "Level"),
        ("North,\nTime,Level\n", "North Time", "North Level"),
        ("Date,Pond\nand time,level\n", "Date and time", "Pond level"),
        ("Site,Outfall\nDevice,Probe\nTime,Level\n", "Time", "Outfall Probe Level"),
    ],
)
def test_headers_over_two_and_three_rows(write, header, time, level):
    time = {"Outfall Probe Level": "Site Device Time"}.get(level, time)
    record = read(write(header + ROWS), time=time, columns={"head": ColumnSpec(level, "in")})
    assert inches(record) == [3, 4, 5]


def test_names_that_a_merged_cell_above_tells_apart(write):
    text = "East,,West,\nTime,Level,Time,Level\n2026-01-01 00:00,3,x,8\n2026-01-01 00:05,4,x,9\n"
    columns = {"head": ColumnSpec("West Level", "in")}
    assert inches(read(write(text), time="East Time", columns=columns)) == [8, 9]
    with pytest.raises(InputRefused, match="two columns have this name") as caught:
        read(write(text))
    assert "column 2" in caught.value.problems[0].remedy


@pytest.mark.parametrize("header", ["", "Time,Level\n", "# made by hand\n", "Station 4\n\n"])
def test_columns_by_position(write, header):
    columns = {"head": ColumnSpec("column 2", "in")}
    record = read(write(header + ROWS), time="column 1", columns=columns)
    assert inches(record) == [3, 4, 5]
    first = read(write("2025-12-31 23:55,n/a\n" + ROWS), time="column 1", columns=columns)
    assert first.counts["rejected"] == 1, "a first row without a number is no header"


@pytest.mark.parametrize(
    ("header", "again", "line"),
    [
        ("Time,Level\n,in\n", "Time,Level\n,in\n", None),
        ("Time,Level\n,in\n", "Time,Level\n,mm\n", 7),
        ("Time,Level [in]\n", "Time,Level [in]\n", None),
        ("Time,Level [in]\n", "Time,Level [cm]\n", 5),
    ],
)
@pytest.mark.parametrize("book", [False, True])
def test_a_second_header_with_other_units_ends_the_old_ones(
    write, tmp_path, header, again, line, book
):
    name = header.split("\n")[0].split(",")[1]
    text = header + ROWS + again + ROWS.replace(" 00:", " 01:")
    path = write(text)
    if book:
        path = tmp_path / "log.xlsx"
        workbook = openpyxl.Workbook()
        for row in text.splitlines():
            workbook.active.append([cell or None for cell in row.split(",")])
        workbook.save(path)
    columns = {"head": ColumnSpec(name, "in")}
    if line is None:
        assert inches(read(path, columns=columns)) == [3, 4, 5] * 2
        return
    with pytest.raises(InputRefused, match="the old units end here") as caught:
        read(path, columns=columns)
    assert caught.value.problems[0].line == line
    assert "file_columns" in caught.value.problems[0].remedy


def across(heads, label, rows):
    lines = [",".join([label, *map(str, heads)])]
    lines += [",".join([str(name), *map(str, values)]) for name, values in rows]
    return "\n".join(lines) + "\n"


HOURS = [f"{hour}:00" for hour in range(24)]


@pytest.mark.parametrize("heads", [HOURS, [f"H{n:02d}" for n in range(24)], list(range(24))])
def test_hours_across(write, heads):
    rows = [(f"2026-01-0{day}", [day + hour / 100 for hour in range(24)]) for day in (1, 2, 3)]
    text = across([*heads, "Total"], "Day", [(name, [*v, sum(v)]) for name, v in rows])
    text += "Mean," + ",".join(["2"] * 25) + "\n"
    record = read(write(text), time="Day", shape=Shape(across="hours"))
    assert record.step == 3600 and len(record.frame) == 72
    assert inches(record)[:25] == pytest.approx([*rows[0][1], 2.0])
    flag = next(flag for flag in record.flags if flag.code == "times across")
    assert flag.data["sums"] == 1
    assert any("'Total'" in flag.message for flag in record.flags)


def test_hours_counted_one_to_twenty_four_end_there(write):
    text = across(range(1, 25), "Day", [("2026-01-01", range(24)), ("2026-01-02", range(24))])
    given = {"time": "Day", "shape": Shape(across="hours")}
    record = read(write(text), **given, stamp="interval end")
    assert str(record.frame["time"].iloc[23]) == "2026-01-02 05:30:00+00:00"
    with pytest.raises(InputRefused, match="an hour 24 does not start within its day"):
        read(write(text), **given, stamp="interval start")


def test_months_across_and_days_across_are_the_same_days(write):
    months = across(
        ["Jan 2026", "Feb 2026"], "Day", [(n, [n, 100 + n if n < 29 else ""]) for n in range(1, 32)]
    )
    rows = [("2026,Jan", range(1, 32)), ("2026,2", [*range(101, 129), "", "", ""])]
    days = across(range(1, 32), "Year,Month", rows)
    one = read(write(months), time="Day", shape=Shape(across="months"))
    two = read(write(days), time=["Year", "Month"], shape=Shape(across="days"))
    pd.testing.assert_frame_equal(one.frame, two.frame)
    assert len(one.frame) == 59 and inches(one)[31] == 101


def test_a_value_on_a_day_that_does_not_exist_is_refused(write):
    text = across(["Jan 2026", "Feb 2026"], "Day", [(n, [n, n]) for n in range(1, 32)])
    with pytest.raises(InputRefused, match="2026-02-29, which is no day") as caught:
        read(write(text), time="Day", shape=Shape(across="months"))
    assert (caught.value.problems[0].line, caught.value.problems[0].column) == (30, "Feb 2026")


def test_dates_across(write):
    text = across(["2026-01-01", "2026-01-02"], "Hour", [(name, [1, 2]) for name in HOURS])
    record = read(write(text), time="Hour", shape=Shape(across="dates"))
    assert inches(record) == [1] * 24 + [2] * 24


@pytest.mark.parametrize(
    ("heads", "kind"),
    [
        (HOURS, "hours"),
        ([str(n) for n in range(24)], "hours"),
        ([str(n) for n in range(1, 32)], "days"),
        (["Jan 2026", "Feb 2026"], "months"),
        ([f"2026-01-{n:02d}" for n in range(1, 9)], "dates"),
    ],
)
def test_times_across_are_never_read_as_one_column(write, heads, kind):
    text = across(heads, "Time", [(f"2026-01-0{n}", [3] * len(heads)) for n in (1, 2, 3)])
    columns = {"head": ColumnSpec(heads[1], "in")}
    with pytest.raises(InputRefused, match=f"headings are {kind}") as caught:
        read(write(text), columns=columns)
    assert f"across = '{kind}'" in caught.value.problems[0].remedy


LONG = "When,Tag,Value,Unit\n" + "".join(
    f"2026-01-01 00:{minute:02d},LT-4,{3 + minute / 10},in\n"
    f"2026-01-01 00:{minute + 1:02d},FT-9,{200 + minute},gpm\n"
    for minute in range(0, 50, 5)
)


def test_a_long_table_is_read_by_its_tag(write):
    shape = Shape(tag="Tag", value="Value", unit="Unit")
    given = {"time": "When", "shape": shape}
    record = read(write(LONG), columns={"head": ColumnSpec("LT-4", "in")}, **given)
    assert inches(record) == pytest.approx([3 + m / 10 for m in range(0, 50, 5)])
    flag = next(flag for flag in record.flags if flag.code == "rows of one tag")
    assert (flag.data["rows"], flag.data["others"]) == (10, 10)
    with pytest.raises(InputRefused, match="the file names the unit 'in', the case states 'mm'"):
        read(write(LONG), columns={"head": ColumnSpec("LT-4", "mm")}, **given)
    with pytest.raises(InputRefused, match="no row is of 'LT-5'; there are 'LT-4', 'FT-9'"):
        read(write(LONG), columns={"head": ColumnSpec("LT-5", "in")}, **given)
    changed = LONG.replace("00:20,LT-4,5.0,in", "00:20,LT-4,127,mm")
    with pytest.raises(InputRefused, match="changes from 'in' to 'mm'") as caught:
        read(write(changed), columns={"head": ColumnSpec("LT-4", "in")}, **given)
    assert caught.value.problems[0].line == 10


def test_a_long_table_is_never_read_as_one_series(write):
    with pytest.raises(InputRefused, match="names several things: 'LT-4', 'FT-9'"):
        read(write(LONG), time="When", columns={"head": ColumnSpec("Value", "in")})
    with pytest.raises(InputRefused, match="the column is missing") as caught:
        read(write(LONG), time="When", columns={"head": ColumnSpec("LT-4", "in")})
    assert "tag = 'Tag'" in caught.value.problems[0].remedy


def test_every_arrangement_gives_the_same_record(write):
    """One record written tidy, long and with hours across: the same readings."""
    rng = np.random.default_rng(5)
    times = pd.date_range("2026-01-01", periods=72, freq="h")
    values = np.round(rng.uniform(2, 9, 72), 3)
    pairs = list(zip(times, values, strict=True))
    tidy = "Time,Level\n" + "".join(f"{t},{v}\n" for t, v in pairs)
    long = "Time,Tag,Value\n" + "".join(f"{t},Level,{v}\n{t},Rain,0\n" for t, v in pairs)
    days = [(f"2026-01-0{d + 1}", values[24 * d : 24 * d + 24]) for d in range(3)]
    one = read(write(tidy)).frame
    again = read(write(long), shape=Shape(tag="Tag", value="Value")).frame
    pd.testing.assert_frame_equal(one, again)
    wide = read(write(across(HOURS, "Time", days)), shape=Shape(across="hours")).frame
    pd.testing.assert_frame_equal(one, wide)


CASE = """
[case]
title = "A cannery"
time_zone = "UTC"
basis = "discharge"
[invoices]
file = "bills.csv"
volume_unit = "m3"
end_day_counts = false
[effluent]
file = "log.csv"
method = "area-velocity"
diameter = "18 in"
"""


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("arranged = { tag = 'Tag', value = 'Value' }", ""),
        ("arranged = { across = 'hours' }", "one kind of value"),
        ("arranged = { tag = 'Tag' }", "one of them"),
        ("arranged = { tag = 'Tag', value = 'Value', year = 2026 }", "a year belongs to"),
    ],
)
def test_a_case_says_how_its_table_is_arranged(write, tmp_path, keys, said):
    rows = "".join(
        f"2026-01-01 00:{n:02d},D,{n / 10}\n2026-01-01 00:{n:02d},V,{n}\n" for n in (1, 2)
    )
    write("When,Tag,Value\n" + rows)
    columns = "columns = { time = 1, depth = { name = 'D', unit = 'ft' }"
    columns += ", velocity = { name = 'V', unit = 'ft/s' } }"
    write(CASE + columns + "\n" + keys + "\n", "case.toml")
    write("invoice,start,end,billed_volume,total\nA,2026-01-01,2026-02-01,1,1\n", "bills.csv")
    if said:
        with pytest.raises(InputRefused, match=said):
            load_case(tmp_path)
        return
    case = load_case(tmp_path)
    frame = effluent_record(case, case.data.effluent).frame
    assert frame["depth"].tolist() == pytest.approx([0.1 * 0.3048, 0.2 * 0.3048])
    assert frame["velocity"].tolist() == pytest.approx([0.3048, 0.6096])
