"""From a case to an evidence folder that a stranger can recheck.

The folder is written beside its final place and moved there when it is complete; a failure leaves
nothing behind and says why in one message.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
import tempfile
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sewer_audit.case import load_case
from sewer_audit.errors import InputRefused, Problem
from sewer_audit.report.folder.making import PAGES, make_folder, notebook_file
from sewer_audit.report.folder.manifest import MANIFEST, file_hashes, read_manifest, unusual

__all__ = [
    "ReportResult",
    "notebook_file",
    "write_report",
]


@dataclass(frozen=True)
class ReportResult:
    """An evidence folder that was written."""

    folder: Path
    files: tuple[str, ...]
    lines: tuple[str, ...]


def write_report(
    case_path: str | Path,
    out: str | Path,
    notebook: str = "evidence_report",
    parameters: Mapping[str, Any] | None = None,
    draws: int | str = 20_000,
    seed: int = 1,
    progress: bool = True,
    pdf: bool = False,
    name: str = "evidence",
    kernel: Any = None,
) -> ReportResult:
    """Run a notebook on a case and write the folder that proves its result.

    Parameters
    ----------
    case_path : str or Path
        Case file, or the folder that holds one [-].
    out : str or Path
        Folder to write; an older one of the same kind is replaced, anything else is refused [-].
    parameters : mapping, optional
        Further parameters of the notebook [-].
    draws : int or "adaptive"
        Draws of the Monte Carlo; as :func:`sewer_audit.audit` takes them [-].
    name : str
        Name of the page and of the executed notebook, without ending [text].
    kernel : kernel manager, optional
        One that was started before anything else was imported [-].

    Raises
    ------
    InputRefused
        If the case or the target is refused.
    ReportFailed
        If the notebook or the export did not complete; nothing is left behind.
    """
    case, source, target = load_case(case_path), notebook_file(notebook), Path(out).absolute()
    older = _older(target, source.stem)
    given = {"draws": draws, "seed": seed, **(parameters or {})}
    beside = next(folder for folder in target.parents if folder.is_dir())
    try:
        _clear_leftovers(beside)
        with tempfile.TemporaryDirectory(prefix=_draft_prefix(), dir=beside) as temporary:
            draft = Path(temporary) / "draft"
            draft.mkdir()
            written = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            lines = make_folder(case, source, given, draft, name, written, progress, pdf, kernel)
            digest = hashlib.sha256((draft / MANIFEST).read_bytes()).hexdigest()
            _move(draft, target, Path(temporary) / "older")
            lines += [f"replaced: what was written there at {older}"] * bool(older)
    except OSError as error:
        found = f"cannot be written ({error.strerror or error})"
        raise InputRefused(Problem(target.name, found, "Name another folder")) from None
    lines.append(f"SHA-256 of {MANIFEST}, to be noted elsewhere: {digest}")
    files = sorted(path.name for path in target.iterdir() if path.is_file())
    return ReportResult(target, tuple(files), tuple(lines))


def _draft_prefix(process: int | None = None) -> str:
    """Name of a draft: which machine (a number without meaning) and process is at work on it."""
    machine = hashlib.sha256(str(uuid.getnode()).encode()).hexdigest()[:8]
    return f".evidence-{machine}-{process or os.getpid()}-"


def _clear_leftovers(beside: Path) -> None:
    """Remove drafts whose process is gone; one that still holds a folder of the user is left."""
    ours = _draft_prefix().rsplit("-", 2)[0]
    for draft in beside.glob(f"{ours}-*-*"):
        process = draft.name.split("-")[2]
        if process.isdigit() and not (draft / "older").exists() and not _alive(int(process)):
            shutil.rmtree(draft, ignore_errors=True)


def _alive(process: int) -> bool:
    if sys.platform == "win32":  # to ask there is to end it
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _older(target: Path, notebook: str) -> str:
    """When the folder that will be replaced was written; "" where there is none.

    A folder is replaced only if the same notebook wrote every file in it.
    """
    remedy = "Name a new folder"
    if not target.exists():
        if any(parent.exists() and not parent.is_dir() for parent in target.parents):
            raise InputRefused(Problem(target.name, "its place is inside a file", remedy))
        return ""
    if not target.is_dir():
        raise InputRefused(Problem(target.name, "a file of this name exists", remedy))
    if not any(target.iterdir()):
        return ""
    try:
        manifest = read_manifest(target)
    except InputRefused:
        found = "the folder exists and holds something else than a report"
        raise InputRefused(Problem(target.name, found, remedy)) from None
    if manifest.notebook != notebook:
        kind = PAGES.get(manifest.notebook, manifest.notebook)
        found = f"the folder holds a page of another kind ({kind}), which would be replaced"
        raise InputRefused(Problem(target.name, found, remedy))
    listed = {entry.file: entry.model_dump() for entry in (*manifest.inputs, *manifest.outputs)}
    for entry in file_hashes(target):
        name = entry["file"]
        if name not in listed and name != MANIFEST:
            found = f"the folder holds {name}, which no report wrote"
        elif name in listed and entry != listed[name]:
            found = f"{name} in the folder was changed after the report wrote it"
        else:
            continue
        raise InputRefused(Problem(target.name, found, "Name a new folder, or move that file"))
    if links := unusual(target):
        found = f"the folder holds {links[0]}, which no report wrote"
        raise InputRefused(Problem(target.name, found, "Name a new folder, or move that file"))
    return manifest.written


def _move(draft: Path, target: Path, older: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    if target.exists():
        shutil.move(target, older)
    try:
        shutil.move(draft, target)
    except OSError:
        if older.exists():
            shutil.move(older, target)
        raise
