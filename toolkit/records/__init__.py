"""Files to tidy records: every reading keeps its status, nothing is dropped or invented."""

from __future__ import annotations

from toolkit.records.amounts import AmountRecord, read_amounts
from toolkit.records.combine import combine_registers
from toolkit.records.green_button import read_green_button
from toolkit.records.hands import as_logger, read_hand_readings
from toolkit.records.invoices import read_invoices
from toolkit.records.joining import join_series, with_rain
from toolkit.records.loggers import read_logger
from toolkit.records.mark_rules import Visit
from toolkit.records.model import (
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
from toolkit.records.registers import read_register
from toolkit.records.rules import DEFAULT_RULES, Parameter, Rule, screening_rules
from toolkit.records.screening import read_visits, screen
from toolkit.records.steps import Durations, accepted_durations
from toolkit.records.tables import read_table
from toolkit.records.waterml import read_waterml

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
