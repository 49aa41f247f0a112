"""Bytes of a file to text: encodings, and files that are something else altogether."""

from __future__ import annotations

import codecs
import re
import zipfile
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np

from sewer_audit.records.model import Findings

LARGEST = 1_500_000_000
"""Largest file read [byte]; a logger record of thirty years of minutes has about 600 MB."""

_MAGIC = (
    (b"%PDF", "a PDF document", "Export the table as CSV or XLSX"),
    (b"\xd0\xcf\x11\xe0", "a workbook of the old binary kind", "Save it as XLSX or CSV"),
    (b"\x89PNG", "a picture", "Name the table it was made from"),
    (b"\xff\xd8\xff", "a picture", "Name the table it was made from"),
    (b"\x1f\x8b", "a compressed file", "Unpack it first"),
    (b"7z\xbc\xaf", "a compressed file", "Unpack it first"),
    (b"PAR1", "a binary table", "Export it as CSV"),
    (b"SQLite", "a database", "Export the table as CSV"),
)
_EMPTY = "the file is empty"
_FILL = "Export the data again; a header line and at least one row are needed"


class Lines:
    """Physical lines of a text, found by their ends and cut out only where one is asked for."""

    def __init__(self, text: str):
        self.text = text
        plain = text.isascii()
        code = text.encode("ascii" if plain else "utf-32-le")
        self._signs = np.frombuffer(code, dtype=np.uint8 if plain else np.uint32)
        ends = np.flatnonzero(self._signs == ord("\n"))
        if text and not text.endswith("\n"):
            ends = np.append(ends, len(text))
        self.starts, self.ends = np.concatenate([[0], ends[:-1] + 1]) if len(ends) else ends, ends

    def __len__(self) -> int:
        return len(self.ends)

    def __getitem__(self, place: int) -> str:
        return self.text[self.starts[place] : self.ends[place]]

    def counts(self, sign: str, first: int) -> np.ndarray:
        """How often a sign stands in each line from the first on [-]."""
        places = np.flatnonzero(self._signs == ord(sign))
        bounds = [np.searchsorted(places, each[first:]) for each in (self.starts, self.ends)]
        return bounds[1] - bounds[0]


@dataclass(frozen=True)
class Source:
    """Content of one file."""

    name: str
    text: str = ""
    book: bytes = b""
    encoding: str = ""


def open_source(path: str | Path, findings: Findings) -> Source:
    """Read a file whole and decode it.

    Raises
    ------
    InputRefused
        If it is neither text nor a workbook.
    """
    content = _content(Path(path), findings)
    kind = None
    if not content.strip(b" \t\r\n\x00\xef\xbb\xbf"):
        kind = (_EMPTY, _FILL)
    for magic, what, remedy in _MAGIC:
        if content.startswith(magic):
            kind = (f"this is {what}, not a table of text", remedy)
    if content.startswith(b"PK\x03\x04"):
        if _is_workbook(content):
            return Source(findings.file, book=content, encoding="workbook")
        kind = ("this is an archive, not a workbook", "Unpack it, or save the table as XLSX or CSV")
    if kind is None:
        text, encoding = _decode(content, findings)
        kind = _other_kind(text)
        if kind is None:
            return Source(findings.file, text, b"", encoding)
    findings.add(*kind, code="wrong file")
    findings.raise_if_refused()
    raise AssertionError("unreachable")  # pragma: no cover


def _content(path: Path, findings: Findings) -> bytes:
    try:
        if path.is_dir():
            raise IsADirectoryError(21, "it is a folder")
        if path.exists() and not path.is_file():  # a pipe would be waited for
            raise OSError(22, "it is no plain file")
        if path.stat().st_size > LARGEST:
            findings.add(
                f"the file has {path.stat().st_size / 1e9:.1f} GB",
                "Split the export by year and name the parts",
                code="wrong file",
            )
            findings.raise_if_refused()
        return path.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        findings.add(
            f"the file cannot be read ({reason.lower()})",
            "Check the name and the folder; names are relative to the case file",
            code="wrong file",
        )
        findings.raise_if_refused()
        raise AssertionError("unreachable") from None  # pragma: no cover


def _is_workbook(content: bytes) -> bool:
    try:
        with zipfile.ZipFile(BytesIO(content)) as archive:
            return any(name.startswith("xl/") for name in archive.namelist())
    except Exception:
        return b"xl/" in content


def _decode(content: bytes, findings: Findings) -> tuple[str, str]:
    marks = (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF32_LE, "utf-32"),
        (codecs.BOM_UTF32_BE, "utf-32"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    )
    tried = [name for mark, name in marks if content.startswith(mark)][:1]
    if not tried:
        tried = [_unmarked_utf16(content)] if b"\x00" in content[:4000] else ["utf-8", "cp1252"]
    for encoding in filter(None, tried):
        try:
            text = content.decode(encoding)
        except UnicodeError:
            continue
        nul = text.find("\x00")
        if nul >= 0:
            findings.add(
                "a zero byte stands in the text: the file is damaged or not a text file",
                "Export the file again",
                line=text.count("\n", 0, nul) + 1,
                code="wrong file",
            )
            findings.raise_if_refused()
        return text, encoding
    findings.add(
        "the bytes are in none of the encodings UTF-8, UTF-16 and Windows-1252",
        "Save the file as UTF-8",
        line=_bad_line(content),
        code="wrong file",
    )
    findings.raise_if_refused()
    raise AssertionError("unreachable")  # pragma: no cover


def _unmarked_utf16(content: bytes) -> str | None:
    """UTF-16 without its mark shows as a zero byte in every second place of plain text."""
    head = content[:4000]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) / 2
    if odd > 0.7 * half and even < 0.1 * half:
        return "utf-16-le"
    if even > 0.7 * half and odd < 0.1 * half:
        return "utf-16-be"
    return "utf-8"


def _bad_line(content: bytes) -> int | None:
    for number, line in enumerate(content.split(b"\n"), start=1):
        try:
            line.decode("cp1252")
        except UnicodeError:
            return number
    return None


def _other_kind(text: str) -> tuple[str, str] | None:
    start = text[:3000].lstrip("\ufeff \t\r\n")
    low = start.lower()
    if len(text) < 2000 and re.search(r"\boid\s+sha256:|\bsize\s+\d+\s*$", low):
        return (
            "this is a pointer of a few lines to a file kept elsewhere, not the data",
            "Fetch the file it points to and name that one",
        )
    if low.startswith(("<!doctype html", "<html")):
        return "this is a web page, not a table of text", "Download the export itself"
    if low.startswith("<"):
        return (
            "this is an XML file, not a table of text",
            "Name a CSV or XLSX file, or state the open format it is in",
        )
    if low.startswith(("{", "[{")):
        return "this is a JSON file, not a table of text", "Export the data as CSV or XLSX"
    odd = sum(1 for sign in text[:20000] if ord(sign) < 32 and sign not in "\t\r\n\x0c\x1a")
    if odd > 0.02 * max(len(text[:20000]), 1):
        return "the file is binary, not a table of text", "Export the data as CSV or XLSX"
    return None
