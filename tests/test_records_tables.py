"""Tables in any dialect are read, and what is no table is refused with one clear message."""

from __future__ import annotations

import gzip
import time
import zipfile
from decimal import Decimal
from itertools import pairwise

import numpy as np
import openpyxl
import pandas as pd
import pytest

from second_opinions.records_steps import accepted_durations
from sewer_audit.errors import InputRefused
from sewer_audit.records import ColumnSpec, read_logger
from sewer_audit.records.clock.stamps import StampFault, parse_stamp, parse_stamps
from sewer_audit.records.clock.zones import to_utc, zone_of
from sewer_audit.records.files.numbers import decimal_mark, parse_decimal
from sewer_audit.records.files.tables import read_table
from sewer_audit.records.files.workbooks import sheet_rows
from sewer_audit.records.model import Findings

HEAD = {"head": ColumnSpec("head", "in")}


def put(tmp_path, content, name="log.csv"):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]
)
@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(tmp_path, encoding, ends):
    text = "time;Höhe (µm);Größe\n2026-01-01;1,5;ä\n2026-01-02;2,5;ö\n".replace("\n", ends)
    table = read_table(put(tmp_path, text.encode(encoding)))
    assert table.header == ["time", "Höhe (µm)", "Größe"]
    assert table.rows == [["2026-01-01", "1,5", "ä"], ["2026-01-02", "2,5", "ö"]]
    assert table.lines == [2, 3]
    assert table.decimal == ","


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("a.csv", b"", "the file is empty"),
        ("a.csv", b" \r\n \n", "the file is empty"),
        ("a.csv", b"%PDF-1.7 ...", "this is a PDF document, not a table of text"),
        ("a.csv", b"\xd0\xcf\x11\xe0\xa1\xb1", "a workbook of the old binary kind"),
        ("a.csv", b"\x89PNG\r\n", "this is a picture"),
        ("a.csv", gzip.compress(b"time,head\n", mtime=0), "this is a compressed file"),
        ("a.csv", b"<!DOCTYPE html><html>", "this is a web page"),
        ("a.csv", b"<?xml version='1.0'?><a/>", "this is an XML file"),
        ("a.csv", b'{"time": [1, 2]}', "this is a JSON file"),
        ("a.csv", bytes(range(1, 32)) * 50, "the file is binary"),
        ("a.csv", b"time,head\n2026-01-01,\x00\n", "line 2: a zero byte stands in the text"),
        ("a.csv", b"time,head\n2026-01-01,\x81\xff\n", "line 2: the bytes are in none of the enc"),
        ("a.csv", b"1,2\n3,4\n", "no header line was found"),
        ("a.csv", b"time,head\n", "line 1: there is a header but no row of data"),
        ("a.xlsx", b"PK\x03\x04xl/", "the workbook is damaged"),
    ],
)
def test_what_is_no_table(tmp_path, name, content, said):
    with pytest.raises(InputRefused) as caught:
        read_table(put(tmp_path, content, name), shown_as=f"data/{name}")
    assert len(caught.value.problems) == 1
    assert str(caught.value).startswith(f"data/{name}")
    assert said in str(caught.value)
    assert caught.value.problems[0].remedy


def test_missing_file_folder_and_archive(tmp_path):
    with pytest.raises(InputRefused, match=r"no\.csv: the file cannot be read .no such file or d"):
        read_table(tmp_path / "no.csv")
    with pytest.raises(InputRefused, match="it is a folder"):
        read_table(tmp_path)
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w") as archive:
        archive.writestr("notes.txt", "hello")
    with pytest.raises(InputRefused, match="this is an archive, not a workbook"):
        read_table(tmp_path / "a.xlsx")


