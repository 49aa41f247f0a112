"""From the tables of a case to the readers of its files: one call for each kind of input."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import pandas as pd

from sewer_audit.case import Case
from sewer_audit.case.models import ColumnTable, EffluentTable
from sewer_audit.case.models_records import OneRegister, RainGaugeTable, Register
from sewer_audit.case.models_uses import DatedLog
from sewer_audit.case.models_ways import log_dimension
from sewer_audit.records import (
    AmountRecord,
    ClockCorrection,
    ColumnSpec,
    InvoiceRecord,
    LoggerRecord,
    RegisterRecord,
    as_logger,
    combine_registers,
    join_series,
    read_amounts,
    read_green_button,
    read_hand_readings,
    read_invoices,
    read_logger,
    read_register,
    read_waterml,
)
from sewer_audit.records.files.shapes import Shape
from sewer_audit.records.loggers import MAY_BE_MISSING
from sewer_audit.records.rules.status import Status


def invoice_record(
    case: Case, known_by: date | None = None, charges: Sequence[str] = ()
) -> InvoiceRecord:
    """Read the invoices of a case, as far as they were known by a day."""
    table = case.data.invoices
    return read_invoices(
        _paths(case, table.files),
        zone=case.data.case.time_zone,
        volume_unit=table.volume_unit,
        read_hour=table.read_hour,
        end_day_counts=table.end_day_counts,
        overlapping_days=table.overlapping_days,
        not_charges=table.not_charges,
        charges=[*charges, *table.charges],
        columns=table.columns or None,
        day_first=table.day_first,
        decimal=table.decimal,
        sheet=table.sheet,
        shown_as=table.files,
        known_by=known_by,
        because=table.unit_because,
    )


def register_record(
    case: Case, table: Register, name: str, until: pd.Timestamp | None = None
) -> RegisterRecord:
    """Read every register of a meter up to a moment and put them together.

    Units: returns [m3].
    """
    first = _one_register(case, table, until)
    if not table.further_register:
        return first
    others = [_one_register(case, each, until) for each in table.further_register]
    signs = [1, *(1 if each.sign == "add" else -1 for each in table.further_register)]
    return combine_registers([first, *others], signs, name=name)


def _one_register(case: Case, table: OneRegister, until: pd.Timestamp | None) -> RegisterRecord:
    paths = _paths(case, table.files)
    if table.form == "green button":
        return read_green_button(paths, unit=table.unit, shown_as=table.files)
    return read_register(
        paths,
        zone=case.data.case.time_zone,
        unit=str(table.unit),
        multiplier=table.multiplier,
        digits=table.digits,
        columns=table.columns or None,
        day_first=table.day_first,
        decimal=table.decimal,
        sheet=table.sheet,
        read_hour=case.data.invoices.read_hour,
        shown_as=table.files,
        until=until,
        because=table.unit_because,
    )


def amount_record(case: Case, table: DatedLog, kind: str) -> AmountRecord:
    """Read dated amounts of a use or an inflow.

    Units: returns [SI].
    """
    return read_amounts(
        case.path(table.file),
        zone=case.data.case.time_zone,
        unit=table.unit,
        dimension=log_dimension(kind, table.unit),
        columns=table.columns or None,
        day_first=table.day_first,
        decimal=table.decimal,
        sheet=table.sheet,
        shown_as=table.file,
        because=table.unit_because,
    )


def effluent_record(case: Case, table: EffluentTable) -> LoggerRecord:
    """Read the effluent record of a case in whatever form it comes.

    Units: returns [SI].
    """
    read = {"table": _export, "waterml": _series, "hand readings": _by_hand}[table.form]
    return read(case, table)


def _export(case: Case, table: EffluentTable) -> LoggerRecord:
    specs = _specs(table.columns)
    own = [specs | _specs(table.file_columns.get(file, {})) for file in table.files]
    if table.arranged is not None and len(specs) > 1:  # each tag at its own times
        return join_series(
            {role: _of_roles(case, table, [{role: each[role]} for each in own]) for role in specs},
            name=", ".join(table.files),
        )
    return _of_roles(case, table, own)


def _of_roles(case: Case, table: EffluentTable, specs: list[dict[str, ColumnSpec]]) -> LoggerRecord:
    """Columns of the files of a record, one mapping for each file."""
    optional = MAY_BE_MISSING | set(table.may_be_missing)
    return read_logger(
        _paths(case, table.files),
        zone=table.time_zone or case.data.case.time_zone,
        columns=specs,
        time=table.columns["time"],  # type: ignore[arg-type]
        date=table.columns.get("date"),  # type: ignore[arg-type]
        event=table.columns.get("event"),  # type: ignore[arg-type]
        day_first=table.day_first,
        decimal=table.decimal,
        sheet=table.sheet,
        shown_as=table.files,
        stamp=table.stamp,
        missing_marks=table.missing_marks,
        not_missing=table.not_missing,
        required=[role for role in specs[0] if role not in optional],
        corrections=[
            ClockCorrection(each.start, each.end, each.shift) for each in table.clock_correction
        ],
        zone_column=table.columns.get("zone"),  # type: ignore[arg-type]
        offsets=table.zone_offsets or None,
        utc_column=table.columns.get("utc"),  # type: ignore[arg-type]
        site_zone=case.data.case.time_zone,
        round_to=table.round_stamps_to,
        status=_status(table),
        time_form=table.time_form,
        shape=None
        if table.arranged is None
        else Shape(**table.arranged.model_dump(exclude_none=True), day_first=table.day_first),
        **table.clock,
    )


def _series(case: Case, table: EffluentTable) -> LoggerRecord:
    specs = _specs(table.columns)
    records = {
        role: read_waterml(
            _paths(case, table.files),
            role=role,
            unit=spec.unit or None,
            series=spec.name or None,
            zone=table.time_zone or case.data.case.time_zone,
            shown_as=table.files,
            status=_status(table),
            missing_marks=table.missing_marks,
            not_missing=table.not_missing,
        )
        for role, spec in specs.items()
    }
    return join_series(records, name=", ".join(table.files))


def _status(table: EffluentTable) -> Status | None:
    """The status column and what its codes mean."""
    if table.status is None:
        return None
    given = table.status
    codes = {
        code: kind
        for kind in ("good", "doubtful", "bad", "estimated")
        for code in getattr(given, kind)
    }
    bits = {int(bit): kind for bit, kind in given.bits.items()}
    return Status(str(table.columns.get("status", "")), codes, bits)


def _by_hand(case: Case, table: EffluentTable) -> LoggerRecord:
    role = table.value_roles[0]
    spec = _specs(table.columns)[role]
    columns = {"time": str(table.columns["time"]), "reading": spec.name}
    if "remark" in table.columns:
        columns["remark"] = str(table.columns["remark"])
    record = read_hand_readings(
        _paths(case, table.files),
        zone=table.time_zone or case.data.case.time_zone,
        unit=spec.unit,
        role=role,
        columns=columns,
        day_first=table.day_first,
        decimal=table.decimal,
        sheet=table.sheet,
        shown_as=table.files,
        because=spec.because,
    )
    return as_logger(record)


def rain_record(case: Case, table: RainGaugeTable) -> LoggerRecord:
    """Read the rain of a gauge in a file of its own.

    Units: returns [m].
    """
    return read_logger(
        _paths(case, table.files),
        zone=table.time_zone or case.data.case.time_zone,
        columns=_specs(table.columns),
        time=table.columns["time"],  # type: ignore[arg-type]
        date=table.columns.get("date"),  # type: ignore[arg-type]
        day_first=table.day_first,
        decimal=table.decimal,
        sheet=table.sheet,
        shown_as=table.files,
        required=["rain"],
        site_zone=case.data.case.time_zone,
    )


def _paths(case: Case, files: Sequence[str]) -> list[Path]:
    return [case.path(file) for file in files]


def _specs(columns) -> dict[str, ColumnSpec]:
    return {
        role: ColumnSpec(column.name, column.unit, column.unit_because)
        for role, column in columns.items()
        if isinstance(column, ColumnTable)
    }
