"""The evidence page on paper, by the first way that works on this machine.

The page is the evidence; the print is a convenience. A PDF library is tried first, then any browser
of the Chromium family, and where there is neither a sentence says how to print by hand.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

SECONDS = 300
BY_HAND = "no way to print was found; open {page} in a browser and print it to PDF"
BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "msedge",
    "microsoft-edge",
)
PLACES = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
    r"C:\Program Files\Microsoft\Edge\Application\msedge.exe",
)
LIBRARY = "import sys, weasyprint; weasyprint.HTML(sys.argv[1]).write_pdf(sys.argv[2])"


@dataclass(frozen=True)
class Printed:
    """What became of a print."""

    done: bool
    way: str
    message: str


def print_page(page: Path, target: Path) -> Printed:
    """Print a page to PDF."""
    tried = []
    for way, run in _ways():
        target.unlink(missing_ok=True)
        reason = run(page.resolve(), target.resolve())
        if reason is None and target.is_file() and target.read_bytes()[:5] == b"%PDF-":
            return Printed(True, way, f"{target.name} printed by {way}")
        tried.append(f"{way}: {reason or 'no file came out'}")
    target.unlink(missing_ok=True)
    message = BY_HAND.format(page=page.name)
    return Printed(False, "by hand", "; ".join([*tried, message]))


def _ways() -> list[tuple[str, Callable[[Path, Path], str | None]]]:
    ways: list[tuple[str, Callable[[Path, Path], str | None]]] = []
    if importlib.util.find_spec("weasyprint") is not None:
        ways.append(("the PDF library WeasyPrint", _by_library))
    for name in (*BROWSERS, *PLACES):
        found = shutil.which(name)
        if found:
            ways.append((f"the browser {Path(name).stem}", _browser(found)))
            break
    return ways


def _run(command: list[str]) -> str | None:
    """None if the command ended well, else why not. A crash there cannot take this process down."""
    try:
        ended = subprocess.run(
            command, capture_output=True, text=True, timeout=SECONDS, check=False, errors="replace"
        )
    except subprocess.TimeoutExpired:
        return f"took longer than {SECONDS} s"
    except OSError as error:
        return str(error.strerror)
    if ended.returncode == 0:
        return None
    lines = [line for line in ended.stderr.strip().splitlines() if line.strip()]
    return f"ended with code {ended.returncode}" + (f" ({lines[-1].strip()})" if lines else "")


def _by_library(page: Path, target: Path) -> str | None:
    return _run([sys.executable, "-c", LIBRARY, str(page), str(target)])


def _browser(program: str) -> Callable[[Path, Path], str | None]:
    def run(page: Path, target: Path) -> str | None:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
            command = [
                program,
                "--headless",
                "--disable-gpu",
                "--disable-background-networking",
                "--no-first-run",
                "--no-pdf-header-footer",
                "--generate-pdf-document-outline",
                f"--user-data-dir={profile}",
                f"--print-to-pdf={target}",
            ]
            if hasattr(os, "geteuid") and os.geteuid() == 0:
                command.append("--no-sandbox")
            return _run([*command, page.as_uri()])

    return run
