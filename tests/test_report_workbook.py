"""The workbook: formulas that compute, text that cannot, bytes that repeat."""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from decimal import Decimal
from zoneinfo import ZoneInfo

import openpyxl
import pandas as pd
import pytest

from sewer_audit.auditing.quarters import review
from sewer_audit.report.brief import make_brief
from sewer_audit.report.tables import write_tables
from sewer_audit.report.workbook import harmless, write_workbook
from test_auditing_overlaps import EARLY, A, C, audited

LINES = pd.DataFrame(
    {
        "invoice": ["A-1", "A-1", "A-2"],
        "line": ["fixed charge", "volume charge", "=HYPERLINK(1)"],
        "quantity": [Decimal(1), Decimal("123.456"), Decimal("100")],
        "unit": ["period", "kgal", "kgal"],
        "rate": [Decimal("31.50"), Decimal("7.2150"), Decimal("7.2150")],
        "billed": [Decimal("31.50"), Decimal("900.00"), Decimal("721.50")],
    }
)


@pytest.fixture
def book(tmp_path):
    frame = pd.DataFrame(
        {
            "name": ["=1+1", "+1", "-1 pump", "@SUM(A1)", "\tx", "plain", "a\x01b"],
            "volume [m3]": [1.5, float("nan"), 3, 4, 5, 6, float("inf")],
            "start": pd.date_range("2026-03-08 07:30", periods=7, freq="h", tz="UTC"),
        }
    )
    path = tmp_path / "tables.xlsx"
    zone = ZoneInfo("America/Chicago")
    write_workbook(path, {"invoices": frame, "a/b:[c]*?": frame.head(1)}, LINES, zone)
    return path


def test_no_text_starts_a_formula(book):
    sheets = openpyxl.load_workbook(book)
    starts = [
        cell
        for sheet in sheets
        for row in sheet.iter_rows()
        for cell in row
        if isinstance(cell.value, str) and cell.value[0] in "=+-@\t"
    ]
    assert all(cell.data_type == "f" for cell in starts)
    assert {cell.parent.title for cell in starts} == {"invoice arithmetic"}
    assert sheets["invoices"]["A2"].value == "'=1+1"
    assert sheets["invoices"]["A8"].value == "a�b"


@pytest.mark.parametrize("text", ["=1", "+1", "-1", "@a", "\ta", "\ra", " =1", "\n=1", "%1", "|x"])
def test_every_start_of_a_formula_is_defused(text):
    assert harmless(text).startswith("'")


def test_ordinary_text_is_left_alone():
    assert harmless("Pump 3 - north") == "Pump 3 - north"
    assert len(harmless("x" * 40_000)) < 32_767


def test_formulas_carry_the_right_value(book):
    """123.456 x 7.2150 = 890.73504, to the cent 890.74 (worked by hand)."""
    formulas = openpyxl.load_workbook(book)["invoice arithmetic"]
    values = openpyxl.load_workbook(book, data_only=True)["invoice arithmetic"]
    assert formulas["F3"].value == "=ROUND(C3*E3,2)"
    assert values["F3"].value == pytest.approx(890.74)
    assert formulas["F4"].value == "=SUM(F2:F3)" and values["F4"].value == pytest.approx(922.24)
    assert values["H4"].value == pytest.approx(931.50 - 922.24)
    assert formulas["H5"].value == "=G5-F5" and values["H5"].value == 0
    assert values["G7"].value == pytest.approx(31.5 + 900 + 721.5)


def test_heads_are_frozen_and_times_are_local_with_offset(book):
    sheet = openpyxl.load_workbook(book)["invoices"]
    assert sheet.freeze_panes == "A2"
    assert [cell.value for cell in sheet[1]] == ["name", "volume [m3]", "start"]
    # clocks went forward at 02:00 on 2026-03-08 in this zone (tz database)
    assert sheet["C2"].value == dt.datetime(2026, 3, 8, 1, 30)
    assert sheet["C3"].value == dt.datetime(2026, 3, 8, 3, 30)
    assert sheet["C2"].number_format == 'yyyy-mm-dd hh:mm:ss "-06:00"'
    assert sheet["C3"].number_format == 'yyyy-mm-dd hh:mm:ss "-05:00"'
    assert sheet["B2"].number_format == "#,##0.000"
    assert sheet["B3"].value is None and sheet["B8"].value is None


def test_the_same_tables_give_the_same_bytes(book, tmp_path, monkeypatch):
    again = tmp_path / "again.xlsx"
    frame = pd.DataFrame({"a": [1]})
    write_workbook(book, {"t": frame}, LINES)
    import time

    monkeypatch.setattr(time, "time", lambda: 2_000_000_000.0)
    write_workbook(again, {"t": frame}, LINES)
    assert book.read_bytes() == again.read_bytes()
    with zipfile.ZipFile(again) as archive:
        core = archive.read("docProps/core.xml").decode()
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    assert set(re.findall(r"\d{4}-\d\d-\d\dT[\d:]+Z", core)) == {"2000-01-01T00:00:00Z"}


def test_sheet_names_are_made_legal_and_distinct(tmp_path):
    path = tmp_path / "t.xlsx"
    frame = pd.DataFrame({"a": [1]})
    write_workbook(path, {"x" * 40: frame, "x" * 41: frame, "[]": frame})
    names = openpyxl.load_workbook(path).sheetnames
    assert len(set(names)) == 3 and all(len(name) <= 31 for name in names)


def arithmetic(result, folder, *, values: bool) -> dict[tuple, tuple]:
    write_tables(result, folder / "tables.xlsx")
    book = openpyxl.load_workbook(folder / "tables.xlsx", data_only=values)
    return {row[:2]: row[5:] for row in book["invoice arithmetic"].iter_rows(values_only=True)}


def test_a_line_of_several_blocks_is_computed_as_the_page_computes_it(tmp_path):
    """By hand: 100 kgal at 4.00 and 26 at 6.00 are 556.00, as billed."""
    result = audited(tmp_path, A, EARLY, C)
    values = arithmetic(result, tmp_path, values=True)
    assert values["B", "volume"] == (556.0, 556.0, 0.0)
    formulas = arithmetic(result, tmp_path, values=False)
    assert formulas["B", "volume"][0] == "=ROUND(100*4.00+26.0*6.00,2)"
    assert values["all invoices", None] == (1418.5, 1418.5, 0.0)


def test_brief_and_review_have_the_same_arithmetic(tmp_path):
    result = audited(tmp_path, A, EARLY, C)
    whole = arithmetic(result, tmp_path, values=True)
    assert arithmetic(review(result), tmp_path, values=True) == whole
    assert arithmetic(make_brief(result), tmp_path, values=True) == whole


def test_where_only_the_total_is_printed_the_sums_are_compared(tmp_path):
    def bare(row):
        cells = row.split(",")
        return ",".join([*cells[:7], "", "", str(float(cells[9]) + 1)])

    values = arithmetic(audited(tmp_path, *map(bare, (A, C))), tmp_path, values=True)
    assert values["A", "volume"] == (360.0, None, None)
    assert values["A", "sum"] == (405.0, 406.0, 1.0)
