"""Files to tidy records: every reading keeps its status, nothing is dropped or invented."""

from __future__ import annotations

from sewer_audit.records.amounts import AmountRecord, read_amounts
from sewer_audit.records.combine import combine_registers
from sewer_audit.records.green_button import read_green_button
from sewer_audit.records.hands import as_logger, read_hand_readings
from sewer_audit.records.invoices import read_invoices
from sewer_audit.records.joining import join_series, with_rain
from sewer_audit.records.loggers import read_logger
from sewer_audit.records.mark_rules import Visit
from sewer_audit.records.model import (
    ROLES,
    ClockCorrection,
    ColumnSpec,
    HandRecord,
    InvoiceRecord,
    LoggerRecord,
    MeterChange,
    RegisterRecord,
    Table,
)
from sewer_audit.records.registers import read_register
from sewer_audit.records.rules import DEFAULT_RULES, Parameter, Rule, screening_rules
from sewer_audit.records.screening import read_visits, screen
from sewer_audit.records.steps import Durations, accepted_durations
from sewer_audit.records.tables import read_table
from sewer_audit.records.waterml import read_waterml

__all__ = [
    "DEFAULT_RULES",
    "ROLES",
    "AmountRecord",
    "ClockCorrection",
    "ColumnSpec",
    "Durations",
    "HandRecord",
    "InvoiceRecord",
    "LoggerRecord",
    "MeterChange",
    "Parameter",
    "RegisterRecord",
    "Rule",
    "Table",
    "Visit",
    "accepted_durations",
    "as_logger",
    "combine_registers",
    "join_series",
    "read_amounts",
    "read_green_button",
    "read_hand_readings",
    "read_invoices",
    "read_logger",
    "read_register",
    "read_table",
    "read_visits",
    "read_waterml",
    "screen",
    "screening_rules",
    "with_rain",
]
