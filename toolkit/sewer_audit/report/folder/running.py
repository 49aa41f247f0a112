"""Run a notebook with parameters, in the Python this toolkit is installed in.

Parameters are checked against the notebook's own list before anything starts: a name the notebook
does not know, or a value of another type, is refused, for a parameter that is silently ignored is
the worst failure an audit can have.
"""

from __future__ import annotations

import os
import re
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import papermill
from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from jupyter_core.utils import run_sync
from nbclient.exceptions import CellTimeoutError, DeadKernelError
from papermill.exceptions import PapermillExecutionError
from pydantic import BeforeValidator, ConfigDict, ValidationError, create_model
from traitlets.config import Config

from sewer_audit.errors import ReportFailed

__all__ = ["check_parameters", "run_notebook", "warm_kernel"]


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


class _OwnKernelManager(AsyncKernelManager):
    """Starts the interpreter that runs this toolkit, whatever kernels the machine knows."""

    settings, talker = "", None

    def client(self, **keywords: Any) -> Any:
        """Whoever talks to the kernel; remembered, for its channels are closed here."""
        self.talker = super().client(**keywords)
        return self.talker

    @property
    def kernel_spec(self) -> KernelSpec:
        environment = {
            "PYTHONHASHSEED": "0",
            "PYDEVD_DISABLE_FILE_VALIDATION": "1",
            "TQDM_DISABLE": "1",
            "MPLBACKEND": "agg",
            "MATPLOTLIBRC": os.devnull,  # no personal style: the same picture for everybody
            "IPYTHONDIR": self.settings,  # no personal start-up file
            "PYTHONSAFEPATH": "1",  # nothing is imported from the folder one stands in
        }
        home = Path(__file__).parents[3]
        if (home.parent / "pyproject.toml").exists():  # not installed: the kernel must find it too
            paths = [str(home), *filter(None, [os.environ.get("PYTHONPATH")])]
            environment["PYTHONPATH"] = os.pathsep.join(paths)
        quiet = "--log-level=CRITICAL"  # an idle kernel calls being told to end an error
        words = ["-m", "sewer_audit.report.folder.kernel", quiet, "-f", "{connection_file}"]
        return KernelSpec(
            argv=[sys.executable, *words],
            env=environment,
            display_name="Python 3",
            language="python",
            metadata={"supported_encryption": "curve"},
        )


def check_parameters(notebook: Path, given: Mapping[str, Any]) -> dict[str, Any]:
    """Compare parameters with those the notebook has."""
    known = papermill.inspect_notebook(str(notebook))
    if not known:
        raise ReportFailed(f"{notebook.name} has no cell tagged 'parameters'; it cannot be run")
    fields: dict[str, Any] = {
        name: (TYPES.get(entry["inferred_type_name"], Any), None) for name, entry in known.items()
    }
    model = create_model("Parameters", __config__=ConfigDict(extra="forbid", strict=True), **fields)
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


@contextmanager
def warm_kernel(notebook: Path) -> Iterator[AsyncKernelManager]:
    """A process that makes itself ready for a notebook while the caller does something else."""
    with tempfile.TemporaryDirectory(prefix="kernel-", ignore_cleanup_errors=True) as settings:
        config = Config({"KernelManager": {"transport_encryption": "auto"}})
        kernel = _OwnKernelManager(kernel_name="python3", config=config)
        kernel.settings = settings
        no_history = ["--HistoryManager.hist_file=:memory:"]
        run_sync(kernel.start_kernel)(extra_arguments=no_history, cwd=str(notebook.parent))
        try:
            yield kernel
        finally:
            if kernel.talker is not None:
                kernel.talker.stop_channels()
            run_sync(kernel.shutdown_kernel)(now=True)


def run_notebook(
    notebook: Path,
    parameters: Mapping[str, Any],
    progress: bool = True,
    kernel: AsyncKernelManager | None = None,
) -> Any:
    """Run a notebook to its end, in a kernel of its own or one that is warm already."""
    if kernel is None:
        with warm_kernel(notebook) as kernel:
            return run_notebook(notebook, parameters, progress, kernel)
    checked = check_parameters(notebook, parameters)
    bar: Any = {"desc": notebook.stem, "disable": None, "leave": False} if progress else False
    try:
        return papermill.execute_notebook(
            str(notebook),
            None,
            parameters=checked,
            kernel_name="python3",
            language="python",
            progress_bar=bar,
            cwd=str(notebook.parent),
            execution_timeout=CELL_SECONDS,
            km=kernel,
        )
    except PapermillExecutionError as error:
        raise ReportFailed(_stopped(notebook.name, error)) from None
    except (CellTimeoutError, TimeoutError):
        found = f"{notebook.name}: a cell ran longer than {CELL_SECONDS} s and was stopped"
        raise ReportFailed(found) from None
    except DeadKernelError:
        found = f"{notebook.name}: the process that ran it ended early, perhaps for want of memory"
        raise ReportFailed(found) from None


def _stopped(name: str, error: PapermillExecutionError) -> str:
    reason = re.sub(r"\x1b\[[0-9;]*m", "", str(error.evalue)).strip()
    if error.ename in REFUSALS:
        return reason
    lines = reason.splitlines() or ["no message"]
    return f"{name} stopped in its cell {error.exec_count}: {error.ename}: {lines[0]}"
