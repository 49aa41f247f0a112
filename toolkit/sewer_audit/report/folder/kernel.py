"""The process a notebook runs in: what its first cell asks for is imported before it is asked.

Started as ``python -m sewer_audit.report.folder.kernel`` with the words of an IPython kernel; what
starts it imports little, so that it can be started before anything else is done.
"""

from __future__ import annotations

import gc
import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any

from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from jupyter_core.utils import run_sync
from traitlets.config import Config

ROOMS = ("auditing", "report.evidence.story", "report.pictures", "report.delivery")

LONGEST = 80
"""Longest name of the folder of a socket; a system allows about 100 letters for the whole [-]."""


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


@contextmanager
def warm_kernel(folder: Path | None = None) -> Iterator[AsyncKernelManager]:
    """A process that makes itself ready for a notebook while the caller does something else.

    Parameters
    ----------
    folder : Path, optional
        Where it stands; an empty one of its own if left out [-].
    """
    with tempfile.TemporaryDirectory(prefix="kernel-", ignore_cleanup_errors=True) as settings:
        config = Config({"KernelManager": {"transport_encryption": "auto"}})
        kernel = _OwnKernelManager(kernel_name="python3", config=config)
        kernel.settings = settings
        if sys.platform != "win32" and len(settings) < LONGEST:  # sockets that nobody else can take
            kernel.transport, kernel.ip = "ipc", os.path.join(settings, "socket")
        no_history = ["--HistoryManager.hist_file=:memory:"]
        place = str(folder or settings)
        run_sync(kernel.start_kernel)(extra_arguments=no_history, cwd=place)
        try:
            yield kernel
        finally:
            if kernel.talker is not None:
                kernel.talker.stop_channels()
            run_sync(kernel.shutdown_kernel)(now=True)


if __name__ == "__main__":
    for room in ROOMS:
        import_module(f"sewer_audit.{room}")
    gc.freeze()  # what was imported stays: the collector of garbage need not look at it again
    gc.set_threshold(50_000, 20, 20)
    import_module("ipykernel.kernelapp").launch_new_instance()
