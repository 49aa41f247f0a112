"""What lies in a folder: each file looked at by its content, never by its name alone."""

from __future__ import annotations

import io
import re
import tomllib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property
from itertools import islice, pairwise
from pathlib import Path

import numpy as np

from sewer_audit.drafting import scans
from sewer_audit.drafting.bills import meanings
from sewer_audit.drafting.pages import PageFault, is_date, read_sheets
from sewer_audit.drafting.shapes import by_shape, money_lines
from sewer_audit.errors import InputRefused, UnitError
from sewer_audit.records.clock.stamps import joined_stamps, parse_stamps
from sewer_audit.records.files.dialect import HEAD, find_delimiter, normalise
from sewer_audit.records.files.sources import Source, open_source
from sewer_audit.records.files.tables import table_of
from sewer_audit.records.files.workbooks import first_rows, sheet_names
from sewer_audit.records.model import Findings, Table
from sewer_audit.units import spellings, to_si

__all__ = ["Grid", "Look", "cell_number", "look_at", "unit_in"]

MANY = 500
"""Rows from which a table with times is a logger's record, no book of reads [-] (judgement)."""
_CLOCK = re.compile(r"\d{1,2}:\d{2}(?::\d{2})?\s*(?:[AaPp]\.?[Mm]\.?)?")
_EPOCH = re.compile(r"1[0-8]\d{8}(?:000)?")
_NUMBER = re.compile(r"[$€£ ]*[+-]?\d[\d.,' \u00a0\u202f]*")
VOLUMES = ("billed_volume", "usage", "deducted")
OWN = ("typed_bills.csv", "read/figures.csv", "read/questions.csv", "draft/")
"""What this program itself writes into a folder."""


