"""Two evidence folders held against each other: every leaf, every word, every number.

Numbers are the same if they agree to a billionth, or if both are nothing; between two versions of a
numerical library the last digits may differ. Everything else has to be the same sign by sign.
"""

from __future__ import annotations

import base64
import json
import re
import subprocess
import sys
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sewer_audit.report.folder.manifest import once

__all__ = ["Difference", "Tally", "compare_file", "compare_json", "leaves"]

CLOSE = 1e-9
"""Largest relative difference of two numbers that count as one [-]."""
NOTHING = 1e-9
"""Volumes [m3] and amounts of money below this are nothing, whatever their sign [-]."""
NO_SHARE = 1e-20
"""Any other figure below this is nothing: shares, probabilities, discharges [-]."""
SIZED = re.compile(
    r"_m3$|(^|_)(mean|low|high|standard_uncertainty|difference|amount|total|money|volume)$"
)
LARGEST = 200_000_000
"""Largest unpacked workbook that is read [bytes]."""
NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]+)*(?:[eE][-+]?[0-9]+)?")
READ_PRINT = (
    "import sys, pypdfium2 as p; out = sys.stdout.buffer.write; "
    "[out(s.get_textpage().get_text_range().encode()) for s in p.PdfDocument(sys.argv[1])]"
)
SECONDS = 120
"""Longest time for the words of a print [s]."""
INEXACT = re.compile(
    r"(?:0|[1-9][0-9]*|[1-9][0-9]{0,2}(?:,[0-9]{3})+)(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?"
)
"""Numbers whose last digits may differ; a whole number or a code has to be the same [-]."""
PICTURE = re.compile(
    r'data:image/[\w+.-]+;base64,[A-Za-z0-9+/=\s]*|<svg\b.*?</svg>|"iVBOR[^"]*"', re.S
)
MISSING = "nothing"


@dataclass(frozen=True)
class Difference:
    """One figure, word or picture that is not reproduced."""

    figure: str
    stated: Any
    recomputed: Any

    def __str__(self) -> str:
        return f"{self.figure}: stated {_short(self.stated)}, recomputed {_short(self.recomputed)}"


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 120 else f"{text[:100]} … ({len(text)} signs)"


@dataclass
class Tally:
    """What a comparison has found so far.

    pictures: those that another version of the drawing library drew and that were passed over.
    told: what else was not compared in full.
    """

    exact: int = 0
    close: int = 0
    differences: list[Difference] = field(default_factory=list)
    pictures: int = 0
    told: list[str] = field(default_factory=list)

    @property
    def figures(self) -> int:
        """How many were compared [-]."""
        return self.exact + self.close + len(self.differences)

    def hold(self, place: str, old: Any, new: Any) -> None:
        """Compare one leaf of JSON."""
        if type(old) is type(new) and old == new:
            self.exact += 1
        elif near(place, old, new):
            self.close += 1
        else:
            self.differences.append(Difference(place, old, new))


def near(place: str, old: Any, new: Any) -> bool:
    """Whether two numbers are one but for the rounding of the machine."""
    if any(isinstance(v, bool) or not isinstance(v, (int, float)) for v in (old, new)):
        return False
    floor = NOTHING if SIZED.search(re.sub(r"\[\d+\]$", "", place)) else NO_SHARE
    return abs(old - new) <= max(CLOSE * max(abs(old), abs(new)), floor)


def leaves(value: Any, place: str = "") -> Iterator[tuple[str, Any]]:
    """Every leaf of a JSON value under a place of its own; an empty list or table is a leaf."""
    if isinstance(value, dict) and value:
        for key, inner in value.items():
            name = repr(key) if {".", "[", "]"} & set(key) else key  # no two leaves of one place
            yield from leaves(inner, f"{place}.{name}" if place else name)
    elif isinstance(value, list) and value:
        for number, inner in enumerate(value):
            yield from leaves(inner, f"{place}[{number}]")
    else:
        yield place, value


MADE_UP = re.compile(r"\b[pm][0-9a-f]{10}\b|\bnode\d{8}\b")
"""Marks of the clip paths and markers of a drawing, and of the parts of a print [-]."""


def compare_json(tally: Tally, stated: Any, anew: Any, name: str = "") -> None:
    """Compare every leaf of two JSON values."""
    was, now = dict(leaves(stated)), dict(leaves(anew))
    for place in [*was, *(p for p in now if p not in was)]:
        where = f"{name}: {place}" if name else place
        tally.hold(where, was.get(place, MISSING), now.get(place, MISSING))


def compare_file(
    tally: Tally, stated: Path, anew: Path, redrawn: bool, said: Callable[[str], str]
) -> None:
    """Compare a page, a notebook, a workbook, a text or anything else; whole if it is the same."""
    name = stated.name
    old, new = stated.read_bytes(), anew.read_bytes()
    if old == new:
        tally.exact += 1
        return
    try:
        if name.endswith(".xlsx"):
            parts = _members(stated), _members(anew)
        elif name.endswith(".ipynb"):
            parts = _cells(old.decode()), _cells(said(new.decode()))
        elif name.endswith(".pdf") and len({*map(_printer, (old, new))}) > 1:
            parts = _words(stated), _words(anew)
            tally.told.append(f"{name} was printed by another program; its words were compared")
        elif name.endswith(".pdf"):
            parts = _prints(old), _prints(new)
        else:
            parts = {"": old.decode()}, {"": said(new.decode())}
    except (ValueError, zipfile.BadZipFile, zlib.error, NotImplementedError, RecursionError):
        tally.differences.append(Difference(name, "not readable", "readable"))
        return
    was, now = parts
    for place in [*was, *(p for p in now if p not in was)]:
        where = f"{name}, {place}" if place else name
        if place in was and place in now:
            _compare_text(tally, where, was[place], now[place], redrawn)
        else:
            tally.hold(where, was.get(place, MISSING)[:200], now.get(place, MISSING)[:200])


