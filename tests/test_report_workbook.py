"""The workbook: formulas that compute, text that cannot, bytes that repeat."""

from __future__ import annotations

import datetime as dt
import math
import re
import zipfile
from decimal import Decimal
from zoneinfo import ZoneInfo

import openpyxl
import pandas as pd
import pytest

from looked_at import looked_at
from sewer_audit.auditing.quarterly.quarters import review
from sewer_audit.charges import OF_RUN
from sewer_audit.report.brief.telling import make_brief
from sewer_audit.report.folder.by_hand import hand_steps
from sewer_audit.report.folder.workbook import harmless, write_workbook
from sewer_audit.report.tables import write_tables
from sewer_audit.units import from_si
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


class Computed:
    """A workbook as a spreadsheet computes it: only what the sheets use (by hand, no library)."""

    def __init__(self, path):
        self.book = openpyxl.load_workbook(path)

    def of(self, sheet: str, address: str):
        value = self.book[sheet][address].value
        return self.value(sheet, value[1:]) if str(value).startswith("=") else value

    def value(self, sheet: str, formula: str) -> float:
        if found := re.fullmatch(r"SUM\((\w+):(\w+)\)", formula):
            return sum(self.column(sheet, f"{found[1]}:{found[2]}"))
        if found := re.fullmatch(r"SUMIF\('(.+)'!A:A,(\w+),'.+'!C:C\)", formula):
            named = self.book[found[1]].iter_rows(min_row=2, values_only=True)
            rows = [n for n, row in enumerate(named, start=2) if row[0] == self.of(sheet, found[2])]
            return sum(self.of(found[1], f"C{n}") for n in rows)
        if found := re.fullmatch(r'SUMIF\(\$B\$2:\$B\$(\d+),"sum",(\w)\$2:.*', formula):
            rows = range(2, int(found[1]) + 1)
            sums = [r for r in rows if self.book[sheet][f"B{r}"].value == "sum"]
            return sum(self.of(sheet, f"{found[2]}{r}") for r in sums)
        cells = re.sub(
            r"(?:'([^']+)'!)?\b([A-Z]+\d+)\b",
            lambda found: repr(float(self.of(found[1] or sheet, found[2]))),
            formula,
        )
        halves = cells.replace("ROUND(", "half_up(")
        return eval(halves, {"half_up": lambda x, n: math.floor(x * 10**n + 0.5 + 1e-9) / 10**n})

    def column(self, sheet: str, cells: str) -> list[float]:
        rows = self.book[sheet][cells]
        return [self.of(sheet, c.coordinate) or 0.0 for row in rows for c in row]

    def last(self, sheet: str, letter: str):
        return self.of(sheet, f"{letter}{self.book[sheet].max_row}")


def test_the_workbook_computes_from_reads_to_the_headline_and_from_hours_to_the_volumes(tmp_path):
    result = looked_at(draws=500)
    path = tmp_path / "tables.xlsx"
    write_tables(result, path)
    book = Computed(path)
    assert book.last("net claim", "D") == pytest.approx(float(result.ledger.net), abs=0.005)
    sheet = book.book["effluent volumes"]
    letter = sheet.cell(1, sheet.max_column).column_letter
    means = from_si(result.evidence.effluent.volumes.mean(axis=0), "kgal", "volume")
    for row, mean in enumerate(means, start=2):
        assert book.of("effluent volumes", f"{letter}{row}") == pytest.approx(mean, rel=1e-9)
    as_read = from_si(float(hand_steps(result).iloc[0, 0]), "kgal", "volume")
    assert book.of("effluent volumes", "B2") == pytest.approx(as_read, rel=1e-9)
    cached = openpyxl.load_workbook(path, data_only=True)
    for name in ("reads and volumes", "by the rules", "net claim", "effluent volumes"):
        for row in book.book[name].iter_rows():
            for cell in (c for c in row if str(c.value).startswith("=")):
                shown = cached[name][cell.coordinate].value
                assert book.of(name, cell.coordinate) == pytest.approx(shown, abs=0.006), cell
    reads = book.book["reads and volumes"]
    before = book.last("net claim", "D")
    row = next(r for r in range(2, 20) if reads[f"A{r}"].value == "K2506")
    reads[f"C{row}"] = reads[f"C{row}"].value + 100  # kgal: 90 charged, at 7.12 and 4.5 % on top
    assert book.last("net claim", "D") == pytest.approx(before - 90 * 7.12 * 1.045, abs=0.02)
    live = [book.book["net claim"][f"D{r}"].value for r in range(2, book.book["net claim"].max_row)]
    before, meter = book.last("net claim", "D"), book.book["deduct reads"]
    for r in range(2, meter.max_row + 1):  # 10 counts of 10 cubic feet more, inside K2506
        if meter[f"A{r}"].value > dt.datetime(2025, 5, 20):
            meter[f"B{r}"] = meter[f"B{r}"].value + 10
    more = 100 * 1728 / 231 / 1000 * 0.9 * 7.12 * 1.045  # cubic inches of a foot and of a gallon
    moved = book.last("net claim", "D") - before
    assert moved == pytest.approx(more, abs=0.4), "the volume is charged to 0.1 kgal"
    stands = [
        entry.link
        for entry, v in zip(result.ledger.entries, live, strict=True)
        if str(v)[:1] != "="
    ]
    assert stands == [OF_RUN], "every other amount follows from reads, rates and printed lines"
    about = " ".join(str(c.value) for row in book.book["about"].iter_rows() for c in row)
    assert "figures, no formulas: K2602 (run of estimates)" in about
    assert "leave out K2506" in about, "sums of explanations say what they leave out"
    pair = [r for r in range(2, 20) if reads[f"A{r}"].value in ("K2601", "K2602")]
    assert [reads[f"B{r}"].value for r in pair] == pytest.approx([23552.4, 29261.4])


def test_the_first_sheet_contradicts_nothing_and_every_sheet_prints_on_one_width(tmp_path):
    result = looked_at(draws=500)
    write_tables(result, tmp_path / "tables.xlsx")
    book = openpyxl.load_workbook(tmp_path / "tables.xlsx", data_only=True)
    assert book.sheetnames[0] == "about"
    for sheet in book:
        assert sheet.page_setup.fitToWidth == 1 and sheet.print_title_rows == "$1:$1"
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
    rows = [*book["invoice arithmetic"].iter_rows(min_row=2, values_only=True)]
    totals = {row[0]: row[7] for row in rows if row[1] == "sum"}
    assert totals["K2505"] == pytest.approx(630.0), "against the printed total, not the lines"
    right = {each.invoice: each.total for each in result.pricing.bills}
    assert {row[0]: row[6] for row in rows if row[1] == "sum"} == pytest.approx(
        {name: float(total) for name, total in right.items()}
    )
