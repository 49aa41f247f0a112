"""Files to tidy records: every reading keeps its status, nothing is dropped or invented."""

from __future__ import annotations

from sewer_audit.records.amounts import AmountRecord, read_amounts
from sewer_audit.records.bills.invoices import read_invoices
from sewer_audit.records.counts.combine import combine_registers
from sewer_audit.records.counts.registers import read_register
from sewer_audit.records.green_button import read_green_button
from sewer_audit.records.hands import as_logger, read_hand_readings
from sewer_audit.records.joining import join_series, with_rain
from sewer_audit.records.loggers import read_logger
from sewer_audit.records.model import (
    ClockCorrection,
    ColumnSpec,
    InvoiceRecord,
    LoggerRecord,
    MeterChange,
    RegisterRecord,
)
from sewer_audit.records.waterml import read_waterml

__all__ = [
    "AmountRecord",
    "ClockCorrection",
    "ColumnSpec",
    "InvoiceRecord",
    "LoggerRecord",
    "MeterChange",
    "RegisterRecord",
    "as_logger",
    "combine_registers",
    "join_series",
    "read_amounts",
    "read_green_button",
    "read_hand_readings",
    "read_invoices",
    "read_logger",
    "read_register",
    "read_waterml",
    "with_rain",
]