@dataclass
class Grid:
    """One table: a text file or a sheet."""

    file: str
    sheet: str | None
    table: Table
    problems: list = field(default_factory=list)
    above: str = ""

    def cells(self, place: int) -> list[str]:
        """Cells of one column."""
        return [row[place].strip() for row in self.table.rows]

    @cached_property
    def kinds(self) -> list[str]:
        """What each column mostly holds: date, clock, epoch, number, text or nothing."""
        step = max(1, len(self.table.rows) // 200)
        found = []
        for place in range(len(self.table.header)):
            cells = [c for row in self.table.rows[::step] if (c := row[place].strip())]
            found.append(_kind(cells))
        return found

    def names(self, kind: str) -> list[int]:
        """Places of the named columns of a kind."""
        return [n for n, each in enumerate(self.kinds) if each == kind and self.table.header[n]]

    def written(self, place: int) -> str:
        """Name of a column with the unit under it, as the file has them."""
        units = self.table.units
        below = units[place] if place < len(units) else ""
        return f"{self.table.header[place]} {below}".strip()

    def spoken(self, place: int) -> str:
        """The same made even, for comparing words."""
        return normalise(re.sub(r"[_()\[\],/]+", " ", self.written(place)))

    @cached_property
    def what(self) -> str:
        """bills, record, reads or other."""
        dates, numbers = self.names("date"), self.names("number")
        if len(dates) >= 2 and len(self.bill_columns) >= 5 and "total" in self.bill_columns:
            return "bills"
        timed = dates or self.names("epoch")
        if timed and numbers and len(self.table.rows) >= MANY:
            return "record"
        if timed and any(self.rises(place) for place in numbers) and len(self.table.rows) >= 3:
            return "reads"
        return "other"

    @cached_property
    def bill_columns(self) -> dict[str, int]:
        """Meaning of columns of a table of bills, by their names, else by their figures."""
        money = money_lines(self, self.named_columns)
        found = {name: place for name, place in self.named_columns.items() if place not in money}
        if "billed_volume" not in found and "usage" in found:  # it prints no other volume
            found["billed_volume"] = found.pop("usage")
        if len(self.table.rows) >= MANY:
            return found
        found = by_shape(self, found)
        if "billed_volume" not in found:
            units = [n for n in self.names("number") if n not in found.values()
                     and unit_in(self.written(n), "volume")]  # fmt: skip
            found |= {"billed_volume": units[0]} if len(units) == 1 else {}
        return found

    @cached_property
    def named_columns(self) -> dict[str, int]:
        """Meaning of columns of a table of bills, from their names; each name for one meaning."""
        fits = []
        for place, name in enumerate(self.table.header):
            for meaning, words in meanings("bill").items():
                spoken = self.spoken(place)
                hit = word_in(spoken, (*words, meaning.replace("_", " ")))
                if not name or not hit:
                    continue
                fit = len(hit) / max(len(spoken), 1)
                if meaning in VOLUMES:
                    fit -= bool(word_in(spoken, meanings("money")["charge"]))
                    fit += bool(unit_in(self.written(place), "volume"))
                if fit > 0:
                    fits.append((fit, meaning, place))
        found: dict[str, int] = {}
        for _, meaning, place in sorted(fits, reverse=True):
            dated = meaning in ("start", "end", "bill_date", "due_date")
            if dated == (self.kinds[place] == "date") and place not in found.values():
                found.setdefault(meaning, place)
        return found

    @cached_property
    def time_columns(self) -> dict[str, str]:
        """Names of the columns that hold the time: time, or date and time."""
        dates, clocks = self.names("date") or self.names("epoch"), self.names("clock")
        places = {"date": dates[0], "time": clocks[0]} if clocks else {"time": dates[0]}
        return {role: self.table.header[place] for role, place in places.items()}

    @cached_property
    def stamps(self) -> list[str]:
        """Date and time of every row as one text."""
        places = [self.table.header.index(name) for name in self.time_columns.values()]
        parts = [self.cells(place) for place in places]
        return joined_stamps(*parts) if len(parts) == 2 else parts[0]

    def moments(self, way: bool | None) -> np.ndarray:
        """Clock readings of the rows, also of seconds or milliseconds since 1970."""
        if _EPOCH.fullmatch(self.stamps[0]):
            seconds = [int(each[:10]) for each in self.stamps]
            return np.array(seconds, "datetime64[s]").astype("datetime64[us]")
        return parse_stamps(self.stamps, way).naive

    def values(self, place: int) -> np.ndarray:
        """Numbers of one column; what is none is not a number."""
        found = [cell_number(cell) for cell in self.cells(place)]
        return np.array([np.nan if value is None else value for value in found], dtype=float)

    def rises(self, place: int) -> bool:
        """Whether a column counts on: hardly ever less than before; once it may roll over."""
        values = self.values(place)
        values = values[~np.isnan(values)]
        if len(values) < 3 or values[0] == values[-1] == values.max():
            return False
        falls = int((np.diff(values) < 0).sum())
        return falls <= max(0.05 * len(values), float(len(values) > 4))


@dataclass
class Look:
    """One file, what it probably is, and why."""

    file: str
    what: str
    why: str
    grids: list[Grid] = field(default_factory=list)
    text: str = ""


def cell_number(cell: str) -> float | None:
    """A number whatever its decimal mark, where it is certain enough to compare counts."""
    text = re.sub(r"[$€£' \u00a0\u202f]", "", cell)
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?", text):
        text = text.replace(",", "")
    elif re.fullmatch(r"[+-]?\d{1,3}(\.\d{3})+,\d+", text):
        text = text.replace(".", "")
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def word_in(text: str, words: Sequence[str]) -> str:
    """The longest of some words that stands whole in a text, or ""."""
    spoken = f" {text} "
    return max((word for word in words if f" {word} " in spoken), key=len, default="")


def unit_in(text: str, dimension: str) -> str:
    """The longest unit of a dimension that stands whole in a text, or ""."""
    even = text.translate({ord("²"): "2", ord("³"): "3"})
    found = " ".join(re.sub(r"[_()\[\],;]+", " ", even).split())
    marks = [unit for unit in spellings(dimension) if f" {unit} " in f" {found} "]
    for word in found.split():
        if "/" in word:
            with suppress(UnitError):
                to_si(1.0, word, dimension)
                marks.append(word)
    return max(marks, key=len, default="")


MANY_OF = {"hundred": 100.0, "thousand": 1000.0, "tausend": 1000.0, "million": 1e6}
"""Words for how many of a unit one count is."""


def counted_in(text: str, dimension: str) -> str:
    """The unit a head names with the number before it, as "100 cf" is CCF; "" where none is."""
    unit = unit_in(text, dimension)
    words = "|".join(MANY_OF)
    even = text.lower().translate({ord("²"): "2", ord("³"): "3"})
    many = re.search(rf"(\d[\d,. ]*|(?:{words})s?)\s*(?:of )?{re.escape(unit.lower())}(?!\w)", even)
    if not unit or many is None:
        return unit
    word = many[1].strip().removesuffix("s")
    number = MANY_OF.get(word) or float(re.sub(r"\D", "", word) or 0)
    size = number * float(to_si(1.0, unit, dimension))
    each = ((other, float(to_si(1.0, other, dimension))) for other in spellings(dimension))
    return next((other for other, one in each if abs(one / size - 1) < 1e-9), "")


def _kind(cells: Sequence[str]) -> str:
    if not cells:
        return ""
    for kind, test in (
        ("epoch", lambda cell: bool(_EPOCH.fullmatch(cell))),
        ("number", lambda cell: bool(_NUMBER.fullmatch(cell)) and not is_date(cell)),
        ("clock", lambda cell: bool(_CLOCK.fullmatch(cell))),
        ("date", lambda cell: is_date(cell)),
    ):
        if sum(map(test, cells)) > 0.7 * len(cells):
            return kind
    return "text"


def look_at(folder: Path) -> list[Look]:
    """Every file of a folder and the folders in it, by name."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    names = [path.relative_to(folder).as_posix() for path in files]
    return [
        _one(path, name)
        for path, name in zip(files, names, strict=True)
        if not name.startswith(OWN) and "/crops/" not in name
    ]


def _one(path: Path, name: str) -> Look:
    head = path.open("rb")
    with head:
        start = head.read(4096)
    if path.name.startswith("~$"):
        return Look(name, "nothing", "left behind by an open workbook")
    if not start.strip():
        return Look(name, "nothing", "the file is empty")
    if start.startswith(b"%PDF"):
        return _pdf(path, name)
    if start[:4] == b"\x89PNG" or start[:3] == b"\xff\xd8\xff" or start[:2] in (b"II", b"MM"):
        return Look(name, "picture", f"a photo, or the scan of a bill. {scans.remedy()}")
    try:
        source = open_source(path, Findings(name))
    except InputRefused as error:
        what = "XML" if b"<?xml" in start else "nothing"
        if b"espi" in start:
            return Look(name, "interval data", "XML of the ESPI standard with interval readings")
        return Look(name, what, error.problems[0].found)
    if b"espi" in start:
        return Look(name, "interval data", "XML of the ESPI standard with interval readings")
    if own := _of_this_program(source.text):
        return Look(name, own, "TOML with the tables that this program knows", text="")
    try:
        grids = _grids(path, name, source)
    except InputRefused as error:
        return Look(name, "nothing", error.problems[0].found)
    known = [grid for grid in grids if grid.what != "other"]
    if known:
        return Look(name, " and ".join(dict.fromkeys(g.what for g in known)), _why(known), grids)
    return _words(name, source.text)


def _of_this_program(text: str) -> str:
    """A case, or a rate schedule, of this program; "" for anything else."""
    if "[case]" not in text and "[schedule]" not in text:
        return ""
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return ""
    return "case" if "case" in tree else "rate schedule" if "schedule" in tree else ""


def _pdf(path: Path, name: str) -> Look:
    try:
        sheets = read_sheets(path, pictures=False)
    except PageFault as fault:
        return Look(name, "PDF that cannot be read", f"{fault}. {fault.remedy}")
    labels = " ".join(atom.label for sheet in sheets for atom in sheet.atoms)
    hits = [meaning for meaning, words in meanings("bill").items() if word_in(labels, words)]
    what = "bill" if len(hits) >= 5 else "PDF"
    return Look(name, what, f"{len(sheets)} pages with text that speak of {', '.join(hits[:6])}")


def _grids(path: Path, name: str, source: Source) -> list[Grid]:
    text, workbook = source.text, bool(source.book)
    sheets = sheet_names(source.book, Findings(name)) if workbook else [None]
    found = []
    for sheet in sheets:
        findings = Findings(name)
        expected = [] if workbook else _header(text)
        try:
            table = table_of(path, findings, sheet=sheet, expected=expected)
        except InputRefused:
            continue
        if len(table.header) > 1 and table.rows:
            grid = Grid(name, sheet, table)
            last = table.header_line - 1
            if workbook and last:
                top = first_rows(source.book, sheet, last)
                grid.above = " ".join(str(cell) for row in top for cell in row if cell)
            elif last:
                grid.above = " ".join(
                    line.rstrip("\r\n") for line in islice(io.StringIO(text), last)
                )
            grid.problems = [p for p in findings.problems if p.severity == "refused"]
            found.append(grid)
    return found


def _header(text: str) -> list[str]:
    """Names of the first row of words as wide as the rows of numbers below it."""
    lines = list(islice(io.StringIO(text), HEAD))
    delimiter = find_delimiter(lines)
    rows = [line.rstrip("\r\n").split(delimiter) for line in lines if line.strip()]
    data = [any(cell_number(cell) is not None for cell in row) and len(row) > 1 for row in rows]
    first = next((n for n, (one, two) in enumerate(pairwise(data)) if one and two), 0)
    if not first:
        return []
    top = first - 1  # names may have a row of units under them
    if top and len(rows[top - 1]) == len(rows[top]) and not data[top - 1]:
        top -= 1
    return [cell.strip().strip('"') for cell in rows[top] if cell.strip()]


def _why(grids: Sequence[Grid]) -> str:
    told = []
    for grid in grids:
        names = ", ".join(repr(name) for name in grid.table.header if name)
        sheet = f"sheet {grid.sheet!r}: " if grid.sheet else ""
        told.append(f"{sheet}{len(grid.table.rows):,} rows of {names}")
        if grid.problems:
            told.append(f"refused as it stands: {grid.problems[0]}")
    return "; ".join(told)


def _words(name: str, text: str) -> Look:
    even = normalise(text)
    if even.startswith(("<!doctype html", "<html")):
        return Look(name, "web page", "HTML")
    hits = [word for word in meanings("ordinance")["rates"] if word in even]
    if len(hits) >= 2 and re.search(r"\d", even):
        why = f"prose that speaks of {', '.join(hits)}: write it with 'sewer-audit start --rates'"
        return Look(name, "ordinance", why, text=text)
    if (len(text) < 20_000 and text.isprintable()) or "\n" in text:
        return Look(name, "note", f"{len(text.split())} words", text=text)
    return Look(name, "nothing", "no table and no words that are known")