def _compare_text(tally: Tally, name: str, old: str, new: str, redrawn: bool) -> None:
    if old == new:
        tally.exact += 1
        return
    if redrawn:
        tally.pictures += len(PICTURE.findall(new))
        old, new = (PICTURE.sub("a picture", text) for text in (old, new))
    else:
        old, new = (PICTURE.sub(_drawing, text) for text in (old, new))
    words, numbers = NUMBER.split(old), NUMBER.findall(old)
    words_now, numbers_now = NUMBER.split(new), NUMBER.findall(new)
    if words == words_now and all(map(_alike, numbers, numbers_now)):
        tally.close += 1
        return
    at = next((k for k, pair in enumerate(zip(old, new, strict=False)) if pair[0] != pair[1]), 0)
    start = max(0, at - 40)
    tally.differences.append(Difference(name, old[start : at + 60], new[start : at + 60]))


def _by_turn(text: str) -> str:
    """Marks that a drawing or a print gives its parts, in place of each its turn: 1, 2, 3 ...

    They are made from the last digits of the points, or from how a printer counts.
    """
    turns: dict[str, str] = {}
    return MADE_UP.sub(lambda mark: turns.setdefault(mark[0], f"part {len(turns) + 1}"), text)


def _drawing(match: re.Match[str]) -> str:
    """A picture as the text of its drawing, so that its points can be compared."""
    text = match[0]
    if text.startswith("data:image/svg"):
        text = base64.b64decode(text.partition(",")[2]).decode("utf-8", "replace")
    return _by_turn(text) if "<svg" in text else text


def _alike(old: str, new: str) -> bool:
    if old == new:
        return True
    if not (INEXACT.fullmatch(old) and INEXACT.fullmatch(new) and {".", "e", "E"} & {*old, *new}):
        return False
    return near("", *(float(text.replace(",", "")) for text in (old, new)))


def _members(path: Path) -> dict[str, str]:
    """The parts of a workbook by name; the file may hold nothing before, between or behind them."""
    with zipfile.ZipFile(path) as book:
        entries, at = book.infolist(), 0
        if sum(entry.file_size for entry in entries) > LARGEST:
            raise ValueError("unpacks to too much")
        if len({entry.filename for entry in entries}) < len(entries) or book.comment:
            raise ValueError("a part stands twice, or a comment is added")
        for entry in entries:  # as this program writes them: one after the other, no more
            if entry.header_offset != at or entry.extra or entry.comment or entry.flag_bits:
                raise ValueError("something lies between the parts")
            at += 30 + len(entry.filename.encode()) + entry.compress_size
        if book.start_dir != at or path.stat().st_size != at + 22 + sum(
            46 + len(entry.filename.encode()) for entry in entries
        ):
            raise ValueError("something lies before or behind the parts")
        return {entry.filename: book.read(entry).decode("utf-8") for entry in entries}


def _cells(text: str) -> dict[str, str]:
    """The leaves of a notebook as texts; lines of one text are put together."""

    def whole(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: whole(inner) for key, inner in value.items()}
        if isinstance(value, list):
            lines = value and all(isinstance(line, str) for line in value)
            return "".join(value) if lines else [whole(inner) for inner in value]
        return value

    found = leaves(whole(json.loads(text, object_pairs_hook=once)))
    return {place: each if isinstance(each, str) else json.dumps(each) for place, each in found}


def _printer(content: bytes) -> bytes:
    found = re.search(rb"/Producer\s*(\([^)]*\)|<[^>]*>)", content)
    return found[1] if found else b""


def _words(path: Path) -> dict[str, str]:
    """The words of a print, wherever its lines break; read in a process that may fail alone."""
    command = [sys.executable, "-I", "-c", READ_PRINT, str(path)]
    try:
        done = subprocess.run(command, capture_output=True, timeout=SECONDS, check=True)
    except subprocess.SubprocessError:
        raise ValueError("the print cannot be read") from None
    return {"": "".join(done.stdout.decode().split())}


def _prints(content: bytes) -> dict[str, str]:
    """The objects of a print, unpacked, without the moment and the mark of its making."""
    if not content.startswith(b"%PDF-"):
        raise ValueError("no print")
    parts = []
    for piece in re.split(rb"(stream\r?\n.*?endstream)", content, flags=re.S):
        if piece.startswith(b"stream"):
            inner = piece.split(b"\n", 1)[1]
            try:
                piece = zlib.decompressobj().decompress(inner, LARGEST)
            except zlib.error:
                piece = inner
        else:
            piece = re.sub(rb"/(?:CreationDate|ModDate)\s*\([^)]*\)|/ID\s*\[.*?\]", b"", piece)
            piece = re.sub(rb"\d{10} \d{5} [nf]\s+|startxref\s+\d+|/Length \d+", b"", piece)
        parts.append(piece.decode("latin-1"))
    return {"": _by_turn("\n".join(parts))}
