"""How a notebook hands its results to the report that runs it; imports nothing the kernel lacks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sewer_audit.report.folder.by_hand import write_by_hand
from sewer_audit.report.folder.manifest import json_text
from sewer_audit.report.tables import write_tables


def deliver(result: Any, folder: str | Path) -> None:
    """Hand the results of a notebook over to the report that runs it.

    Parameters
    ----------
    result : Audit
        Anything with ``findings()`` and, for the workbook, ``workbook()`` [-].
    folder : str or Path
        The parameter ``deliver_to``; empty in a notebook run by hand, then nothing is written [-].
    """
    if not str(folder):
        return
    place = Path(folder)
    (place / "findings.json").write_text(json_text(result.findings()), encoding="utf-8")
    write_tables(result, place / "tables.xlsx")
    if hasattr(result, "evidence") and hasattr(result, "pricing"):
        write_by_hand(result, place / "by_hand")