def test_missing_column_names_those_there_are(tmp_path):
    path = put(tmp_path, "Time,Level\n2026-01-01 00:00,3\n")
    with pytest.raises(InputRefused, match=r"log.csv, line 1, column head: the column is missing;"):
        read_logger(path, zone="UTC", columns=HEAD)
    with pytest.raises(InputRefused, match=r"there are 'Time', 'Level'\. Name the column as the f"):
        read_logger(path, zone="UTC", columns=HEAD)


def test_column_named_twice(tmp_path):
    path = put(tmp_path, "time,head,head\n2026-01-01 00:00,3,4\n")
    with pytest.raises(InputRefused, match="column head: two columns have this name"):
        read_logger(path, zone="UTC", columns=HEAD)


def test_rows_above_the_header_are_not_lost(tmp_path):
    rows = ["2026-01-01 00:05,3.1", "2026-01-01 00:00,3.0", "time,head", "2026-01-01 00:10,3.2"]
    path = put(tmp_path, "\n".join(rows))
    with pytest.raises(InputRefused, match=r"log.csv, line 2: a row of data stands above the head"):
        read_logger(path, zone="UTC", columns=HEAD)


def test_a_separator_inside_a_value(tmp_path):
    path = put(tmp_path, "time,head\n" + "2026-01-01 00:00,3\n" * 4 + "2026-01-01 00:05,3,1\n")
    with pytest.raises(InputRefused, match="line 6: the row has 3 cells, its neighbours have 2"):
        read_table(path)


def test_an_open_quotation_mark_swallows_nothing(tmp_path):
    rows = [f"2026-01-01 00:{n:02d},3.{n},x" for n in range(40)]
    rows[10] = rows[10].replace("x", '"x')
    rows[30] = rows[30].replace("x", 'x"')
    path = put(tmp_path, "\n".join(["time,head,remark", *rows]))
    with pytest.raises(InputRefused, match="line 12: a quotation mark opens a cell of 21 lines"):
        read_logger(path, zone="UTC", columns=HEAD)


def test_a_repeated_header_between_joined_exports(tmp_path):
    path = put(tmp_path, "time,head\n2026-01-01 00:00,3\ntime,head\n2026-01-01 00:05,4\n")
    assert read_table(path).counts["repeated header"] == 1
    assert read_logger(path, zone="UTC", columns=HEAD).counts["measured"] == 2


def test_sheets_of_a_workbook(tmp_path):
    book = openpyxl.Workbook()
    book.active.title = "notes"
    book.active.append(["nothing here"])
    sheet = book.create_sheet("data")
    sheet.append(["Site 7"])
    sheet.append(["time", "head", "amount"])
    sheet.append([pd.Timestamp("2026-01-01 00:04:59.999"), 3, 0.1 + 0.2])
    sheet.append([pd.Timestamp("2026-01-01 00:10"), 3.5, 1e-7])
    book.save(tmp_path / "a.xlsx")
    with pytest.raises(InputRefused, match=r"2 sheets hold data: 'notes', 'data'\. Say which o"):
        read_table(tmp_path / "a.xlsx")
    with pytest.raises(InputRefused, match="there is no sheet 'x'; the sheets are 'notes', 'data'"):
        read_table(tmp_path / "a.xlsx", sheet="x")
    table = read_table(tmp_path / "a.xlsx", sheet="data")
    assert table.rows[0] == ["2026-01-01 00:05:00", "3", "0.3"]
    assert table.lines == [3, 4]
    record = read_logger(tmp_path / "a.xlsx", sheet="data", zone="UTC", columns=HEAD)
    assert record.step == 300.0


