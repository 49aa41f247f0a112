"""Every table as a workbook: units in the heads, invoice arithmetic as live formulas.

Text from input files can never start a formula. The same tables give the same bytes: the file
carries no clock and no name of a person or a machine.
"""

from __future__ import annotations

import io
import math
import re
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, tzinfo
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any

import pandas as pd
from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.properties import PageSetupProperties

__all__ = ["Draft", "harmless", "work_of", "write_workbook"]

EPOCH = (1980, 1, 1, 0, 0, 0)
STAMP = b"2000-01-01T00:00:00Z"
APP = (
    b'<Properties xmlns="http://schemas.openxmlformats.org/officeDocument/2006/extended-properties">'
    b"<Application>sewer-audit</Application></Properties>"
)
DIGITS = 12
"""Significant digits of a number: what lies beyond is rounding of the machine [-]."""
LONGEST = 32_000
DANGER = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")
FORBIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
CENT = Decimal("0.01")
LINE_COLUMNS = ("invoice", "line", "quantity", "unit", "rate", "billed")

HEAD = Font(bold=True, color="FFFFFF")
FILL = PatternFill("solid", fgColor="0F4C5C")
SUM = Font(bold=True)
RULE = Border(top=Side(style="thin"))


@dataclass
class Draft:
    """A workbook under way and the value of each formula written so far."""

    book: Workbook
    zone: tzinfo | None
    values: dict[tuple[str, str], Any] = field(default_factory=dict)

    def sheet(self, name: str, heads: Sequence[str]) -> Any:
        """A new sheet with its heads."""
        base = re.sub(r"[\[\]:*?/\\']", " ", name).strip()[:28] or "table"
        title, number = base, 2
        while title.lower() in (used.lower() for used in self.book.sheetnames):
            title, number = f"{base} {number}", number + 1
        sheet = self.book.create_sheet(title)
        for place, head in enumerate(heads, start=1):
            cell = sheet.cell(1, place)
            self.text(cell, head)
            cell.font, cell.fill = HEAD, FILL
            cell.alignment = Alignment(wrap_text=True, vertical="top")
        sheet.freeze_panes, sheet.print_title_rows = "A2", "1:1"
        sheet.page_setup.orientation = "landscape" if len(heads) > 5 else "portrait"
        sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
        sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
        return sheet

    def table(self, name: str, frame: pd.DataFrame) -> None:
        """A sheet that holds a table as it is."""
        sheet = self.sheet(name, [str(column) for column in frame.columns])
        for row, values in enumerate(frame.itertuples(index=False, name=None), start=2):
            for place, value in enumerate(values, start=1):
                self.put(sheet.cell(row, place), value)
        self.widths(sheet)
        if sheet.max_row > 1:
            sheet.auto_filter.ref = sheet.dimensions

    @staticmethod
    def text(cell: Any, text: object) -> None:
        """A text that no spreadsheet takes for a formula."""
        cell.value = harmless(text)
        cell.data_type = "s"

    def put(self, cell: Any, value: Any) -> None:
        """A value, shown by the unit in the head of its column."""
        if hasattr(value, "item") and not isinstance(value, (pd.Timestamp, pd.Timedelta)):
            value = value.item()
        if value is None or value is pd.NaT or value is pd.NA:
            return
        if isinstance(value, bool):
            self.text(cell, "yes" if value else "no")
        elif isinstance(value, Decimal):
            cell.value = value if value.is_finite() else None
            cell.number_format = "#,##0." + "0" * max(2, -int(value.as_tuple().exponent or 0))
        elif isinstance(value, (int, float)):
            if math.isfinite(value):
                cell.value = float(f"{value:.{DIGITS}g}") if isinstance(value, float) else value
                cell.number_format = _format(str(cell.parent.cell(1, cell.column).value), value)
        elif isinstance(value, (datetime, pd.Timestamp)):
            known = self.zone is not None and value.tzinfo is not None
            local = value.astimezone(self.zone) if known else value
            cell.value = local.replace(tzinfo=None, microsecond=0)  # a workbook knows no zones
            offset = local.isoformat()[-6:] if local.tzinfo is not None else ""
            cell.number_format = "yyyy-mm-dd hh:mm:ss" + (f' "{offset}"' if offset else "")
        elif isinstance(value, date):
            cell.value, cell.number_format = value, "yyyy-mm-dd"
        elif isinstance(value, timedelta):
            self.text(cell, str(value))
        else:
            self.text(cell, value)

    def formula(self, cell: Any, formula: str, value: Any) -> None:
        """A formula beside the value it comes to, shown by the unit in the head of its column."""
        cell.value = formula
        cell.number_format = _format(str(cell.parent.cell(1, cell.column).value), float(value))
        self.values[(cell.parent.title, cell.coordinate)] = value

    def invoices(
        self, name: str, lines: pd.DataFrame, money: str
    ) -> dict[tuple[str, str], tuple[str, Decimal]]:
        """A sheet of invoice arithmetic; address and value of the differences, by invoice and line.

        Units: lines [`money`]; returns [`money`].
        """
        heads = [
            "invoice",
            "charge line",
            "quantity",
            "unit of quantity",
            f"rate [{money} per unit]",
        ]
        heads += [f"computed [{money}]", f"billed [{money}]", f"billed less computed [{money}]"]
        sheet = self.sheet(name, heads)
        row, found, grand = 2, {}, [Decimal(0)] * 3
        for invoice, block in lines.groupby("invoice", sort=False):
            first, sums = row, [Decimal(0)] * 3
            for _, line in block.iterrows():
                values = self._line(sheet, row, first, line)
                found[str(invoice), str(line["line"])] = (f"'{sheet.title}'!H{row}", values[2])
                sums = [a + b for a, b in zip(sums, values, strict=True)]
                row += 1
            self.text(sheet.cell(row, 1), invoice)
            self.text(sheet.cell(row, 2), "sum")
            for place, value in zip("FGH", sums, strict=True):
                self.formula(
                    sheet[f"{place}{row}"], f"=SUM({place}{first}:{place}{row - 1})", value
                )
            if (printed := _number(block.get("total", pd.Series([None])).iloc[0])) is not None:
                sums[1:] = [printed, printed - sums[0]]
                self.values.pop((sheet.title, f"G{row}"))
                self.put(sheet[f"G{row}"], printed)
                self.formula(sheet[f"H{row}"], f"=G{row}-F{row}", sums[2])
            self.bold(sheet, row, (6, 7, 8))
            found[str(invoice), "sum"] = (f"'{sheet.title}'!H{row}", sums[2])
            grand = [a + b for a, b in zip(grand, sums, strict=True)]
            row += 1
        self.text(sheet.cell(row, 1), "all invoices")
        for place, value in zip("FGH", grand, strict=True):
            terms = [f'SUMIF($B$2:$B${row - 1},"sum",{place}$2:{place}${row - 1})']
            self.formula(sheet[f"{place}{row}"], "=" + terms[0], value)
        self.bold(sheet, row, (6, 7, 8))
        self.widths(sheet)
        return found

    def _line(self, sheet: Any, row: int, first: int, line: pd.Series) -> list[Decimal]:
        for place, name in enumerate(LINE_COLUMNS[:5], start=1):
            self.put(sheet.cell(row, place), line[name])
        if pointed := line.get("quantity_from"):
            pointed = pointed.format(first=first, before=row - 1)
            self.formula(sheet.cell(row, 3), f"={pointed}", line["quantity"])
        quantity, rate, billed = (_number(line[name]) for name in ("quantity", "rate", "billed"))
        known, work = _number(line.get("computed")), line.get("work")
        computed, formula = known, f"={work}" if work else ""
        if quantity is not None and rate is not None:
            product = (quantity * rate).quantize(CENT, ROUND_HALF_UP)
            if known is None or product == known:
                computed, formula = product, f"=ROUND(C{row}*E{row},2)"
        if computed is not None and formula:
            self.formula(sheet[f"F{row}"], formula, computed)
        else:
            self.put(sheet[f"F{row}"], computed)
        computed = computed or Decimal(0)
        self.put(sheet[f"G{row}"], billed)
        difference = Decimal(0)
        if billed is not None:  # else the line is not printed, and the sums tell
            difference = billed - computed
            self.formula(sheet[f"H{row}"], f"=G{row}-F{row}", difference)
        for place in "FGH":
            sheet[f"{place}{row}"].number_format = "#,##0.00"
        return [computed, billed or Decimal(0), difference]

    @staticmethod
    def bold(sheet: Any, row: int, money: Sequence[int]) -> None:
        """A row of sums, with the columns of money in it."""
        for place in range(1, sheet.max_column + 1):
            cell = sheet.cell(row, place)
            cell.font, cell.border = SUM, RULE
            if place in money:
                cell.number_format = "#,##0.00"

    @staticmethod
    def widths(sheet: Any) -> None:
        """Columns as wide as what stands in them."""
        lines = 1
        for place, column in enumerate(sheet.iter_cols(), start=1):
            longest = max((_length(c.value) for c in column if c.value is not None), default=0)
            words = max((len(word) for word in str(column[0].value or "").split()), default=0)
            formulas = any(c.data_type == "f" for c in column)
            width = max(words, 12 if formulas else min(longest, 48))
            width = max(8, width + 2)
            sheet.column_dimensions[get_column_letter(place)].width = width
            lines = max(lines, -(-(len(str(column[0].value or "")) + 1) // int(width - 1)))
        sheet.row_dimensions[1].height = (
            15 * lines
        )  # heads are wrapped, and not every program sees it


def write_workbook(
    path: str | Path,
    tables: Mapping[str, pd.DataFrame],
    invoice_lines: pd.DataFrame | None = None,
    zone: tzinfo | None = None,
    money: str = "USD",
    live: Callable[[Draft], None] | None = None,
) -> None:
    """Write tables to one workbook; `live` adds sheets that compute.

    Units: invoice_lines [`money`].
    """
    draft = Draft(Workbook(), zone)
    draft.book.remove(draft.book.active)
    if live is not None:
        live(draft)
    if invoice_lines is not None and len(invoice_lines):
        draft.invoices("invoice arithmetic", invoice_lines, money)
    for name, frame in tables.items():
        draft.table(name, frame)
    if not draft.book.sheetnames:
        draft.book.create_sheet("empty")
    properties = draft.book.properties
    properties.creator, properties.title = "sewer-audit", "Tables of the evidence"
    buffer = io.BytesIO()
    draft.book.save(buffer)
    Path(path).write_bytes(_steady(buffer.getvalue(), draft))


def harmless(text: object) -> str:
    """Text that no spreadsheet takes for a formula, in a workbook or in a CSV made of it."""
    clean = FORBIDDEN.sub("\N{REPLACEMENT CHARACTER}", str(text))
    if len(clean) > LONGEST:
        clean = clean[:LONGEST] + " … (cut)"
    return "'" + clean if clean.lstrip(" \N{NO-BREAK SPACE}").startswith(DANGER) else clean


def _format(head: str, value: float) -> str:
    """How a number is shown: by the unit in its head; the cell itself keeps all of its digits."""
    unit = re.search(r"\[([^\]]+)\]\s*$", head)
    if isinstance(value, int) or unit is None or unit[1] == "-":
        return "General"
    if unit[1] == "%" or re.fullmatch("[A-Z]{3}", unit[1]):
        return "#,##0.00"
    return "#,##0.0" if abs(value) >= 100 else "#,##0.000"


def _number(value: Any) -> Decimal | None:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return None
    return value if isinstance(value, Decimal) else Decimal(repr(float(value)))


def work_of(lines: Sequence[Any]) -> str:
    """The products that priced lines are the sums of, as a formula; empty where they are none."""
    parts = []
    for line in lines:
        products = [(term.quantity, term.rate) for term in line.terms]
        total = sum((quantity * rate for quantity, rate in products), Decimal(0))
        if not products or total.quantize(CENT, ROUND_HALF_UP) != line.amount:
            return ""
        parts.append(f"ROUND({'+'.join(f'{q:f}*{r:f}' for q, r in products)},2)")
    return "+".join(parts)


def _length(value: Any) -> int:
    return 12 if isinstance(value, float) else len(str(value))


def _steady(content: bytes, draft: Draft) -> bytes:
    """The same archive without clocks, and with the value beside each formula."""
    titles = {
        f"xl/worksheets/sheet{n}.xml": t for n, t in enumerate(draft.book.sheetnames, start=1)
    }
    target = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in sorted(old.namelist()):
            data = old.read(name)
            if name == "docProps/core.xml":
                data = re.sub(
                    rb"(<dcterms:(?:created|modified)[^>]*>)[^<]*", rb"\g<1>" + STAMP, data
                )
            elif name == "docProps/app.xml":  # names the version of the library that wrote it
                data = APP
            elif name in titles:
                data = _with_values(data.decode(), titles[name], draft.values).encode()
            entry = zipfile.ZipInfo(name, EPOCH)
            entry.external_attr, entry.create_system = 0o644 << 16, 3
            new.writestr(entry, data, zipfile.ZIP_DEFLATED, 6)
    return target.getvalue()


def _with_values(xml: str, title: str, values: Mapping[tuple[str, str], Any]) -> str:
    def fill(match: re.Match[str]) -> str:
        value = values.get((title, match[2]))
        return f"{match[1]}<v>{value}</v></c>" if value is not None else match[0]

    return re.sub(r'(<c r="([A-Z]+\d+)"[^>]*><f>[^<]*</f>)<v ?(?:/>|></v>)</c>', fill, xml)
