"""Files to tidy records: every reading keeps its status, nothing is dropped or invented."""

from __future__ import annotations

from toolkit.records.invoices import read_invoices
from toolkit.records.loggers import read_logger
from toolkit.records.model import (
    ROLES,
    ClockCorrection,
    ColumnSpec,
    HandRecord,
    InvoiceRecord,
    LoggerRecord,
    RegisterRecord,
    Table,
)
from toolkit.records.registers import read_register
from toolkit.records.steps import Durations, accepted_durations
from toolkit.records.tables import read_table

__all__ = [
    "ROLES",
    "ClockCorrection",
    "ColumnSpec",
    "Durations",
    "HandRecord",
    "InvoiceRecord",
    "LoggerRecord",
    "RegisterRecord",
    "Table",
    "accepted_durations",
    "read_invoices",
    "read_logger",
    "read_register",
    "read_table",
]