def test_a_workbook_with_entities_of_its_own(tmp_path):
    openpyxl.Workbook().save(tmp_path / "a.xlsx")
    with zipfile.ZipFile(tmp_path / "a.xlsx") as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    parts["xl/workbook.xml"] = b'<!DOCTYPE x [<!ENTITY a "b">]>' + parts["xl/workbook.xml"]
    with zipfile.ZipFile(tmp_path / "b.xlsx", "w") as archive:
        for name, part in parts.items():
            archive.writestr(name, part)
    with pytest.raises(InputRefused, match="declares entities of its own"):
        read_table(tmp_path / "b.xlsx")


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [
        ("12.30", ".", "12.30"),
        (" +7 ", ".", "7"),
        ("1,234,567.89", ".", "1234567.89"),
        ("$ 1,234.50", ".", "1234.50"),
        ("(12.50)", ".", "-12.50"),
        ("12.50-", ".", "-12.50"),
        ("−3", ".", "-3"),
        ("1.234.567,89", ",", "1234567.89"),
        ("1 234,5", ",", "1234.5"),
        ("1'234.5", ".", "1234.5"),
        ("6.5e3", ".", "6500"),
        (".5", ".", "0.5"),
    ],
)
def test_numbers_as_written(text, decimal, value):
    assert parse_decimal(text, decimal) == Decimal(value)


@pytest.mark.parametrize(
    "text", ["", "1.2.3", "1,23", "12a", "inf", "nan", "1e999", "٣", "1_000", "--3", "9" * 50]
)
def test_texts_that_are_no_numbers(text):
    with pytest.raises(ValueError, match="is not a number"):
        parse_decimal(text)


def test_decimal_mark_is_told_or_left_open():
    assert decimal_mark(["1,5", "x"]) == ","
    assert decimal_mark(["1.5", "1,234"]) == "."
    assert decimal_mark(["12", "x"]) == "."
    assert decimal_mark(["1,234"]) is None
    assert decimal_mark(["1,5", "1.5"]) is None


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2026-01-31", "2026-01-31 00:00"),
        ("2026-01-31 8:05", "2026-01-31 08:05"),
        ("2026-01-31T08:05:06.5", "2026-01-31 08:05:06.5"),
        ("2026/1/31 08:05", "2026-01-31 08:05"),
        ("20260131 080506", "2026-01-31 08:05:06"),
        ("31-Jan-2026 08:05", "2026-01-31 08:05"),
        ("31Jan26 08:05", "2026-01-31 08:05"),
        ("Jan 31, 2026 8:05 PM", "2026-01-31 20:05"),
        ("Sat, 31 January 2026 08:05", "2026-01-31 08:05"),
        ("2026-01-31 12:00 a.m.", "2026-01-31 00:00"),
        ("2026-12-31 24:00", "2027-01-01 00:00"),
    ],
)
def test_stamps_as_written(text, moment):
    assert parse_stamp(text).moment == pd.Timestamp(moment).to_pydatetime()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("yesterday", "is no date"),
        ("2026-02-30", "is no day of the calendar"),
        ("2026-01-31 25:00", "is no time of day"),
        ("2026-01-31 24:01", "is no time of day"),
        ("2026-01-31 13:00 PM", "has no such hour"),
        ("0026-01-31", "lies in the year 26"),
        ("45292.25", "looks like a day number of a spreadsheet"),
        ("31 Foo 2026", "is no day of the calendar"),
        ("1" * 100, "is no date"),
    ],
)
def test_texts_that_are_no_stamps(text, said):
    with pytest.raises(StampFault, match=said):
        parse_stamp(text, day_first=True)


def test_quick_and_careful_reading_of_stamps_agree():
    times = pd.date_range("2026-01-01", periods=200, freq="7min")
    for form in ("%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S", "%d.%m.%Y %H:%M", "%d/%m/%Y %I:%M:%S %p"):
        texts = times.strftime(form).tolist()
        quick = parse_stamps(texts, day_first=True).naive
        slow = [parse_stamp(text, day_first=True).moment for text in texts]
        assert (quick == np.array(slow, dtype="datetime64[us]")).all()


def test_a_cut_stamp_among_many_is_found():
    texts = pd.date_range("2026-01-01", periods=200, freq="min").strftime("%Y-%m-%d %H:%M").tolist()
    texts[77] = texts[77][:-1]
    clock = parse_stamps(texts)
    assert [fault[0] for fault in clock.faults] == [77]


