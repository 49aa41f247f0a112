"""Run a notebook with parameters, in the Python this toolkit is installed in.

Parameters are checked against the notebook's own list before anything starts: a name the notebook
does not know, or a value of another type, is refused, for a parameter that is silently ignored is
the worst failure an audit can have.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any

import nbformat
from jupyter_client.manager import AsyncKernelManager
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError
from pydantic import BeforeValidator, ConfigDict, ValidationError, create_model

from sewer_audit.errors import ReportFailed
from sewer_audit.report.folder.kernel import warm_kernel


def _draws(value: Any) -> Any:
    whole = isinstance(value, int) and not isinstance(value, bool)
    if not whole and value != "adaptive":
        raise ValueError("a whole number or 'adaptive' is expected")
    return value


DRAWS = "int, str"
"""How a notebook marks a number of draws that may also be "adaptive" [text]."""
TYPES = {
    "int": int,
    "float": float,
    "str": str,
    "bool": bool,
    DRAWS: Annotated[Any, BeforeValidator(_draws)],
}
CELL_SECONDS = 900
REFUSALS = ("AuditError", "InputRefused", "UnitError", "OutOfRange", "ReportFailed")


def _tagged(cell: Any, tag: str) -> bool:
    return tag in cell.metadata.get("tags", [])


def check_parameters(notebook: Path, given: Mapping[str, Any]) -> dict[str, Any]:
    """Compare parameters with those the notebook has."""
    cells = nbformat.read(notebook, as_version=4).cells
    source = next((cell.source for cell in cells if _tagged(cell, "parameters")), "")
    known: dict[str, Any] = {}
    for line in ast.parse(source).body:
        if isinstance(line, ast.AnnAssign):
            kind = line.annotation
            word = kind.value if isinstance(kind, ast.Constant) else ast.unparse(kind)
            known[ast.unparse(line.target)] = (TYPES.get(word, Any), None)
    if not known:
        raise ReportFailed(f"{notebook.name} has no cell tagged 'parameters'; it cannot be run")
    model = create_model("Parameters", __config__=ConfigDict(extra="forbid", strict=True), **known)
    try:
        model.model_validate(dict(given))
    except ValidationError as error:
        faults = [_fault(detail, sorted(known)) for detail in error.errors(include_url=False)]
        raise ReportFailed(f"{notebook.name}: " + "; ".join(faults)) from None
    return dict(given)


def _fault(detail: Any, known: list[str]) -> str:
    name = ".".join(str(part) for part in detail["loc"])
    if detail["type"] == "extra_forbidden":
        return f"there is no parameter {name!r}; it has {', '.join(known)}"
    return f"parameter {name!r}: {detail['msg']}, found {detail['input']!r}"


def run_notebook(
    notebook: Path,
    parameters: Mapping[str, Any],
    progress: bool = True,
    kernel: AsyncKernelManager | None = None,
    last: Callable[[Any], Any] | None = None,
) -> Any:
    """Run a notebook to its end, in a kernel of its own or one that is warm already.

    last: Told the notebook when all of it has run but the cell that hands the results over.
    """
    if kernel is None:
        with warm_kernel(notebook.parent) as kernel:
            return run_notebook(notebook, parameters, progress, kernel, last)
    checked = check_parameters(notebook, parameters)
    running = nbformat.read(notebook, as_version=4)
    at = next(n for n, cell in enumerate(running.cells) if _tagged(cell, "parameters"))
    lines = ["# Parameters", *(f"{name} = {value!r}" for name, value in checked.items())]
    given = nbformat.v4.new_code_cell("\n".join(lines), metadata={"tags": ["injected-parameters"]})
    running.cells.insert(at + 1, given)
    client = NotebookClient(running, km=kernel, timeout=CELL_SECONDS, record_timing=False)
    bar = progress and sys.stderr.isatty()
    try:
        with client.setup_kernel():
            for number, cell in enumerate(running.cells):
                if bar:
                    share = f"{100 * number / len(running.cells):.0f} %"
                    print(f"\r{notebook.stem}: {share} ", end="", file=sys.stderr, flush=True)
                if last is not None and _tagged(cell, "deliver"):
                    last(running)
                client.execute_cell(cell, number)
    except CellExecutionError as error:
        raise ReportFailed(_stopped(notebook.name, client.code_cells_executed, error)) from None
    except (CellTimeoutError, TimeoutError):
        found = f"{notebook.name}: a cell ran longer than {CELL_SECONDS} s and was stopped"
        raise ReportFailed(found) from None
    except DeadKernelError:
        found = f"{notebook.name}: the process that ran it ended early, perhaps for want of memory"
        raise ReportFailed(found) from None
    finally:
        if bar:
            print("\r\033[K", end="", file=sys.stderr, flush=True)
    return running


def _stopped(name: str, cell: int, error: CellExecutionError) -> str:
    reason = re.sub(r"\x1b\[[0-9;]*m", "", str(error.evalue)).strip()
    if error.ename in REFUSALS:
        return reason
    lines = reason.splitlines() or ["no message"]
    return f"{name} stopped in its cell {cell}: {error.ename}: {lines[0]}"
