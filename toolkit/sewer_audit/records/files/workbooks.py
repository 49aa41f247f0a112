"""Sheets of a workbook as rows of text."""

from __future__ import annotations

import datetime as dt
import re
import warnings
import zipfile
from io import BytesIO
from itertools import zip_longest
from typing import Any
from xml.etree import ElementTree

from sewer_audit.records.model import Findings

LARGEST_PART = 1_000_000_000
"""Largest unpacked size of a workbook [byte]: beyond it the file is taken for a trap."""

MOST_CELLS = 20_000_000
"""Cells of a sheet beyond which a stray cell is suspected and memory would run out [-]."""

_FORMULA = re.compile(rb"<(\w+:)?f[ >/]")
_HIDDEN_TYPES = re.compile(rb"<!\s*(DOCTYPE|ENTITY)", re.I)


def sheet_rows(book: bytes, sheet: str | None, findings: Findings) -> list[list[str]]:
    """Cells of one sheet as text, with the row number as place in the list.

    Raises
    ------
    InputRefused
        If the workbook is damaged or has no such sheet.
    """
    _refuse_traps(book, findings)
    values = _load(book, findings, formulas=False)
    try:
        name = _sheet_name(values, sheet, findings)
        found, cut = _rows(values[name], findings)
        rows = [[_text(cell) for cell in row] for row in found]
    except Exception as error:
        _damaged(findings, error)
        raise AssertionError("unreachable") from None  # pragma: no cover
    finally:
        values.close()
    if cut or any(not cell for row in rows for cell in row):
        _refuse_uncomputed(book, name, rows, findings)
    return rows


def sheet_names(book: bytes, findings: Findings) -> list[str]:
    """Names of the sheets, without reading one.

    Returns
    -------
    list of str
        In the order of the workbook [text].

    Raises
    ------
    InputRefused
        If the workbook is damaged.
    """
    _refuse_traps(book, findings)
    try:
        with zipfile.ZipFile(BytesIO(book)) as archive:
            tree = ElementTree.fromstring(archive.read("xl/workbook.xml"))
    except Exception as error:
        _damaged(findings, error)
    return [each.attrib["name"] for each in tree.iter() if each.tag.endswith("}sheet")]


def first_rows(book: bytes, sheet: str, count: int) -> list[tuple[Any, ...]]:
    """What stands above a table.

    Parameters
    ----------
    count : int
        How many rows [-].

    Returns
    -------
    list of tuple
        Cells as they are stored [-].
    """
    import openpyxl

    workbook = openpyxl.load_workbook(BytesIO(book), read_only=True)
    rows = list(workbook[sheet].iter_rows(max_row=count, values_only=True))
    workbook.close()
    return rows


def _refuse_traps(book: bytes, findings: Findings) -> None:
    try:
        with zipfile.ZipFile(BytesIO(book)) as archive:
            size = sum(entry.file_size for entry in archive.infolist())
            trapped = size > LARGEST_PART or any(
                _HIDDEN_TYPES.search(archive.open(entry).read(2000))
                for entry in archive.infolist()
                if entry.filename.endswith((".xml", ".rels"))
            )
    except Exception as error:
        _damaged(findings, error)
        return
    if trapped:
        findings.add(
            "the workbook declares entities of its own or unpacks to more than 1 GB",
            "Save the sheet as CSV with a spreadsheet program",
            code="wrong file",
        )
        findings.raise_if_refused()


def _load(book: bytes, findings: Findings, *, formulas: bool) -> Any:
    import openpyxl

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return openpyxl.load_workbook(BytesIO(book), read_only=True, data_only=not formulas)
    except Exception as error:
        _damaged(findings, error)


def _damaged(findings: Findings, error: Exception) -> None:
    from sewer_audit.errors import InputRefused

    if isinstance(error, InputRefused):
        raise error
    findings.add(
        f"the workbook is damaged ({type(error).__name__})",
        "Open it in a spreadsheet program and save it again as XLSX or CSV",
        code="wrong file",
    )
    findings.raise_if_refused()