def test_fixed_offsets_and_names():
    noon = np.array(["2026-07-01T12:00"], dtype="datetime64[us]")
    for name, hour in (("UTC-06:00", 18), ("UTC+05:30", 6), ("UTC", 12), ("America/Chicago", 17)):
        assert to_utc(noon, zone_of(name)).time[0].hour == hour


def test_non_monotonic_times_are_one_clear_message(tmp_path):
    rows = ["2026-01-01 00:00,3", "2026-01-01 00:10,3", "2026-01-01 00:05,3", "2026-01-01 00:15,3"]
    path = put(tmp_path, "\n".join(["time,head", *rows]))
    with pytest.raises(InputRefused) as caught:
        read_logger(path, zone="UTC", columns=HEAD)
    (problem,) = caught.value.problems
    assert (problem.line, problem.column) == (4, "time")
    assert problem.found == "the time goes back by 300 s to 2026-01-01 00:05 UTC"
    done = read_logger(path, zone="UTC", columns=HEAD, back_steps="sort")
    assert done.frame["time"].is_monotonic_increasing
    assert done.counts["measured"] == 4


def test_problems_of_several_files_are_told_together(tmp_path):
    one = put(tmp_path, "time,head\n2026-01-01 00:00,3\nsoon,4\n", "a.csv")
    two = put(tmp_path, "time,head\n2026-01-02 00:00,three\n", "b.csv")
    with pytest.raises(InputRefused) as caught:
        read_logger([one, two, tmp_path / "c.csv"], zone="UTC", columns=HEAD)
    assert [problem.file for problem in caught.value.problems] == ["a.csv", "b.csv", "c.csv"]


def test_the_same_fault_a_thousand_times_is_told_in_short(tmp_path):
    rows = [
        f"2026-01-{d:02d} {h:02d}:{m:02d},x{m}"
        for d in (1, 2)
        for h in range(24)
        for m in range(60)
    ]
    with pytest.raises(InputRefused) as caught:
        read_logger(put(tmp_path, "\n".join(["time,head", *rows])), zone="UTC", columns=HEAD)
    assert len(caught.value.problems) == 21
    assert "2860 further places with the same fault" in str(caught.value)


# conservation: however the record is cut, merged or written, nothing is lost or invented


def invented(count=4000, seed=3):
    rng = np.random.default_rng(seed)
    keep = np.sort(rng.choice(count, size=count - 300, replace=False))
    index = pd.date_range("2025-10-20", periods=count, freq="5min", tz="America/Chicago")[keep]
    return index, np.round(3 + rng.normal(0, 0.5, len(keep)), 2)


def text_of(index, values, form="%Y-%m-%d %H:%M", mark="."):
    rows = [f"{t:{form}};{v:.2f}".replace(".", mark) for t, v in zip(index, values, strict=True)]
    return "\n".join(["time;head", *rows]) + "\n"


def integral(frame, longest=1800.0):
    """Trapezoid over the accepted readings, across steps no longer than the limit."""
    good = frame[frame["status"] == "measured"]
    seconds = good["time"].diff().dt.total_seconds().to_numpy()[1:]
    head = good["head"].to_numpy()
    area = seconds * (head[1:] + head[:-1]) / 2
    return float(area[seconds <= longest].sum())


def test_one_file_or_twelve_overlapping_ones(tmp_path):
    """Over a month end, the end of summer time and gaps."""
    index, values = invented()
    whole = read_logger(put(tmp_path, text_of(index, values)), zone="America/Chicago", columns=HEAD)
    cuts = np.linspace(0, len(index), 13).astype(int)
    paths = [
        put(tmp_path, text_of(index[max(a - 20, 0) : b], values[max(a - 20, 0) : b]), f"{a}.csv")
        for a, b in pairwise(cuts)
    ]
    merged = read_logger(paths[::-1], zone="America/Chicago", columns=HEAD)
    pd.testing.assert_frame_equal(merged.frame, whole.frame)
    counts = merged.counts
    assert counts["rows in files"] == counts["readings"] + counts["identical rows merged"]
    assert counts["identical rows merged"] == 11 * 20
    assert integral(merged.frame) == pytest.approx(integral(whole.frame), rel=1e-12)


