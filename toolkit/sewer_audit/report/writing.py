"""From a case to an evidence folder that a stranger can recheck.

The folder is written beside its final place and moved there when it is complete; a failure leaves
nothing behind and says why in one message.
"""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sewer_audit.case import home, load_case
from sewer_audit.errors import InputRefused, Problem, ReportFailed
from sewer_audit.report.delivery import deliver
from sewer_audit.report.export import EvidenceExporter, refuse_unfinished
from sewer_audit.report.manifest import (
    MANIFEST,
    file_hashes,
    json_text,
    make_manifest,
    read_manifest,
)
from sewer_audit.report.pack import pack_inputs
from sewer_audit.report.pdf import print_page
from sewer_audit.report.rechecking import Difference, RecheckResult, recheck
from sewer_audit.report.running import check_parameters, run_notebook
from sewer_audit.report.scrub import machine_paths, notebook_text, refuse_paths, scrub_notebook

__all__ = [
    "Difference",
    "RecheckResult",
    "ReportResult",
    "deliver",
    "notebook_file",
    "recheck",
    "write_report",
]

OURS = ("case", "draws", "seed", "deliver_to")


@dataclass(frozen=True)
class ReportResult:
    """An evidence folder that was written."""

    folder: Path
    files: tuple[str, ...]
    lines: tuple[str, ...]


def notebook_file(name: str) -> Path:
    """Where a notebook that travels with the package lies."""
    path = Path(name) if name.endswith(".ipynb") else home("notebooks") / f"{name}.ipynb"
    if not path.is_file():
        raise ReportFailed(f"there is no notebook {path.name}")
    return path.resolve()


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
) -> ReportResult:
    """Run a notebook on a case and write the folder that proves its result.

    Parameters
    ----------
    case_path : str or Path
        Case file, or the folder that holds one [-].
    out : str or Path
        Folder to write; an older evidence folder there is replaced, anything else is refused [-].
    notebook : str
        Which notebook [text].
    parameters : mapping, optional
        Further parameters of the notebook [-].
    draws : int or "adaptive"
        Draws of the Monte Carlo; as :func:`sewer_audit.audit` takes them [-].
    seed : int
        Its seed [-].
    progress : bool
        Show a bar on a terminal [-].
    pdf : bool
        Print the page too [-].
    name : str
        Name of the page and of the executed notebook, without ending [text].

    Returns
    -------
    ReportResult
        The folder and its files [-].

    Raises
    ------
    InputRefused
        If the case or the target is refused.
    ReportFailed
        If the notebook or the export did not complete; nothing is left behind.
    """
    case, source, target = load_case(case_path), notebook_file(notebook), Path(out).absolute()
    _refuse_target(target)
    given = {"draws": draws, "seed": seed, **(parameters or {})}
    check_parameters(source, {"case": "", "deliver_to": "", **given})
    beside = next(folder for folder in target.parents if folder.is_dir())
    try:
        with tempfile.TemporaryDirectory(prefix=".evidence-", dir=beside) as temporary:
            draft = Path(temporary) / "draft"
            draft.mkdir()
            packed = pack_inputs(case, draft / "inputs")
            local = packed.relative_to(draft).as_posix()
            lines = _fill(draft, source, packed, given, progress, name)
            if pdf:
                lines.append(print_page(draft / f"{name}.html", draft / f"{name}.pdf").message)
            written = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            about = {
                "notebook": source.stem,
                "case": local,
                "parameters": given,
                "written": written,
            }
            text = json_text(make_manifest(draft, about))
            (draft / MANIFEST).write_text(text, encoding="utf-8")
            _move(draft, target, Path(temporary) / "older")
    except OSError as error:
        found = f"cannot be written ({error.strerror or error})"
        raise InputRefused(Problem(target.name, found, "Name another folder")) from None
    digest = hashlib.sha256(text.encode()).hexdigest()
    lines.append(f"SHA-256 of {MANIFEST}, to be noted elsewhere: {digest}")
    files = sorted(path.name for path in target.iterdir() if path.is_file())
    return ReportResult(target, tuple(files), tuple(lines))


def _fill(
    draft: Path, source: Path, packed: Path, given: dict[str, Any], progress: bool, name: str
) -> list[str]:
    """Run the notebook and write its page; returns what the user should be told."""
    everything = {"case": str(packed), "deliver_to": str(draft), **given}
    executed = run_notebook(source, everything, progress)
    refuse_unfinished(executed)
    if not (draft / "findings.json").is_file():
        raise ReportFailed(f"{source.name} ended without handing over its findings")
    paths = machine_paths(draft, source)
    says = {"case": packed.relative_to(draft).as_posix(), "deliver_to": "", **given}
    clean = scrub_notebook(executed, paths, says)
    (draft / f"{name}.ipynb").write_text(notebook_text(clean), encoding="utf-8")
    page, _ = EvidenceExporter().from_notebook_node(clean)
    (draft / f"{name}.html").write_text(page, encoding="utf-8")
    refuse_paths(draft, paths)
    return _warnings(executed)


def _warnings(executed: Any) -> list[str]:
    found = []
    for cell in executed.cells:
        for output in cell.get("outputs", []):
            if output.get("name") == "stderr":
                found += [line for line in output.text.splitlines() if "Warning: " in line]
    return [
        f"note: while running, {line.split('Warning: ', 1)[1]}" for line in dict.fromkeys(found)
    ]


def _refuse_target(target: Path) -> None:
    """A folder is replaced only if an evidence report wrote every file in it."""
    remedy = "Name a new folder"
    if not target.exists():
        if any(parent.exists() and not parent.is_dir() for parent in target.parents):
            raise InputRefused(Problem(target.name, "its place is inside a file", remedy))
        return
    if not target.is_dir():
        raise InputRefused(Problem(target.name, "a file of this name exists", remedy))
    if not any(target.iterdir()):
        return
    try:
        manifest = read_manifest(target)
    except InputRefused:
        found = "the folder exists and holds something else than a report"
        raise InputRefused(Problem(target.name, found, remedy)) from None
    listed = {entry["file"] for part in ("inputs", "outputs") for entry in manifest[part]}
    foreign = [e["file"] for e in file_hashes(target) if e["file"] not in listed | {MANIFEST}]
    if foreign:
        found = f"the folder holds {foreign[0]}, which no report wrote"
        raise InputRefused(Problem(target.name, found, "Name a new folder, or move that file"))


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