def _sheet_name(book: Any, sheet: str | None, findings: Findings) -> str:
    names = [page.title for page in book.worksheets]
    if sheet is not None:
        if sheet in names:
            return sheet
        findings.add(
            f"there is no sheet {sheet!r}; the sheets are {', '.join(map(repr, names))}",
            "Name one of them",
            code="wrong file",
        )
        findings.raise_if_refused()
    filled = [page.title for page in book.worksheets if _filled(page)]
    if len(filled) != 1:
        found = "every sheet is empty"
        if filled:
            found = f"{len(filled)} sheets hold data: {', '.join(map(repr, filled))}"
        findings.add(found, "Say which one with sheet = 'its name'", code="wrong file")
        findings.raise_if_refused()
    return filled[0]


def _rows(page: Any, findings: Findings) -> tuple[list[tuple[Any, ...]], bool]:
    """Rows of a sheet as wide as its widest filled one; and whether blank cells were cut off.

    The size a sheet states is not believed: one cell far outside would make it a million rows wide.
    """
    page.reset_dimensions()
    rows, cut = [], False
    for cells in page.iter_rows():
        row = tuple(map(_value, cells))
        last = max((place for place, cell in enumerate(row, 1) if cell is not None), default=0)
        cut = cut or last < len(row)
        rows.append(row[:last])
    while rows and not rows[-1]:
        rows.pop()
    width = max(map(len, rows), default=0)
    if width * len(rows) > MOST_CELLS:
        found = f"a cell stands far outside: the table would have {len(rows):,} x {width:,} cells"
        remedy = "Delete what stands outside of the table, or save the table as CSV"
        findings.add(found, remedy, code="wrong file")
        findings.raise_if_refused()
    return [row + (None,) * (width - len(row)) for row in rows], cut


def _filled(page: Any) -> bool:
    page.reset_dimensions()
    return any(cell is not None for row in page.iter_rows(values_only=True) for cell in row)


def _value(cell: Any) -> Any:
    """What a cell holds; a day that is shown without a time has none, though stored as 00:00."""
    value = cell.value
    if isinstance(value, dt.datetime) and value.time() == dt.time():
        from openpyxl.styles.numbers import is_datetime

        if is_datetime(cell.number_format) == "date":
            return value.date()
    return value


def _text(cell: Any) -> str:
    """A cell as it would be written in a text file; stored floats have 15 significant digits."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return str(cell)
    if isinstance(cell, float):
        return f"{cell:.15g}"
    if isinstance(cell, dt.datetime):
        return _whole_seconds(cell).isoformat(sep=" ")
    if isinstance(cell, (dt.date, dt.time)):
        return cell.isoformat()
    if isinstance(cell, dt.timedelta):
        minutes, seconds = divmod(round(cell.total_seconds()), 60)
        return f"{minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}"
    return str(cell)


def _whole_seconds(stamp: dt.datetime) -> dt.datetime:
    """Undo the rounding of a day fraction: within 2 ms of a whole second is that second."""
    near = stamp + dt.timedelta(milliseconds=2)
    return near.replace(microsecond=0) if near.microsecond <= 4000 else stamp


def _refuse_uncomputed(book: bytes, sheet: str, rows: list, findings: Findings) -> None:
    """A formula whose result was never stored reads as a blank: say so, never take it for one."""
    with zipfile.ZipFile(BytesIO(book)) as archive:
        parts = [entry for entry in archive.namelist() if "worksheets/" in entry]
        if not any(_FORMULA.search(archive.read(part)) for part in parts):
            return
    formulas = _load(book, findings, formulas=True)
    try:
        formulas[sheet].reset_dimensions()
        pairs = zip_longest(formulas[sheet].iter_rows(values_only=True), rows, fillvalue=())
        for number, (row, shown) in enumerate(pairs, 1):
            for place, cell in enumerate(row):
                known = place < len(shown) and shown[place]
                if isinstance(cell, str) and cell.startswith("=") and not known:
                    findings.add(
                        "a formula has no stored result",
                        "Open the workbook in a spreadsheet program, let it compute, save it",
                        line=number,
                        column=str(place + 1),
                        code="formula",
                    )
    except Exception as error:
        _damaged(findings, error)
    finally:
        formulas.close()
    findings.raise_if_refused()