def test_the_same_record_in_other_clothes(tmp_path):
    index, values = invented()
    plain = read_logger(put(tmp_path, text_of(index, values)), zone="America/Chicago", columns=HEAD)
    comma = text_of(index, values, mark=",").encode("utf-16")
    fixed = index.tz_convert("Etc/GMT+6")
    others = [
        (comma, "America/Chicago", {}),
        (text_of(fixed, values), "UTC-06:00", {}),
        (text_of(index, values, "%m/%d/%Y %I:%M %p"), "America/Chicago", {"day_first": False}),
        (text_of(index, values, "%Y-%m-%dT%H:%M:%S%z"), "UTC", {}),
    ]
    for content, zone, given in others:
        read = read_logger(put(tmp_path, content), zone=zone, columns=HEAD, **given)
        pd.testing.assert_frame_equal(read.frame, plain.frame)


def test_interval_stamps_keep_the_total(tmp_path):
    """Means over intervals stamped at the end or the start give the same record and total."""
    index = pd.date_range("2026-01-31 20:00", periods=100, freq="5min")
    values = np.round(3 + np.arange(100) % 7 * 0.1, 2)
    end = read_logger(
        put(tmp_path, text_of(index + pd.Timedelta("5min"), values)),
        zone="UTC",
        columns=HEAD,
        stamp="interval end",
    )
    start = read_logger(
        put(tmp_path, text_of(index, values)), zone="UTC", columns=HEAD, stamp="interval start"
    )
    pd.testing.assert_frame_equal(end.frame, start.frame)
    assert end.frame["time"].iloc[0] == pd.Timestamp("2026-01-31 20:02:30", tz="UTC")
    assert next(f for f in end.flags if f.code == "stamps of intervals").data["moved_s"] == 150.0


def test_sampling_interval_changes_are_found_and_no_gap(tmp_path):
    slow = pd.date_range("2026-01-01", periods=60, freq="15min")
    fast = pd.date_range(slow[-1] + pd.Timedelta("5min"), periods=60, freq="5min")
    index = slow.append(fast)
    record = read_logger(put(tmp_path, text_of(index, np.full(120, 3.0))), zone="UTC", columns=HEAD)
    assert record.gaps.empty
    flag = next(flag for flag in record.flags if flag.code == "sampling interval changes")
    assert (flag.data["before_s"], flag.data["after_s"]) == (900.0, 300.0)


def test_accepted_durations_and_gaps_are_the_span():
    time = pd.date_range("2026-01-01", periods=10, freq="5min", tz="UTC").as_unit("us")
    status = (
        ["rejected"] * 2 + ["measured"] * 3 + ["rejected"] * 2 + ["measured"] * 2 + ["rejected"]
    )
    frame = pd.DataFrame({"time": time, "status": status})
    parts = accepted_durations(frame, longest=300.0)
    assert (parts.span, parts.accepted, parts.gaps) == (2700.0, 900.0, 1800.0)


@pytest.mark.parametrize("cell, refused", [("XFD1048576", True), ("B90000", False), ("D9", False)])
def test_a_stray_cell_of_a_workbook_costs_neither_memory_nor_time(tmp_path, cell, refused):
    book = openpyxl.Workbook()
    for row in (["time", "register"], ["2026-01-01", 10], ["2026-02-01", 20]):
        book.active.append(row)
    book.active[cell] = 1
    book.save(tmp_path / "a.xlsx")
    findings = Findings("a.xlsx")
    start = time.process_time()
    try:
        rows = sheet_rows((tmp_path / "a.xlsx").read_bytes(), None, findings)
    except InputRefused as error:
        assert refused and "far outside" in str(error)
    else:
        assert rows[1][:2] == ["2026-01-01", "10"] and rows[-1][-1] == "1"
    assert time.process_time() - start < 8


