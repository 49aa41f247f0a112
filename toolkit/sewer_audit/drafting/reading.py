"""A folder of PDF bills to a table of invoices, every figure with its page, box and picture."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import html
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from pathlib import Path

from sewer_audit.drafting.bills import (
    CODES,
    DATES,
    Figure,
    Layout,
    ReadBill,
    learn,
    meanings,
    read_bill,
    stem,
)
from sewer_audit.drafting.checking import refuse_account, settle_run
from sewer_audit.drafting.pages import (
    PICTURES,
    PageFault,
    Sheet,
    picture_of_page,
    read_sheets,
)
from sewer_audit.errors import InputRefused, Problem

TYPED = "typed_bills.csv"
"""The file in which a person types one bill of each layout."""
COLUMNS = (
    "file,account,invoice,start,end,previous_read,current_read,multiplier,usage,billed_volume,rate,"
    "Base charge,Volume charge,total"
).split(",")
SCALE = 2.0
"""Size of the pictures of figures [pixel per point] (judgement)."""
FOREIGN = 0.4
"""Share of fields not found beyond which a bill is of another layout [-] (judgement)."""


@dataclass
class BillsRead:
    """What came of a folder of bills.

    whole: bills without an open question; asked: bills with one; left_out: file or file and page to
    the reason why nothing was read of it.
    """

    out: Path
    whole: list[ReadBill] = field(default_factory=list)
    asked: list[ReadBill] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        questions = sum(len(bill.questions) for bill in self.asked)
        text = [f"{len(self.whole)} bills read whole: {self.out.name}/invoices.csv"]
        if self.asked:
            text.append(
                f"{len(self.asked)} bills with {questions} open questions, not in invoices.csv: "
                f"{self.out.name}/questions.csv and questions.html. Write yes, or the right "
                "figure, under answer, and run the command again"
            )
        text += [f"left out: {place}: {why}" for place, why in self.left_out.items()]
        return "\n".join([*text, *self.notes])


def read_bills(folder: str | Path, out: str | Path | None = None) -> BillsRead:
    """Read every PDF bill of a folder by the bills that a person typed.

    Parameters
    ----------
    folder : str or Path
        Folder with the bills and `typed_bills.csv`, one row for each layout [-].
    out : str or Path, optional
        Folder to write to: invoices.csv, figures.csv, questions.csv and the pictures; `read` in
        the folder of the bills if left out [-].

    Raises
    ------
    InputRefused
        If no bill is typed yet (a form is written then) or what was typed does not stand on its
        page.
    """
    folder = Path(folder)
    target = Path(out) if out else folder / "read"
    kinds = (".pdf", *PICTURES)
    files = sorted(p for p in folder.rglob("*") if p.suffix.lower() in kinds and p.is_file()
                   and target not in p.parents)  # fmt: skip
    result = BillsRead(target)
    sheets = _open_all(folder, files, result)
    layouts = _layouts(folder, sheets)
    pairs = [pair for name, pages in sheets.items()
             for pair in _of_file(name, pages, layouts, result)]  # fmt: skip
    bills = [bill for _, bill in pairs]
    settle_run(pairs, layouts[0].account)
    _answers(target, bills)
    for bill in bills:
        if bill.scanned and "account" not in bill.questions:
            refuse_account(bill, layouts[0].account)
        place = bill.file if len(bill.pages) == len(sheets[bill.file]) else bill.place
        if bill.faults:
            result.left_out[place] = "; ".join(bill.faults)
        else:
            (result.asked if bill.questions else result.whole).append(bill)
        result.notes += [f"note: {place}: {note}" for note in bill.notes]
    _write(folder, result, layouts)
    return result


def _open_all(folder: Path, files: Sequence[Path], result: BillsRead) -> dict[str, list[Sheet]]:
    sheets: dict[str, list[Sheet]] = {}
    seen: dict[str, str] = {}
    for file in files:
        name = file.relative_to(folder).as_posix()
        same = seen.setdefault(hashlib.sha256(file.read_bytes()).hexdigest(), name)
        if same != name:
            result.left_out[name] = f"a copy of {same}"
            continue
        try:
            sheets[name] = read_sheets(file)
        except PageFault as fault:
            page = f", page {fault.page}" if fault.page else ""
            result.left_out[name + page] = f"{fault}. {fault.remedy}"
    return sheets


# --- what was typed -------------------------------------------------------------------------------


def _layouts(folder: Path, sheets: Mapping[str, list[Sheet]]) -> list[Layout]:
    """Learn every typed bill; refuse what was typed and does not stand on its page."""
    typed = folder / TYPED
    if not typed.exists():
        if not sheets:
            raise InputRefused([Problem(folder.name, "no PDF with text lies in this folder",
                                        "Name the folder that holds the bills")])  # fmt: skip
        choice = max(sheets, key=lambda name: len({a.text for s in sheets[name] for a in s.atoms}))
        with typed.open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream).writerows([COLUMNS, [choice] + [""] * (len(COLUMNS) - 1)])
        remedy = (
            f"Type the figures of one bill there, {choice!r} or another: dates as 2026-03-31, "
            "numbers with a point and no separator; name each charge column as the bill names the "
            "line, leave empty what the bill does not print, one row for each layout"
        )
        raise InputRefused([Problem(TYPED, "no bill was typed yet; a form is written", remedy)])
    with typed.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    problems: list[Problem] = []
    layouts = []
    for line, row in enumerate(rows, start=2):
        name = (row.get("file") or "").strip().replace("\\", "/")
        if name not in sheets:
            found = f"{name!r} is no bill of this folder that can be read"
            problems.append(Problem(TYPED, found, "Name one of the PDF files", line, "file"))
            continue
        fields = _typed(row, line, problems)
        others = [sheet for pages in sheets.values() for sheet in pages]
        pages = sheets[name]
        order = {"true": True, "false": False}.get((row.get("day_first") or "").strip().lower())
        layout = learn(pages, fields, others, order)
        layout.name = name
        scanned = any(sheet.scanned for sheet in pages)  # what it misses there is asked later
        missing = {} if scanned else {name.removeprefix("line:"): f"{why} of {layout.name}"
                                      for name, why in layout.missing.items()}  # fmt: skip
        if not fields.get("account"):
            missing["account"] = "no account is typed: a bill of another could not be told"
        open_order = layout.reading.day_first is None and any(stem(n) in DATES for n in fields)
        for field_name, why in missing.items():
            dated = stem(field_name) in DATES
            remedy = (
                "Type the day that the bill prints, written as 2026-03-31"
                if dated
                else ("Type it as the bill prints it")
            )
            if not (dated and open_order):
                problems.append(Problem(TYPED, why, f"{remedy}, or leave out what it does not "
                                        "print", line, field_name))  # fmt: skip
        if open_order:
            found = "the dates of these bills fit both orders"
            remedy = "Add a column day_first to this table and write true or false in it"
            problems.append(Problem(TYPED, found, remedy, line, "start"))
        layouts.append(layout)
    if problems or not layouts:
        raise InputRefused(problems or [Problem(TYPED, "no row is filled", "Type one bill")])
    return layouts


def _typed(row: Mapping[str, str], line: int, problems: list[Problem]) -> dict[str, str]:
    known = {*meanings("bill")}
    fields = {}
    for column, text in row.items():
        if column in (None, "", "file", "day_first") or not (text or "").strip():
            continue
        name = column.strip() if stem(column.strip()) in known else f"line:{column.strip()}"
        fields[name] = _canonical(name, text.strip(), line, column, problems)
    return fields


def _canonical(name: str, text: str, line: int | None, column: str, problems) -> str:
    """Text of a person as figures are kept: dates as 2026-03-31, numbers without trailing zeros."""
    if stem(name) in CODES:
        return text
    try:
        if stem(name) in DATES:
            return dt.date.fromisoformat(text).isoformat()
        return format(Decimal(text).normalize(), "f")
    except (ValueError, InvalidOperation):
        right = "a date as 2026-03-31" if stem(name) in DATES else "a number as 1234.50"
        problems.append(Problem(TYPED, f"{text!r} cannot be read", f"Write {right}", line, column))
        return text


# --- one file -------------------------------------------------------------------------------------


def _of_file(name: str, pages: list[Sheet], layouts: Sequence[Layout], result: BillsRead):
    """The bills of one file, each by the layout that fits best; told where there are several."""
    best: list[tuple[Layout, ReadBill]] = []
    fewest = 2.0
    for layout in layouts:
        size = len(layout.sheets)
        if len(pages) % size:
            continue
        groups = [pages[at : at + size] for at in range(0, len(pages), size)]
        read = [read_bill(layout, group, name) for group in groups]
        weak = sum(len(bill.questions) for bill in read)
        lost = weak / (len(read) * max(len(layout.anchors), 1))
        if lost < fewest:
            best, fewest = [(layout, bill) for bill in read], lost
    if not best:
        sizes = " or ".join(sorted({str(len(layout.sheets)) for layout in layouts}))
        result.left_out[name] = (
            f"{len(pages)} pages, where a typed bill has {sizes}. Type this bill too, or split the "
            "file so that each holds one bill"
        )
    elif fewest > FOREIGN:
        result.left_out[name] = f"another layout than the typed bills. Add a row for it to {TYPED}"
        best = []
    elif len(best) > 1:
        numbers = [bill.value("invoice") for _, bill in best]
        if len(set(numbers)) < len(numbers) or None in numbers:
            result.left_out[name] = (
                f"{len(pages)} pages that do not each hold a bill of their own. Split the file so "
                "that each holds one bill"
            )
            best = []
        else:
            parts = ", ".join(f"page {bill.pages[0]}: {bill.value('invoice')}" for _, bill in best)
            result.notes.append(f"note: {name} holds {len(best)} bills ({parts}), each was read")
    return best


# --- answers --------------------------------------------------------------------------------------


def _answers(target: Path, bills: Iterable[ReadBill]) -> None:
    """Adopt what a person answered in questions.csv of an earlier run."""
    file = target / "questions.csv"
    if not file.exists():
        return
    by_place = {bill.place: bill for bill in bills}
    problems: list[Problem] = []
    with file.open(encoding="utf-8-sig", newline="") as stream:
        for line, row in enumerate(csv.DictReader(stream), start=2):
            answer, bill = (row.get("answer") or "").strip(), by_place.get(row.get("bill", ""))
            name = row.get("field", "")
            if not answer or bill is None or name not in bill.questions:
                continue
            figure = bill.figures.get(name)
            if figure is not None and figure.value != row.get("read"):
                continue  # the figure was read otherwise then: asked again
            if answer.casefold() in ("yes", "y", "ja", "sí", "si"):
                if figure is None:
                    if name.startswith("line:"):
                        del bill.doubts[name]
                    continue
                figure.doubt, figure.by = "", "person"
                continue
            value = _canonical(name, answer, line, "answer", problems)
            box = figure.box if figure else (0.0, 0.0, 0.0, 0.0)
            text, page = (figure.text, figure.page) if figure else ("", bill.pages[0])
            bill.figures[name] = Figure(name, value, text, page, box, by="person")
            bill.doubts.pop(name, None)
    if problems:
        raise InputRefused([Problem("questions.csv", p.found, p.remedy, p.line, "answer")
                            for p in problems])  # fmt: skip


# --- writing --------------------------------------------------------------------------------------


def _write(folder: Path, result: BillsRead, layouts: Sequence[Layout]) -> None:
    out = result.out
    out.mkdir(parents=True, exist_ok=True)
    bills = [*result.whole, *result.asked]
    crops = _crops(folder, out, bills)
    hashes = {bill.file: hashlib.sha256((folder / bill.file).read_bytes()).hexdigest()
              for bill in bills}  # fmt: skip
    rows, asked = [], []
    for bill in bills:
        beside = Path(os.path.relpath(folder / bill.file, out)).as_posix()
        for name, figure in bill.figures.items():
            crop, box = crops.get((bill.place, name), ""), [round(x, 1) for x in figure.box]
            told = [bill.value("invoice"), name, figure.value, figure.text]
            where = [beside, hashes[bill.file], figure.page, *box, crop, figure.told_by]
            rows.append([*told, *where])
        for name, words in bill.questions.items():
            asked.append([bill.place, name, bill.value(name) or "", words,
                          crops.get((bill.place, name), ""), ""])  # fmt: skip
    head = "invoice,field,value,printed,file,sha256,page,x0,y0,x1,y1,crop,told_by"
    _table(out / "figures.csv", head, rows)
    _table(out / "questions.csv", "bill,field,read,question,crop,answer", asked)
    (out / "questions.html").write_text(_page(asked), encoding="utf-8")
    _table(out / "invoices.csv", *_invoices(result, layouts))


def _invoices(result: BillsRead, layouts: Sequence[Layout]) -> tuple[str, list[list]]:
    """Whole bills as the case reads them; reads only where the bills print one meter."""
    whole = sorted(result.whole, key=lambda bill: (str(bill.value("start")), bill.place))
    one = not any("previous_read.2" in layout.anchors for layout in layouts)
    names = ["invoice", "start", "end"]
    names += [n for n in ("previous_read", "current_read") if one]
    printed = [n for n in ("read_type", "bill_date") if any(n in one.anchors for one in layouts)]
    names += printed
    names.append("billed_volume")
    lines = list(dict.fromkeys(n for b in whole for n in b.figures if n.startswith("line:")))
    rows = [[bill.value(name) or "" for name in [*names, *lines, "total"]] for bill in whole]
    if not one and whole:
        result.notes.append("note: the bills print several meters; their reads stand in "
                            "figures.csv, not in invoices.csv")  # fmt: skip
    head = [*names, *(line.removeprefix("line:") for line in lines), "total"]
    return head, rows  # type: ignore[return-value]


def _table(path: Path, head: str | Sequence[str], rows: Sequence[Sequence]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(head.split(",") if isinstance(head, str) else head)
        writer.writerows(rows)


def _crops(folder: Path, out: Path, bills: Sequence[ReadBill]) -> dict[tuple[str, str], str]:
    """A picture of every figure with a little around it."""
    (out / "crops").mkdir(exist_ok=True)
    names: dict[tuple[str, str], str] = {}
    for bill in bills:
        pictures: dict[int, tuple] = {}
        for place, (name, figure) in enumerate(bill.figures.items(), start=1):
            if figure.box == (0.0, 0.0, 0.0, 0.0):
                continue
            if figure.page not in pictures:
                pictures[figure.page] = picture_of_page(folder / bill.file, figure.page, SCALE)
            picture, (width, height) = pictures[figure.page]
            left, low, right, high = figure.box
            edges = (left - 90, height - high - 6, right + 12, height - low + 6)
            scale = picture.size[0] / width
            cut = picture.crop(tuple(max(0, round(scale * edge)) for edge in edges))
            stem_ = hashlib.sha256(f"{bill.place}/{name}".encode()).hexdigest()[:10]
            file = f"crops/{bill.value('invoice')}_{place:02d}_{stem_}.png"
            file = "".join(c if c.isalnum() or c in "/._-" else "_" for c in file)
            cut.save(out / file)
            names[(bill.place, name)] = file
    return names


def _page(asked: Sequence[Sequence[str]]) -> str:
    """The open questions with their pictures."""
    rows = "".join(
        "<tr>" + "".join(f"<td>{html.escape(str(cell))}</td>" for cell in row[:4])
        + (f'<td><img src="{html.escape(row[4])}" alt=""></td>' if row[4] else "<td></td>")
        + "</tr>"
        for row in asked
    )  # fmt: skip
    return (
        '<!doctype html><meta charset="utf-8"><title>Open questions</title>'
        "<style>body{font:14px sans-serif;margin:2em}td,th{padding:4px 12px;text-align:left;"
        "border-bottom:1px solid #ccc}</style><h1>Figures to confirm</h1><p>Answer in "
        "questions.csv: yes, or the figure as printed.</p><table><tr><th>bill<th>field<th>read"
        f"<th>question<th>picture</tr>{rows}</table>"
    )
