"""The tables of a result, in the units people read, as the workbook shows them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from toolkit.report_workbook import write_workbook

__all__ = ["write_tables"]


def write_tables(result: Any, path: Path) -> None:
    """Write every table of a result to one workbook.

    Parameters
    ----------
    result : Audit
        What a notebook delivers; ``tables()`` names its tables [-].
    path : Path
        Workbook to write [-].
    """
    write_workbook(path, result.tables())