@pytest.mark.parametrize("marks", ["12.5", "98"])
def test_a_number_cut_by_its_separator_of_thousands_is_refused(tmp_path, marks):
    head = "day,clock,gap mm,remark\n"
    rows = [f"2026-03-0{n},08:00,{marks},\n" for n in range(1, 6)]
    path = put(tmp_path, head + "".join(rows) + "2026-03-06,08:00,1,260,\n")
    with pytest.raises(InputRefused, match=r"line 7: the row has 5 cells.*1,260 looks like one"):
        read_table(path)
    with pytest.raises(InputRefused, match=r"line 7: the row has 5 cells"):
        read_logger(
            path,
            zone="UTC",
            columns={"distance": ColumnSpec("gap mm", "mm")},
            date="day",
            time="clock",
        )


def test_every_number_cut_by_its_separator_is_refused_too(tmp_path):
    rows = [f"2026-03-0{n} 08:00,1,26{n},\n" for n in range(1, 6)]
    path = put(tmp_path, "time,gap mm,remark\n" + "".join(rows))
    with pytest.raises(InputRefused, match=r"every row has 4 cells, the header names 3"):
        read_table(path)


def test_a_separator_behind_every_row_is_no_fault(tmp_path):
    rows = [f"2026-03-0{n} 08:00,1{n}.5,\n" for n in range(1, 6)]
    assert read_table(put(tmp_path, "time,gap mm\n" + "".join(rows))).rows[0][1] == "11.5"


def test_a_time_column_that_the_case_forgets_is_told(tmp_path):
    rows = [f"2026-03-01,{n:02d}:00,{n}.5\n" for n in range(9)]
    path = put(tmp_path, "day,clock,head\n" + "".join(rows))
    with pytest.raises(InputRefused, match=r"column day.*no time of day"):
        read_logger(path, zone="UTC", columns=HEAD, time="day")
    assert len(read_logger(path, zone="UTC", columns=HEAD, date="day", time="clock").frame) == 9


@pytest.mark.parametrize(
    ("form", "stamps"),
    [
        ("epoch seconds", ["1772323200", "1772324100", "1772325000"]),
        ("epoch milliseconds", ["1772323200000", "1772324100000", "1772325000000"]),
        ("day numbers", ["46082", "46082.0104167", "46082.0208333"]),
    ],
)
def test_stamps_that_are_numbers_are_stated_not_guessed(tmp_path, form, stamps):
    """1772323200 s after 1970 and day 46082 of a spreadsheet are 1 March 2026 (date arithmetic)."""
    path = tmp_path / "log.csv"
    path.write_text("time,head\n" + "".join(f"{s},{n}\n" for n, s in enumerate(stamps, start=1)))
    record = read_logger(path, zone="UTC", columns=HEAD, time_form=form)
    wanted = ["2026-03-01 00:00", "2026-03-01 00:15", "2026-03-01 00:30"]
    assert list(record.frame["time"].dt.strftime("%Y-%m-%d %H:%M")) == wanted
    said = "looks like a day number" if form == "day numbers" else f"time_form = '{form}'"
    with pytest.raises(InputRefused, match=said):
        read_logger(path, zone="UTC", columns=HEAD)


def test_a_table_of_ten_thousand_columns_is_refused_at_once(tmp_path):
    names = ",".join(["time", "head", *(f"c{place}" for place in range(10_000))])
    file = put(tmp_path, f"{names}\n" + "\n".join(["2026-01-01 00:00,1"] * 5) + "\n")
    with pytest.raises(InputRefused, match="10,002 columns; at most 1,000"):
        read_logger(file, zone="UTC", columns=HEAD)
