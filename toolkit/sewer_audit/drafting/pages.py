"""What stands on the pages of a PDF: words with boxes, cut into values and labels by gaps.

Nothing is cut by a pattern over a line of text. Signs of one baseline are one word until a space or
a gap; words are one cell until a gap wider than `GAP` of their height; in a cell, a date or a
number is a value and the words between values are labels.
"""

from __future__ import annotations

import ctypes
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Any

from sewer_audit.drafting import scans
from sewer_audit.records.clock.stamps import StampFault, parse_stamp
from sewer_audit.records.files.numbers import parse_decimal

PICTURES = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
WIDTH = 612.0
"""Width a page is taken to have that is a picture alone [point]."""
FINE = 200 / 72
"""Size at which a page is drawn to be read as a picture [pixel per point] (judgement)."""

GAP = 0.75
"""Gap between two cells, as a share of the height of the type [-] (judgement)."""
MONEY = ("$", "US$", "€", "£", "EUR", "USD", "GBP", "CAD", "-$", "($", "-€", "-£")
BEHIND = ("CR", "Cr", "cr", "EUR", "€", "USD")


class PageFault(ValueError):
    """A file that cannot be read as a bill; `page` counts from 1, `remedy` says what to do."""

    def __init__(self, found: str, remedy: str, page: int | None = None):
        super().__init__(found)
        self.remedy, self.page = remedy, page


@dataclass(frozen=True)
class Word:
    """Signs without a space between them; box from the lower left corner in points."""

    text: str
    box: tuple[float, float, float, float]


@dataclass(frozen=True)
class Atom:
    """A value or a label with its place.

    Units: box [point], from the lower left corner of the page.

    kind: "date", "number", "code" (holds digits but is neither) or "label".
    """

    text: str
    box: tuple[float, float, float, float]
    kind: str
    sheet: int
    line: int

    @cached_property
    def label(self) -> str:
        """The words of a label made even."""
        return " ".join(self.text.split()).strip(" :.…").casefold()


def number_of(text: str, decimal: str) -> Decimal | None:
    """A number as bills print it, also with CR behind a credit; None if it is none."""
    written = text.strip()
    credit = written.upper().endswith("CR")
    written = written[:-2].strip() if credit else written
    written = re.sub(r"^-\s*(US\$|[$€£])\s*", r"\1-", written)
    try:
        value = parse_decimal(written, decimal)
    except ValueError:
        return None
    return -value if credit else value


class Sheet:
    """One page: its atoms and how it looks; `scanned` where they were read from a picture."""

    def __init__(
        self, number: int, words: Sequence[Word], size: tuple[float, float], scanned: bool = False
    ):
        self.number, self.size, self.scanned = number, size, scanned
        self.lines = _lines(words)
        self.atoms = [
            atom for place, line in enumerate(self.lines) for atom in _atoms(line, number, place)
        ]
        self.of_line: list[list[Atom]] = [[] for _ in self.lines]
        for atom in self.atoms:
            self.of_line[atom.line].append(atom)

    def left_of(self, atom: Atom) -> list[Atom]:
        """What stands left of an atom on its line, nearest first."""
        return [each for each in self.of_line[atom.line] if each.box[2] <= atom.box[0] + 1][::-1]

    def above(self, atom: Atom) -> list[Atom]:
        """What stands above an atom in its column, nearest first."""
        found = []
        for line in range(atom.line - 1, -1, -1):
            found += [
                each
                for each in self.of_line[line]
                if each.box[0] < atom.box[2] and each.box[2] > atom.box[0]
            ][:1]
        return found[:16]


def _lines(words: Sequence[Word]) -> list[list[Word]]:
    """Words of one baseline together, from the top."""
    lines: list[list[Word]] = []
    for word in sorted(words, key=lambda each: -each.box[1]):
        height = word.box[3] - word.box[1]
        if lines and abs(lines[-1][0].box[1] - word.box[1]) < 0.3 * height:
            lines[-1].append(word)
        else:
            lines.append([word])
    return [sorted(line, key=lambda each: each.box[0]) for line in lines]


def _atoms(line: Sequence[Word], sheet: int, place: int) -> list[Atom]:
    """Cells by gaps, then values and labels in each cell."""
    cells: list[list[Word]] = []
    for word in line:
        before = cells[-1][-1] if cells else None
        wide = before and word.box[0] - before.box[2] > GAP * (word.box[3] - word.box[1])
        if before is None or wide:
            cells.append([])
        cells[-1].append(word)
    atoms = []
    for cell in cells:
        at, label = 0, []
        while at < len(cell):
            taken, kind = _value(cell[at:])
            if kind:
                if label:
                    atoms.append(_joined(label, "label", sheet, place))
                atoms.append(_joined(cell[at : at + taken], kind, sheet, place))
                label = []
            else:
                label.append(cell[at])
            at += taken
        if label:
            atoms.append(_joined(label, "label", sheet, place))
    return atoms


