"""From a case to an evidence folder that a stranger can recheck.

What is exported here is imported when it is first asked for: a notebook that only shows tables does
not wait for the export.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOME = {
    "Difference": "checking.rechecking",
    "RecheckResult": "checking.rechecking",
    "ReportResult": "folder.writing",
    "deliver": "delivery",
    "notebook_file": "folder.writing",
    "recheck": "checking.rechecking",
    "write_report": "folder.writing",
}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
