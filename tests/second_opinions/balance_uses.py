"""Second opinions of the tests beside `balance.uses`."""

from __future__ import annotations

from sewer_audit import spoken
from sewer_audit.balance import USES
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Cause


def use_error(name: str, kind: str) -> Cause:
    """Default relative error of an estimated use, for a case that states none."""
    if kind not in USES:
        raise AuditError(f"kind of use {kind!r}; known are {', '.join(USES)}")
    record = USES[kind]
    source = f"{spoken.percent(record.limit_95, 0)} at 95 %: {record.limit_source}"
    return Cause(f"{name}: {kind} estimate", record.limit_95 / 1.96, source=source, default=True)
