"""Audit sewer invoices against effluent records, metered intake and the rate schedule.

>>> from sewer_audit import load_case, audit            # doctest: +SKIP
>>> result = audit(load_case("case.toml"))          # doctest: +SKIP

Public names are imported on first use, so that ``import sewer_audit`` and ``sewer-audit --help``
stay instant.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # what tools that read types see; nothing is imported until it is used
    from sewer_audit.auditing import Audit as Audit
    from sewer_audit.auditing import audit as audit
    from sewer_audit.case import Case as Case
    from sewer_audit.case import load_case as load_case
    from sewer_audit.case import sample_case as sample_case

_HOME = {
    "Audit": "sewer_audit.auditing",
    "Case": "sewer_audit.case",
    "audit": "sewer_audit.auditing",
    "load_case": "sewer_audit.case",
    "sample_case": "sewer_audit.case",
}

__all__ = sorted(_HOME)
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'sewer_audit' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value
