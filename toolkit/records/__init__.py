"""Files to tidy records: every reading keeps its status, nothing is dropped or invented."""

from __future__ import annotations

from toolkit.records.invoices import read_invoices
from toolkit.records.model import (
    ClockCorrection,
    ColumnSpec,
    HandRecord,
    InvoiceRecord,
    LoggerRecord,
    RegisterRecord,
    Table,
)
from toolkit.records.registers import read_register
from toolkit.records.tables import read_table

__all__ = [
    "ClockCorrection",
    "ColumnSpec",
    "HandRecord",
    "InvoiceRecord",
    "LoggerRecord",
    "RegisterRecord",
    "Table",
    "read_invoices",
    "read_register",
    "read_table",
]
