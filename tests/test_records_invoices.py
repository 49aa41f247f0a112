"""Invoices are read exactly, checked against each other and against their own reads."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from itertools import pairwise

import openpyxl
import pandas as pd
import pytest

from sewer_audit.errors import InputRefused
from sewer_audit.records import read_invoices
from sewer_audit.records.files.numbers import fits_currency

HEADER = "invoice,start,end,previous_read,current_read,read_type,billed_volume,fixed,volume,total"
ROWS = [
    "A1,2026-01-01,2026-02-01,1000,1100,actual,100,12.50,250.00,262.50",
    "A2,2026-02-01,2026-03-01,1100,1190,actual,90,12.50,225.00,237.50",
    "A3,2026-03-01,2026-04-01,1190,1300,actual,110,12.50,275.00,287.50",
    "A4,2026-04-01,2026-05-01,1300,1400,actual,100,12.50,250.00,262.50",
]


@pytest.fixture
def read(tmp_path):
    def go(rows, header=HEADER, name="invoices.csv", **given):
        path = tmp_path / name
        path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
        settings = {"zone": "America/Chicago", "volume_unit": "kgal"} | given
        return read_invoices(path, **settings)

    return go


def codes(record) -> list[str]:
    return [flag.code for flag in record.flags]


def test_money_and_volumes_are_exact(read):
    row = 'A1,2026-01-01,2026-02-01,1000,1100,actual,"1,234.567",$0.10,"(0.30)","1,000,000.01"'
    record = read([row])
    assert record.frame["billed_volume"].iloc[0] == Decimal("1234.567")
    assert record.lines.iloc[0].tolist() == [Decimal("0.10"), Decimal("-0.30")]
    assert record.frame["total"].iloc[0] == Decimal("1000000.01")
    # 231 cubic inches make a US gallon: NIST Handbook 44 (2024), appendix C
    assert record.frame["billed_m3"].iloc[0] == pytest.approx(1234567 * 231 * 0.0254**3)


def test_times_of_the_reads_in_columns_of_their_own_are_told(read):
    rows = [row + ",08:10" for row in ROWS]
    with pytest.raises(InputRefused, match=r"'read at' holds times of day.*not_charges"):
        read(rows, header=HEADER + ",read at")
    assert len(read(rows, header=HEADER + ",read at", not_charges=["read at"]).frame) == 4


def test_a_column_of_figures_that_is_no_charge_is_named_and_left_out(read):
    """Days on the bill would be money; where no sum fits it is said what to do."""
    rows = [row + f",{days}" for row, days in zip(ROWS, (31, 28, 31, 30), strict=True)]
    record = read(rows, header=HEADER + ",Days")
    assert codes(record)[0] == "no lines add up" and "Days" in record.lines.columns
    assert "not_charges" in record.flags[0].message and "'Days'" in record.flags[0].message
    right = read(rows, header=HEADER + ",Days", not_charges=["Days"])
    assert codes(right) == [] and list(right.lines.columns) == ["fixed", "volume"]
    with pytest.raises(InputRefused, match="column Dayz: the column is missing"):
        read(rows, header=HEADER + ",Days", not_charges=["Dayz"])


def test_clean_invoices_raise_no_flag(read):
    record = read(ROWS)
    assert codes(record) == []
    assert record.problems == ()
    assert record.superseded.empty
    assert list(record.lines.columns) == ["fixed", "volume"]
    assert record.frame["line"].tolist() == [2, 3, 4, 5]
    assert isinstance(record.frame["end"].dtype, pd.DatetimeTZDtype)


def test_dates_become_instants_at_the_read_hour(read):
    frame = read(ROWS, read_hour="08:00").frame
    # standard time in January, summer time in April
    assert str(frame["start"].iloc[0]) == "2026-01-01 14:00:00+00:00"
    assert str(frame["end"].iloc[2]) == "2026-04-01 13:00:00+00:00"


def test_end_day_counts_is_a_stated_choice(read):
    rows = [row.replace("-02-01,1", "-01-31,1") for row in ROWS[:1]] + [ROWS[1]]
    gap = read(rows)
    assert codes(gap) == ["gap between invoices"]
    assert gap.flags[0].data["days"] == 1.0
    rows = [
        "A1,2026-01-01,2026-01-31,1,2,actual,1,1,0,1",
        "A2,2026-02-01,2026-02-28,2,3,actual,1,1,0,1",
    ]
    assert codes(read(rows, end_day_counts=True)) == []
    assert str(read(rows, end_day_counts=True).frame["end"].iloc[0])[:13] == "2026-02-01 06"


def test_workbook_gives_the_same_invoices(read, tmp_path):
    book = openpyxl.Workbook()
    book.active.append(HEADER.split(","))
    for row in ROWS:
        cells = row.split(",")
        values = [*cells[:1], *map(pd.Timestamp, cells[1:3]), *map(float, cells[3:5]), cells[5]]
        book.active.append([*values, *map(float, cells[6:])])
    book.save(tmp_path / "invoices.xlsx")
    record = read_invoices(
        tmp_path / "invoices.xlsx", zone="America/Chicago", volume_unit="kgal", read_hour="00:00"
    )
    pd.testing.assert_frame_equal(record.frame, read(ROWS).frame)
    assert all(isinstance(value, Decimal) for value in record.lines["fixed"])


def test_a_formula_without_result_is_refused(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(HEADER.split(","))
    book.active.append([*ROWS[0].split(",")[:-1], "=H2+I2"])
    book.save(tmp_path / "invoices.xlsx")
    with pytest.raises(InputRefused, match="line 2, column 10: a formula has no stored result"):
        read_invoices(tmp_path / "invoices.xlsx", zone="UTC", volume_unit="m3")


def test_own_column_names(read):
    header = HEADER.replace("invoice,start", "Bill no.,From").replace(
        "billed_volume", "Usage (kgal)"
    )
    names = {"invoice": "Bill no.", "start": "From", "billed_volume": "usage (KGAL)"}
    assert len(read(ROWS, header, columns=names).frame) == 4
    with pytest.raises(
        InputRefused, match="line 1, column invoice: the column is missing; there a"
    ):
        read(ROWS, header)


def test_overlap_is_refused_with_both_lines(read):
    rows = [ROWS[0], ROWS[1].replace("2026-02-01", "2026-01-28"), *ROWS[2:]]
    with pytest.raises(
        InputRefused,
        match=r"invoices.csv, line 3, column start: invoice 'A2' starts 2026-01-28 00:00, before "
        r"invoice 'A1' of line 2 ends 2026-02-01 00:00: the two overlap",
    ):
        read(rows)


def test_every_problem_is_told_at_once(read):
    rows = [
        "A1,2026-01-01,2026-02-30,1000,1100,actual,100,12.50,250.00,262.50",
        "A2,2026-02-01,2026-03-01,1100,1190,guessed,n/a,12.50,225.00,237.50",
        ",2026-03-01,2026-04-01,1190,1300,actual,110,12.50,27x5.00,287.50",
    ]
    with pytest.raises(InputRefused) as caught:
        read(rows)
    text = str(caught.value)
    assert "line 2, column end: '2026-02-30' is no day of the calendar" in text
    assert "line 3, column read_type: 'guessed' is no kind of read" in text
    assert "line 3, column billed_volume: 'n/a' stands where a number is due" in text
    assert "line 4, column invoice: the invoice has no number" in text
    assert "line 4, column volume: '27x5.00' is not a number" in text
    assert len(caught.value.problems) == 5


def test_period_that_ends_before_it_starts(read):
    rows = [ROWS[0].replace("2026-02-01", "2025-02-01")]
    with pytest.raises(InputRefused, match="ends 2025-02-01 00:00, not after its start"):
        read(rows)


def test_missing_hour_of_spring_is_refused_and_repeated_hour_told(read):
    rows = ["A1,2026-01-01,2026-03-08 02:30,1,2,actual,1,1,0,1"]
    with pytest.raises(InputRefused, match="does not exist on the local clock"):
        read(rows)
    record = read(["A1,2025-10-01,2025-11-02 01:30,1,2,actual,1,1,0,1"])
    assert "occurs twice on the local clock; the first is taken" in record.problems[0].found
    record = read(["A1,2025-10-01,2025-11-02 01:30-06:00,1,2,actual,1,1,0,1"])
    assert str(record.frame["end"].iloc[0]) == "2025-11-02 07:30:00+00:00"


def test_the_same_row_twice_is_read_once(read):
    record = read([*ROWS, ROWS[3]])
    assert len(record.frame) == 4
    assert "'A4' stands twice with the same figures" in record.problems[0].found
    with pytest.raises(
        InputRefused, match="line 6: invoice 'A4' already stands in line 5 with oth"
    ):
        read([*ROWS, ROWS[3].replace("262.50", "999.99")])


KINDS = HEADER + ",kind,replaces"


def test_corrected_invoice_supersedes_the_first(read):
    rows = [row + ",," for row in ROWS[:2]]
    rows.append("B2,2026-02-01,2026-03-01,1100,1185,actual,85,12.50,212.50,225.00,corrected,A2")
    record = read(rows, KINDS)
    assert record.frame["invoice"].tolist() == ["A1", "B2"]
    assert record.superseded["invoice"].tolist() == ["A2"]
    assert record.superseded["fate"].tolist() == ["replaced by B2"]
    assert "invoice A2 was replaced by B2" in [flag.message for flag in record.flags]


def test_full_credit_cancels_and_part_credit_is_netted(read):
    rows = [row + ",," for row in ROWS]
    rows.append("C2,2026-02-01,2026-03-01,,,actual,-90,-12.50,-225.00,-237.50,credit,A2")
    rows.append("B2,2026-02-01,2026-03-01,1100,1190,actual,80,12.50,200.00,212.50,,")
    rows.append("C3,2026-03-01,2026-04-01,,,actual,-10,0,-25.00,-25.00,credit,A3")
    record = read(rows, KINDS)
    assert record.frame["invoice"].tolist() == ["A1", "B2", "A3", "A4"]
    third = record.frame.iloc[2]
    assert (third["billed_volume"], third["total"]) == (Decimal(100), Decimal("262.50"))
    assert record.lines["volume"].iloc[2] == Decimal("250.00")
    # what was invoiced and credited adds up to what stands in force
    written = [Decimal(row.split(",")[9]) for row in rows]
    assert record.frame["total"].sum() == sum(written)
    assert sorted(record.superseded["invoice"]) == ["A2", "C2", "C3"]


def test_credit_without_a_target(read):
    rows = [row + ",," for row in ROWS]
    rows.append("C2,2026-02-01,2026-03-01,,,actual,-90,-12.50,-225.00,-237.50,credit,")
    with pytest.raises(InputRefused, match="a credit invoice names no invoice it stands against"):
        read(rows, KINDS)


def test_reads_that_do_not_connect_go_back_or_disagree(read):
    rows = [*ROWS]
    rows[1] = rows[1].replace(",1100,", ",1105,").replace(",90,", ",85,")
    record = read(rows)
    assert codes(record) == ["reads do not connect"]
    rows = [*ROWS, "A5,2026-05-01,2026-06-01,1400,1500,actual,140,12.50,250.00,262.50"]
    flags = [f for f in read(rows).flags if f.code == "billed volume differs from reads"]
    assert [flag.data["invoice"] for flag in flags] == ["A5"]
    assert flags[0].data["from_reads"] == pytest.approx(100)
    rows = [*ROWS, "A5,2026-05-01,2026-06-01,1400,1350,actual,50,12.50,250.00,262.50"]
    assert "roll-over, change of meter, correction or error" in read(rows).flags[-1].message


def test_roll_over_of_the_read_is_recognised_by_its_volume(read):
    rows = [row.replace(",13", ",99").replace(",1190,", ",9790,") for row in ROWS[2:]]
    rows = ["A1,2026-01-01,2026-02-01,9800,9900,actual,100,0,0,0"]
    rows += ["A2,2026-02-01,2026-03-01,9900,9990,actual,90,0,0,0"]
    rows += ["A3,2026-03-01,2026-04-01,9990,100,actual,110,0,0,0"]
    rows += ["A4,2026-04-01,2026-05-01,100,200,actual,100,0,0,0"]
    record = read(rows)
    (flag,) = [flag for flag in record.flags if flag.code == "reads go backwards"]
    assert flag.data["fits_roll_over"] is True
    assert "a roll-over of 4 digits, 110 counts" in flag.message


def test_estimates_and_true_up(read):
    rows = [*ROWS]
    rows[1] = rows[1].replace("actual", "estimated")
    assert codes(read(rows)) == ["estimated read", "true-up"]


def test_unusual_period_length(read):
    rows = [ROWS[0].replace("2026-01-01", "2025-11-01"), *ROWS[1:]]
    (flag,) = read(rows).flags
    assert flag.code == "unusual period length"
    assert flag.data == {"invoice": "A1", "days": 92.0, "usual": pytest.approx(31, abs=1)}


def test_lines_that_do_not_add_up(read):
    rows = [ROWS[0].replace("262.50", "262.51"), *ROWS[1:]]
    (flag,) = read(rows).flags
    assert flag.message == "the lines of invoice A1 add up to 262.50, its total is 262.51"


def test_remarks_are_no_charges_and_do_not_travel(read):
    record = read([row + ",paid by QX" for row in ROWS], HEADER + ",remark by staff")
    assert codes(record) == ["column not read"]
    assert "QX" not in f"{record.frame}{record.lines}{record.flags}"


@pytest.mark.parametrize("words", [("estimated", "actual"), ("E", "A"), ("est.", "act.")])
def test_a_column_of_kinds_of_reads_under_another_name_is_not_passed_over(read, words):
    """Left out in silence every estimate would count as a read."""
    header = HEADER.replace("read_type", "Taken how")
    rows = [row.replace("actual", word) for row, word in zip(ROWS, words * 2, strict=True)]
    with pytest.raises(InputRefused, match="holds kinds of reads, estimated among them"):
        read(rows, header)
    named = read(rows, header, columns={"read_type": "Taken how"})
    assert named.frame["read_type"].tolist() == ["estimated", "actual"] * 2
    assert len(read(rows, header, not_charges=["Taken how"]).frame) == 4


def test_comma_decimals_and_day_first(tmp_path):
    text = "invoice;start;end;billed_volume;total\nA1;01.02.2026;01.03.2026;1.234,5;99,95\n"
    (tmp_path / "r.csv").write_text(text, encoding="cp1252")
    record = read_invoices(
        tmp_path / "r.csv", zone="Europe/Berlin", volume_unit="m3", day_first=True
    )
    assert record.frame["billed_volume"].iloc[0] == Decimal("1234.5")
    assert record.frame["start"].iloc[0] == pd.Timestamp("2026-01-31 23:00", tz="UTC")


def test_invoices_of_several_files_are_one_account(tmp_path):
    """A year a file; the last invoice of one year repeated in the next, corrected across files."""
    head = "invoice,start,end,billed_volume,kind,replaces,fixed,{line}total"
    first = [
        "A1,2025-11-01,2025-12-01,100,,,12.50,12.50",
        "A2,2025-12-01,2026-01-01,110,,,12.50,12.50",
    ]
    second = [
        "A2,2025-12-01,2026-01-01,110,,,12.50,,12.50",
        "A3,2026-01-01,2026-02-01,120,,,12.50,3.00,15.50",
        "A1b,2025-11-01,2025-12-01,90,corrected,A1,12.50,,12.50",
    ]
    for name, line, rows in (("25.csv", "", first), ("26.csv", "penalty,", second)):
        (tmp_path / name).write_text("\n".join([head.format(line=line), *rows]) + "\n")
    paths = [tmp_path / "25.csv", tmp_path / "26.csv"]
    record = read_invoices(paths, zone="America/Chicago", volume_unit="kgal")
    assert record.frame["invoice"].tolist() == ["A1b", "A2", "A3"]
    assert record.frame["line"].tolist() == [4, 3, 3]
    assert record.lines["penalty"].tolist() == [0, 0, Decimal("3.00")]
    assert record.superseded["fate"].tolist() == ["replaced by A1b"]
    (twice,) = record.problems
    assert (twice.file, twice.line) == ("26.csv", 2)
    assert "stands twice with the same figures" in twice.found


def test_faults_between_two_files_name_both(tmp_path):
    head = "invoice,start,end,billed_volume,total\n"
    (tmp_path / "a.csv").write_text(head + "A1,2026-01-01,2026-02-01,100,12.50\n")
    (tmp_path / "b.csv").write_text(head + "A2,2026-01-20,2026-03-01,100,12.50\n")
    with pytest.raises(InputRefused) as caught:
        read_invoices([tmp_path / "a.csv", tmp_path / "b.csv"], zone="UTC", volume_unit="kgal")
    (problem,) = caught.value.problems
    assert (problem.file, problem.line) == ("b.csv", 2)
    assert "'A1' of line 2 of a.csv ends 2026-02-01" in problem.found
    (tmp_path / "b.csv").write_text(head + "A1,2026-02-01,2026-03-01,90,12.50\n")
    with pytest.raises(InputRefused, match=r"b.csv, line 2: .*already stands in line 2 of a\.csv"):
        read_invoices([tmp_path / "a.csv", tmp_path / "b.csv"], zone="UTC", volume_unit="kgal")


@pytest.mark.parametrize(
    ("shown_as", "instant", "told"),
    [("yyyy-mm-dd", "2026-01-31 14:00", 0), ("yyyy-mm-dd hh:mm", "2026-01-31 06:00", 2)],
)
def test_days_of_a_workbook_are_read_at_the_stated_hour(tmp_path, shown_as, instant, told):
    """A day is stored as 00:00; only a cell that shows a time has one, and then it is said."""
    book = openpyxl.Workbook()
    book.active.append(["invoice", "start", "end", "billed_volume", "total"])
    days = [datetime(2026, 1, 31), datetime(2026, 2, 28), datetime(2026, 3, 31)]
    for number, (start, end) in enumerate(pairwise(days)):
        book.active.append([f"W{number}", start, end, 100, 500])
    for row in book.active.iter_rows(min_row=2, min_col=2, max_col=3):
        for cell in row:
            cell.number_format = shown_as
    book.save(tmp_path / "bills.xlsx")
    record = read_invoices(
        tmp_path / "bills.xlsx", zone="America/Chicago", volume_unit="kgal", read_hour="08:00"
    )
    assert record.frame["start"].iloc[0] == pd.Timestamp(instant, tz="UTC")
    assert sum("read_hour = '08:00' is not used" in p.found for p in record.problems) == told


def test_signs_of_currencies_are_kept_with_their_place(read):
    rows = ["A,2026-01-01,2026-02-01,100,$ 20.00", "B,2026-02-01,2026-03-01,100,€ 20.00"]
    record = read(rows, header="invoice,start,end,billed_volume,total")
    assert [(mark, line, column) for mark, _, line, column in record.currencies] == [
        ("$", 2, "total"),
        ("€", 3, "total"),
    ]


@pytest.mark.parametrize(
    ("mark", "currency", "fits"),
    [
        ("$", "USD", True),
        ("$", "CAD", True),
        ("$", "EUR", False),
        ("US$", "USD", True),
        ("US$", "CAD", False),
        ("€", "EUR", True),
        ("€", "USD", False),
        ("£", "GBP", True),
        ("GBP", "EUR", False),
    ],
)
def test_which_currency_a_sign_may_stand_for(mark, currency, fits):
    assert fits_currency(mark, currency) == fits
