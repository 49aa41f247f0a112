"""An evidence folder is made here, in one way for whoever reports and whoever rechecks."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext, suppress
from pathlib import Path
from typing import Any

import nbformat

from sewer_audit.case import Case, home, load_case
from sewer_audit.errors import ReportFailed
from sewer_audit.report.folder.kernel import warm_kernel
from sewer_audit.report.folder.manifest import LOCK, MANIFEST, json_text, lock_text, make_manifest
from sewer_audit.report.folder.pack import pack_inputs
from sewer_audit.report.folder.pdf import print_page
from sewer_audit.report.folder.printed import PRINTED, printed_page
from sewer_audit.report.folder.running import check_parameters, run_notebook
from sewer_audit.report.folder.scrub import (
    machine_paths,
    notebook_text,
    refuse_paths,
    scrub_notebook,
)

PAGES = {
    "evidence_report": "evidence",
    "quarterly_review": "review",
    "uncertainty_explained": "brief",
    "monitoring_plan": "plan",
}
"""Notebooks that write a folder, and the name of its page [text]."""


def notebook_file(name: str) -> Path:
    """Where a notebook that travels with the package lies; a path names one of the caller's own."""
    path = Path(name) if name.endswith(".ipynb") else home("notebooks") / f"{name}.ipynb"
    if not path.is_file():
        raise ReportFailed(f"there is no notebook {path.name}")
    return path.resolve()


def make_folder(
    case: Case,
    source: Path,
    given: Mapping[str, Any],
    draft: Path,
    name: str,
    written: str,
    progress: bool = False,
    pdf: bool = False,
    kernel: Any = None,
) -> list[str]:
    """Fill an empty folder: inputs, findings, notebook, page, tables, lock file, manifest.

    kernel: One that is warm already.

    list of str: what the user should be told.
    """
    given = dict(sorted(given.items()))  # the order the manifest keeps, so that a recheck agrees
    packed = pack_inputs(case, draft / "inputs")
    local = packed.relative_to(draft).as_posix()
    if printed := printed_page(load_case(packed), local):
        (draft / PRINTED).write_text(printed, encoding="utf-8")
    parameters = check_parameters(source, {"case": str(packed), "deliver_to": str(draft), **given})
    paths = machine_paths(draft, source)
    said = {"case": local, "deliver_to": "", **given}
    with (
        nullcontext(kernel) if kernel is not None else warm_kernel(source.parent) as kernel,
        ThreadPoolExecutor(1) as aside,  # this process is idle while the kernel is at work
    ):
        if source.stem in PAGES:
            from sewer_audit.auditing.reading.inputs import read_inputs

            read_inputs(load_case(packed))  # what is refused is refused before a cell runs
        aside.submit(_warm, source)
        lock, pages = aside.submit(lock_text), []

        def export(running: Any) -> None:
            shown = scrub_notebook(running, paths, said)
            shown.cells = [c for c in shown.cells if "deliver" not in c.metadata.get("tags", [])]
            pages.append(aside.submit(_page, shown))

        executed = run_notebook(source, parameters, progress, kernel, export)
    if not (draft / "findings.json").is_file():
        raise ReportFailed(f"{source.name} ended without handing over its findings")
    clean = scrub_notebook(executed, paths, said)
    (draft / f"{name}.ipynb").write_text(notebook_text(clean), encoding="utf-8")
    (draft / f"{name}.html").write_text(
        (pages[0].result() if pages else _page(clean)), encoding="utf-8"
    )
    (draft / LOCK).write_text(lock.result(), encoding="utf-8")
    refuse_paths(draft, paths)
    lines = _warnings(executed)
    if pdf:
        lines.append(print_page(draft / f"{name}.html", draft / f"{name}.pdf").message)
    about = {"notebook": source.stem, "case": local, "parameters": given, "written": written}
    text = json_text(make_manifest(draft, about))
    (draft / MANIFEST).write_text(text, encoding="utf-8")
    return lines


def _page(notebook: Any) -> str:
    from sewer_audit.report.folder.export import EvidenceExporter

    return EvidenceExporter().from_notebook_node(notebook)[0]


def _warm(source: Path) -> None:
    """Import and fill what the export keeps (equations, templates) while the kernel is at work."""
    prose = nbformat.read(source, as_version=4)
    prose.cells = [cell for cell in prose.cells if cell.cell_type == "markdown"]
    with suppress(ReportFailed):  # told when the page itself is made
        _page(prose)


def _warnings(executed: Any) -> list[str]:
    found = []
    for cell in executed.cells:
        for output in cell.get("outputs", []):
            if output.get("name") == "stderr":
                found += [line for line in output.text.splitlines() if "Warning: " in line]
    return [
        f"note: while running, {line.split('Warning: ', 1)[1]}" for line in dict.fromkeys(found)
    ]
