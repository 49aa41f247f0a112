"""Printed bills: a layout learned from one typed bill, the others read by it and checked.

A value is found by the label left of it, the label above it and its place; it counts as sure only
where a label decides or the arithmetic of the page confirms it. What contradicts is asked: "printed
so?". Nothing is put right.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cache
from importlib import resources

import numpy as np

from sewer_audit.drafting.pages import Atom, Sheet, number_of
from sewer_audit.records.bills.carried import carried_words
from sewer_audit.records.clock.stamps import StampFault, parse_stamp

CODES = ("account", "invoice", "meter")
DATES = ("start", "end", "bill_date", "due_date")
MARGIN = 1.5
"""How far the best place must stand before the second to be sure [-] (judgement)."""
ENOUGH = 2.5
"""Least score of a place [-] (judgement): one label, or order and place together."""


@cache
def meanings(subject: str) -> dict[str, tuple[str, ...]]:
    """Words by which columns and labels are known, from the table of words."""
    text = resources.files("sewer_audit.drafting").joinpath("words.csv").read_text("utf-8")
    rows = csv.DictReader(text.splitlines())
    found = {row["meaning"]: tuple(row["words"].split("|")) for row in rows
             if row["subject"] == subject}  # fmt: skip
    if subject == "bill":  # what is carried over the reader of invoices knows by the same words
        words = {role: tuple(w.removesuffix(" …") for w in each)
                 for role, each in carried_words().items()}  # fmt: skip
        found |= {"previous_balance": words["previous_balance"], "payments": words["payment"]}
    return found


def stem(name: str) -> str:
    """A field without the number of its meter: usage.2 is usage."""
    return name.split(".")[0] if not name.startswith("line:") else name


CLEAR = 0.2
"""By how much labels must fit better under one order of dates than the other [-] (judgement)."""


def kind_of(name: str) -> str:
    """Whether a field is a code, a date or a number."""
    return "code" if stem(name) in CODES else "date" if stem(name) in DATES else "number"


@dataclass(frozen=True)
class Reading:
    """How the values of a layout are written."""

    decimal: str
    day_first: bool | None

    def value(self, atom: Atom, kind: str) -> str | None:
        """An atom as canonical text, or None where it is not of the kind."""
        if kind == "code":
            return atom.text if atom.kind in ("code", "number") else None
        if kind == "date":
            if atom.kind != "date":
                return None
            try:
                return parse_stamp(atom.text, self.day_first).moment.date().isoformat()
            except StampFault:
                return None
        number = number_of(atom.text, self.decimal) if atom.kind == "number" else None
        return None if number is None else format(number.normalize(), "f")

    def places(self, atom: Atom) -> int:
        """Digits behind the decimal mark."""
        digits = "".join(sign for sign in atom.text if sign.isdigit() or sign == self.decimal)
        return len(digits.partition(self.decimal)[2])


Trail = tuple[int, str, str]
"""How many values stand between, the first label met, the label after it."""


def _trail(atoms: Sequence[Atom]) -> Trail:
    count = 0
    for place, atom in enumerate(atoms):
        if atom.kind == "label" and atom.label:
            after = atoms[place + 1] if place + 1 < len(atoms) else None
            return count, atom.label, after.label if after and after.kind == "label" else ""
        count += 1
    return count, "", ""


@dataclass(frozen=True)
class Anchor:
    """Where the typed bill has a field.

    Units: box [point].
    """

    name: str
    sheet: int
    box: tuple[float, float, float, float]
    left: Trail
    above: Trail
    places: int

    def score(self, left: Trail, above: Trail, box, shift: tuple[float, float]) -> float:
        """How well a place fits; up to 8.5."""
        fit = _alike(self.left, left, 3.0) + _alike(self.above, above, 2.5)
        if self.left[0] == left[0] == 0 and self.left[1] != left[1] and self.left[1] and left[1]:
            fit -= 3.0  # the words beside the figure are other words
        sides = [abs(self.box[side] + shift[0] - box[side]) for side in (0, 2)]
        off = min(sides) + abs(self.box[1] + shift[1] - box[1])
        return fit + 2.0 * float(np.exp(-off / 25))


def _alike(one: Trail, other: Trail, weight: float) -> float:
    if not one[1] or not other[1]:
        return weight / 4 if one[:2] == other[:2] else 0.0
    if one[1] != other[1]:
        return 0.0
    if one[0] != other[0]:
        return weight / 6
    return weight + (0.5 if one[2] and one[2] == other[2] else 0.0)


@dataclass
class Figure:
    """One figure of a bill: value, text, place and what is doubted.

    Units: box [point], from the lower left corner of the page.
    """

    field: str
    value: str
    text: str
    page: int
    box: tuple[float, float, float, float]
    doubt: str = ""
    confirmed: bool = False
    by: str = ""

    @property
    def told_by(self) -> str:
        """What vouches for the figure."""
        return self.by or ("open" if self.doubt else "arithmetic" if self.confirmed else "label")


@dataclass
class ReadBill:
    """One bill as read; `faults` concern the whole of it, `doubts` a field that was not found.

    scanned: read from a picture, so that no figure counts before a person confirmed it.
    """

    file: str
    pages: tuple[int, ...]
    figures: dict[str, Figure] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    doubts: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    scanned: bool = False

    @property
    def place(self) -> str:
        """File and first page."""
        return f"{self.file}, page {self.pages[0]}"

    def value(self, name: str) -> str | None:
        """Canonical text of a field, or None."""
        return self.figures[name].value if name in self.figures else None

    def number(self, name: str) -> Decimal | None:
        """A field as a number, or None."""
        text = self.value(name)
        return None if text is None else Decimal(text)

    @property
    def questions(self) -> dict[str, str]:
        """What has to be asked, by field."""
        told = {name: figure.doubt for name, figure in self.figures.items() if figure.doubt}
        return {**told, **self.doubts}


@dataclass
class Layout:
    """What was learned from one typed bill."""

    sheets: list[Sheet]
    anchors: dict[str, Anchor]
    reading: Reading
    account: str
    missing: dict[str, str]
    name: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)

    @property
    def lines(self) -> list[str]:
        """Names of the charge lines."""
        return [name for name in self.anchors if name.startswith("line:")]


# --- learning -------------------------------------------------------------------------------------


def learn(
    sheets: list[Sheet],
    typed: Mapping[str, str],
    others: Sequence[Sheet] = (),
    day_first: bool | None = None,
) -> Layout:
    """Find what a person typed of one bill on its pages.

    typed: field to canonical text (dates as 2026-03-31, numbers with a point); `others` are
    pages of further bills, looked at for the order of dates only; day_first is that order where the
    person states it. Fields that are not found stand
    in `missing` with the reason.
    """
    atoms = [atom for sheet in sheets for atom in sheet.atoms]
    reading = _reading_of(atoms, typed, [atom for sheet in others for atom in sheet.atoms])
    if day_first is not None:
        reading = Reading(reading.decimal, day_first)
    if reading.day_first is None:  # both orders have all dates: the labels beside them decide
        ways = [_learned(sheets, typed, Reading(reading.decimal, first)) for first in (True, False)]
        if abs(ways[0][1] - ways[1][1]) > CLEAR:
            return max(ways, key=lambda way: way[1])[0]
    return _learned(sheets, typed, reading)[0]


def _learned(
    sheets: list[Sheet], typed: Mapping[str, str], reading: Reading
) -> tuple[Layout, float]:
    """The layout under one way to read, and how well labels name its fields."""
    atoms = [atom for sheet in sheets for atom in sheet.atoms]
    fields = [name for name, text in typed.items() if text]
    fits = np.zeros((len(fields), len(atoms)))
    for row, name in enumerate(fields):
        for column, atom in enumerate(atoms):
            if _same(reading.value(atom, kind_of(name)), typed[name], kind_of(name)):
                sheet = sheets[atom.sheet - sheets[0].number]
                fits[row, column] = 1 + _known(name, _trail(sheet.left_of(atom)), 1.0)
                fits[row, column] += _known(name, _trail(sheet.above(atom)), 1.0)
    fits += _of_one_line(fields, atoms, fits)
    anchors, missing = {}, {}
    for row, column in _assign(fits):
        name, atom = fields[row], atoms[column]
        sheet = sheets[atom.sheet - sheets[0].number]
        place = atom.sheet - sheets[0].number
        trails = (_trail(sheet.left_of(atom)), _trail(sheet.above(atom)))
        anchors[name] = Anchor(name, place, atom.box, *trails, reading.places(atom))
    for name in fields:
        if name not in anchors:
            missing[name] = f"{typed[name]!r} stands nowhere on the page"
    told = {name: typed[name] for name in fields}
    fit = float(sum(fits[row, column] for row, column in _assign(fits)))
    return Layout(sheets, anchors, reading, typed.get("account", ""), missing, typed=told), fit


def _same(found: str | None, typed: str, kind: str) -> bool:
    if found is None:
        return False
    if kind == "number":
        try:
            return Decimal(found) == Decimal(typed)
        except ArithmeticError:
            return False
    return found == typed


def _known(name: str, trail: Trail, weight: float) -> float:
    """How well the label of a place names a field; the longest word that is met counts."""
    if name.startswith("line:"):
        same = trail[1] and trail[1] == " ".join(name[5:].split()).casefold()
        return 3 * weight if same else 0.0
    words = meanings("bill").get(stem(name), ())
    spoken = [f" {label.replace('(', ' ').replace('.', ' ').replace(',', ' ')} "
              for label in (trail[1], f"{trail[2]} {trail[1]}") if label]  # fmt: skip
    hits = [len(word) / max(len(label.strip()), 1) for label in spoken for word in words
            if f" {word} " in label]  # fmt: skip
    return weight * max(hits, default=0.0) / (1 + 0.1 * trail[0])


def _of_one_line(fields, atoms, fits) -> np.ndarray:
    """Reads, multiplier and usage of one meter mostly stand on one line."""
    bonus = np.zeros_like(fits)
    group = ("meter", "previous_read", "current_read", "multiplier", "usage")
    lines: dict[tuple[int, int], int] = {}
    for row, name in enumerate(fields):
        if stem(name) in group:
            for key in {(atoms[c].sheet, atoms[c].line) for c in np.flatnonzero(fits[row])}:
                lines[key] = lines.get(key, 0) + 1
    for row, name in enumerate(fields):
        if stem(name) in group:
            for column in np.flatnonzero(fits[row]):
                count = lines[(atoms[column].sheet, atoms[column].line)]
                bonus[row, column] = 0.4 * min(count, 4) / 4
    return bonus


def _assign(fits: np.ndarray) -> list[tuple[int, int]]:
    """Each row one column of its own, the sum of fits as large as can be; no fit is no place."""
    from scipy.optimize import linear_sum_assignment

    if not fits.size:
        return []
    rows, columns = linear_sum_assignment(fits, maximize=True)
    return [(int(r), int(c)) for r, c in zip(rows, columns, strict=True) if fits[r, c] > 0]


def _reading_of(atoms, typed: Mapping[str, str], others: Sequence[Atom]) -> Reading:
    """Decimal mark and order of dates under which most of what was typed stands on the page."""
    counts = {}
    for mark in ".,":
        values = {Reading(mark, None).value(atom, "number") for atom in atoms}
        counts[mark] = sum(
            any(_same(found, text, "number") for found in values)
            for name, text in typed.items()
            if text and kind_of(name) == "number"
        )
    decimal = max(counts, key=lambda mark: (counts[mark], mark == "."))
    dates = {text for name, text in typed.items() if text and kind_of(name) == "date"}
    dated = [atom for atom in [*atoms, *others] if atom.kind == "date"]
    ways, fits = [], []
    for first in (True, False):
        reading = Reading(decimal, first)
        ways.append([reading.value(atom, "date") for atom in dated])
        fits.append((len(dates & {reading.value(atom, "date") for atom in atoms}),
                     -ways[-1].count(None)))  # fmt: skip
    even = fits[0] == fits[1] and ways[0] != ways[1]
    return Reading(decimal, None if even else fits[0] >= fits[1])


# --- reading --------------------------------------------------------------------------------------


def read_bill(layout: Layout, sheets: list[Sheet], file: str) -> ReadBill:
    """Read one bill by a learned layout."""
    numbers, scanned = [sheet.number for sheet in sheets], any(sheet.scanned for sheet in sheets)
    bill = ReadBill(file, tuple(numbers), scanned=scanned)
    shifts = [_shift(one, other) for one, other in zip(layout.sheets, sheets, strict=False)]
    atoms = [atom for sheet in sheets for atom in sheet.atoms if atom.kind != "label"]
    first = sheets[0].number
    trails = []
    for atom in atoms:
        sheet = sheets[atom.sheet - first]
        trails.append((_trail(sheet.left_of(atom)), _trail(sheet.above(atom))))
    names = list(layout.anchors)
    fits = np.zeros((len(names), len(atoms)))
    for row, name in enumerate(names):
        anchor, kind = layout.anchors[name], kind_of(name)
        for column, (atom, trail) in enumerate(zip(atoms, trails, strict=True)):
            if atom.sheet - first != anchor.sheet or layout.reading.value(atom, kind) is None:
                continue
            if kind == "number" and layout.reading.places(atom) != anchor.places:
                continue
            score = anchor.score(*trail, atom.box, shifts[anchor.sheet])
            fits[row, column] = score if score >= ENOUGH else 0.0
    taken = set()
    for row, column in _assign(fits):
        name, atom = names[row], atoms[column]
        rivals = np.delete(fits[row], column)
        best = fits[row, column]
        figure = Figure(name, str(layout.reading.value(atom, kind_of(name))), atom.text,
                        atom.sheet, atom.box)  # fmt: skip
        if rivals.size and best - rivals.max() < MARGIN:
            figure.doubt = "another place of the page fits as well; is this figure right?"
        elif not _decided(layout.anchors[name], trails[column]):
            figure.doubt = "no label decides, only the place; is this figure right?"
        if _sign_in_doubt(sheets[atom.sheet - first], atom):
            figure.doubt = "a minus sign stands beside the figure; is its sign right?"
        bill.figures[name] = figure
        taken.add(column)
    _new_lines(layout, sheets, atoms, taken, bill)
    for name in names:
        if name not in bill.figures:
            bill.doubts[name] = "not found on the page"
    return bill


def _decided(anchor: Anchor, trail: tuple[Trail, Trail]) -> bool:
    pairs = zip((anchor.left, anchor.above), trail, strict=True)
    return any(one[1] and one[:2] == other[:2] for one, other in pairs)


def _sign_in_doubt(sheet: Sheet, atom: Atom) -> bool:
    line = sheet.of_line[atom.line]
    at = line.index(atom)
    return atom.kind == "number" and any(
        each.kind == "label" and each.text in ("-", "−") for each in line[max(at - 1, 0) : at + 2]
    )


def _shift(one: Sheet, other: Sheet) -> tuple[float, float]:
    """How far the words that both pages hold once have moved."""
    places: list[dict[str, list]] = []
    for sheet in (one, other):
        found: dict[str, list] = {}
        for atom in sheet.atoms:
            if atom.kind == "label":
                found.setdefault(atom.label, []).append(atom.box)
        places.append({label: boxes[0] for label, boxes in found.items() if len(boxes) == 1})
    both = [
        (places[1][label][0] - box[0], places[1][label][1] - box[1])
        for label, box in places[0].items()
        if label in places[1]
    ]
    return tuple(np.median(np.array(both or [(0.0, 0.0)]), axis=0).tolist())  # type: ignore[return-value]


def _new_lines(layout: Layout, sheets, atoms, taken, bill: ReadBill) -> None:
    """Amounts between the charge lines and the total that the typed bill does not have."""
    known = [bill.figures[name] for name in layout.lines if name in bill.figures]
    total = bill.figures.get("total")
    if not known:
        return
    page, edge = known[0].page, float(np.median([each.box[2] for each in known]))
    top = max(each.box[1] for each in known)
    low = total.box[1] if total and total.page == page else min(each.box[1] for each in known)
    if low > top:
        low = min(each.box[1] for each in known) - 1
    for column, atom in enumerate(atoms):
        inside = atom.sheet == page and low < atom.box[1] < top
        if column in taken or not inside or abs(atom.box[2] - edge) > 14:
            continue
        value = layout.reading.value(atom, "number")
        label = _trail(sheets[page - sheets[0].number].left_of(atom))
        if value is None or not label[1] or label[0]:
            continue
        words = next(a.text for a in sheets[page - sheets[0].number].left_of(atom)
                     if a.kind == "label")  # fmt: skip
        bill.figures[f"line:{words}"] = Figure(
            f"line:{words}", value, atom.text, page, atom.box,
            "a line that the typed bill does not have; is it a charge of this bill?",
        )  # fmt: skip
