"""Safe reading of XML: a file that declares types or entities of its own is refused."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

from sewer_audit.records.model import Findings

_DECLARES = re.compile(rb"<!\s*(?:DOCTYPE|ENTITY|ELEMENT|ATTLIST)", re.I)
_ENCODING = re.compile(rb"<\?xml[^>]*encoding\s*=\s*[\"']([A-Za-z0-9._-]+)")
_READ = ("utf-8", "utf-16", "utf-16le", "utf-16be", "us-ascii", "ascii", "iso-8859-1")
_READ += ("latin-1", "windows-1252")
DEEPEST = 200
"""Deepest nesting read [-]."""


def read_xml(path: str | Path, findings: Findings) -> ElementTree.Element:
    """Root element of an XML file."""
    found, remedy, line = "", "Download the file again from the service", None
    try:
        if not Path(path).is_file() and Path(path).exists():
            raise OSError(22, "it is no plain file")
        content = Path(path).read_bytes()
    except OSError as error:
        content = b""
        found = f"the file cannot be read ({(error.strerror or type(error).__name__).lower()})"
        remedy = "Check the name and the folder"
    if not found and not content.strip():
        found = "the file is empty"
    # entities are searched for in every encoding by leaving out the zero bytes of UTF-16
    if not found and _DECLARES.search(content.replace(b"\x00", b"")):
        found = "the file declares document types or entities, which data files never need"
        remedy = "Do not use it; download the data from the service itself"
    encoding = _ENCODING.search(content.replace(b"\x00", b"")[:200])
    if not found and encoding and encoding[1].decode().lower() not in _READ:
        found = f"the encoding {encoding[1].decode()!r} is not read"
        remedy = "Save the file as UTF-8"
    if not found:
        try:
            return _parse(content)
        except ElementTree.ParseError as error:
            line = error.position[0]
            found = f"the file is no complete XML ({str(error).split(':')[0]})"
        except (LookupError, ValueError, RecursionError) as error:
            found = f"the file is no XML that can be read ({error or type(error).__name__})"
    findings.add(found, remedy, line=line, code="wrong file")
    findings.raise_if_refused()
    raise AssertionError("unreachable")  # pragma: no cover


def _parse(content: bytes) -> ElementTree.Element:
    parser = ElementTree.XMLPullParser(events=("start", "end"))
    depth, root = 0, None
    for start in range(0, len(content), 1 << 16):
        parser.feed(content[start : start + (1 << 16)])
        for event, element in parser.read_events():
            root = element if root is None else root
            depth += 1 if event == "start" else -1
            if depth > DEEPEST:
                raise ValueError("nested too deeply")
    parser.close()
    if root is None:
        raise ValueError("no element")
    return root


def local_name(element: ElementTree.Element) -> str:
    """Name of an element without its name space."""
    return str(element.tag).rpartition("}")[2]


def text_of(element: ElementTree.Element | None, path: str, spaces: dict[str, str]) -> str:
    """Text of a descendant, "" if there is none."""
    if element is None:
        return ""
    return (element.findtext(path, "", spaces) or "").strip()