def _value(words: Sequence[Word]) -> tuple[int, str]:
    """How many words from here are one value, and of what kind; (1, "") for a word of a label."""
    texts = [word.text for word in words[:4]]
    for count in (3, 1):
        joined = " ".join(texts[:count])
        dated = count == 1 or texts[0].isalpha() or (texts[1:2] and texts[1].isalpha())
        if len(texts) >= count and dated and is_date(joined):
            return count, "date"
    signs = next((n for n, text in enumerate(texts) if text not in MONEY), 0)
    if signs < len(texts) and re.search(r"\d", texts[signs]):
        count = signs + 1
        if count < len(texts) and texts[count] in BEHIND:
            count += 1
        if any(number_of(" ".join(texts[:count]), mark) is not None for mark in ".,"):
            return count, "number"
        if any(number_of(texts[0], mark) is not None for mark in ".,"):
            return 1, "number"
    return 1, "code" if re.search(r"\d", texts[0]) else ""


def is_date(text: str) -> bool:
    """Whether a text is a date in either order."""
    if not re.search(r"\d\D+\d|[A-Za-z]", text) or not re.search(r"\d", text):
        return False
    for day_first in (True, False):
        try:
            parse_stamp(text, day_first)
        except StampFault:
            continue
        return True
    return False


def _joined(words: Sequence[Word], kind: str, sheet: int, line: int) -> Atom:
    boxes = list(zip(*(word.box for word in words), strict=True))
    box = (min(boxes[0]), min(boxes[1]), max(boxes[2]), max(boxes[3]))
    return Atom(" ".join(word.text for word in words), box, kind, sheet, line)


def read_sheets(path: Path, pictures: bool = True) -> list[Sheet]:
    """Pages of a bill; PageFault where it is locked, damaged, or a picture that is not read."""
    if path.suffix.lower() in PICTURES:
        if not scans.can_read():
            raise PageFault("the file is a picture", scans.remedy(), 1)
        return [_scanned(path, 1)]
    with _opened(path) as document:
        sheets = []
        for place in range(len(document)):
            page = document[place]
            words = _words(page.get_textpage())
            if not words and not (pictures and scans.can_read()):
                found = "the page holds no text, it is a picture"
                raise PageFault(found, scans.remedy(), place + 1)
            sheets.append(Sheet(place + 1, words, page.get_size()) if words
                          else _scanned(path, place + 1))  # fmt: skip
        return sheets


def _opened(path: Path) -> Any:
    import pypdfium2

    try:
        return pypdfium2.PdfDocument(path)
    except pypdfium2.PdfiumError as error:
        if "assword" in str(error):
            raise PageFault(
                "the file is locked with a password",
                "Save a copy without a password, or type this bill",
            ) from None
        raise PageFault(
            "the file is no PDF that can be opened", "Ask for it again, or type this bill"
        ) from None


def _scanned(path: Path, number: int) -> Sheet:
    """A page that is a picture."""
    picture, size = picture_of_page(path, number, FINE)
    words = [Word(text, box) for text, box in scans.words_of(picture, size)]
    if not words:
        raise PageFault("no word was found in the picture", "Type this bill", number)
    return Sheet(number, words, size, scanned=True)


def picture_of_page(path: Path, number: int, scale: float) -> tuple[Any, tuple[float, float]]:
    """A page as a picture, and its size.

    Units: scale [pixel per point]; returns [point].
    """
    if path.suffix.lower() in PICTURES:
        from PIL import Image, UnidentifiedImageError

        try:
            picture = Image.open(path).convert("RGB")
        except (UnidentifiedImageError, OSError):
            raise PageFault("the picture cannot be opened", "Ask for it again", 1) from None
        return picture, (WIDTH, WIDTH * picture.size[1] / picture.size[0])
    with _opened(path) as document:
        page = document[number - 1]
        return page.render(scale=scale).to_pil(), page.get_size()


def _words(text) -> list[Word]:
    """Signs of a page gathered to words."""
    import pypdfium2.raw as raw

    words: list[Word] = []
    signs, boxes = "", []
    rectangle = raw.FS_RECTF()

    def close() -> None:
        nonlocal signs, boxes
        if signs:
            sides = list(zip(*boxes, strict=True))
            box = (min(sides[0]), min(sides[1]), max(sides[2]), max(sides[3]))
            words.append(Word(signs, box))
        signs, boxes = "", []

    for place in range(text.count_chars()):
        sign = chr(raw.FPDFText_GetUnicode(text, place))
        if sign.isspace() or raw.FPDFText_IsGenerated(text, place) == 1 or ord(sign) < 32:
            close()
            continue
        raw.FPDFText_GetLooseCharBox(text, place, ctypes.byref(rectangle))
        box = (rectangle.left, rectangle.bottom, rectangle.right, rectangle.top)
        if boxes:
            height = box[3] - box[1]
            apart = box[0] - boxes[-1][2]
            if abs(box[1] - boxes[-1][1]) > 0.3 * height or not -height < apart < 0.2 * height:
                close()
        signs += sign
        boxes.append(box)
    close()
    return words
