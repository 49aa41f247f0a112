"""Committed notebooks: run to their end, short cells, nothing of a machine left in them."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import nbformat
import pytest

from sewer_audit.report.folder.running import check_parameters

FOLDER = Path(__file__).parent.parent / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
LONGEST = 10
EVERY = {"case": "", "draws": 1000, "seed": 1, "deliver_to": ""}


def faults_of(notebook) -> list[str]:
    """What a committed notebook must not have."""
    found = []
    for number, cell in enumerate(notebook.cells, start=1):
        if cell.cell_type != "code":
            continue
        if not cell.source.strip():
            found.append(f"cell {number} is empty")
        if cell.execution_count is None:
            found.append(f"cell {number} was not run")
        if any(output.output_type == "error" for output in cell.outputs):
            found.append(f"cell {number} holds an error")
        if any(output.get("name") == "stderr" for output in cell.outputs):
            found.append(f"cell {number} printed to standard error")
        statements = ast.parse(cell.source).body
        lines = sum(s.end_lineno - s.lineno + 1 for s in statements if not _imports(s))
        if lines > LONGEST:
            found.append(f"cell {number} has {lines} lines; that belongs in the library")
        if re.search(r"^\s*[%!]", cell.source, re.M):
            found.append(f"cell {number} uses a magic")
        for output in cell.outputs:
            for kind, about in output.get("metadata", {}).items():
                if kind.startswith("image/") and not about.get("alt"):
                    found.append(f"cell {number} shows a figure without a text")
    return found


def _imports(statement) -> bool:
    return isinstance(statement, (ast.Import, ast.ImportFrom))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_committed_notebook_is_complete(path):
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    assert not faults_of(notebook)
    assert notebook.metadata.kernelspec.name == "python3"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_committed_notebook_tells_nothing_of_a_machine(path):
    text = path.read_text(encoding="utf-8")
    for word in ("/home/", "/root/", "/tmp/", "/Users/", "C:\\\\", str(FOLDER.parent)):
        assert word not in text
    assert '"iopub' not in text


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_every_notebook_takes_the_same_parameters(path):
    assert check_parameters(path, EVERY) == EVERY


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_every_notebook_computes_a_step_in_the_open(path):
    """A function in a cell that a reader can change; a form has none."""
    if path.stem == "first_look":
        return
    cells = [c.source for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]
    written = [each for text in cells for each in ast.parse(text).body]
    names = [each.name for each in written if isinstance(each, ast.FunctionDef)]
    assert names and any(f"{name}(" in text for name in names for text in cells)


def test_faults_are_found():
    cell = nbformat.v4.new_code_cell("%time x\n", execution_count=None)
    cell.source = "x = 1\n" * 11
    cell.outputs = [nbformat.v4.new_output("error", ename="E", evalue="v", traceback=[])]
    found = faults_of(nbformat.v4.new_notebook(cells=[cell]))
    assert len(found) == 3 and "11 lines" in found[2]
