"""Every input of a case, read; every problem of every file, collected."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.reading.account import AccountRecord, read_account
from sewer_audit.auditing.reading.carried import charge_columns, with_asked
from sewer_audit.auditing.reading.checks import disagreements, stated_problems, whole_problems
from sewer_audit.auditing.reading.known import cut_inputs, cut_record, day_of
from sewer_audit.auditing.reading.readers import (
    amount_record,
    effluent_record,
    invoice_record,
    rain_record,
    register_record,
)
from sewer_audit.case import Case
from sewer_audit.case.models import EffluentTable, Register
from sewer_audit.case.models_records import RecordTable
from sewer_audit.case.models_uses import DatedLog, records_of
from sewer_audit.charges import Schedule, load_rates
from sewer_audit.effluent import levels
from sewer_audit.errors import AuditError, Flag, InputRefused, Problem, Severity
from sewer_audit.records import (
    AmountRecord,
    InvoiceRecord,
    LoggerRecord,
    RegisterRecord,
    with_rain,
)
from sewer_audit.spoken import speaking


@dataclass(frozen=True)
class Inputs:
    """Everything the case names, read and screened.

    Parameters
    ----------
    invoices : InvoiceRecord
        Invoices in force [-].
    schedule : Schedule or None
        Dated rates [-].
    meters : mapping of str to RegisterRecord
        Supply meters by name [m3].
    uses : mapping of str to RegisterRecord
        Registers of uses, by name of the use [m3].
    logger : LoggerRecord or None
        The effluent record with statuses [SI].
    level : array (readings,) or None
        Level of every reading of the record [m].
    problems : tuple of Problem
        Warnings of all readers [-].
    account : AccountRecord
        Samples, payments and other reads of the account [-].
    logs : mapping of str to AmountRecord
        Dated amounts of uses and inflows, by name of the use [SI].
    """

    invoices: InvoiceRecord
    schedule: Schedule | None
    meters: dict[str, RegisterRecord]
    uses: dict[str, RegisterRecord]
    logger: LoggerRecord | None
    level: Any
    problems: tuple[Problem, ...]
    account: AccountRecord = field(default_factory=AccountRecord)
    logs: dict[str, AmountRecord] = field(default_factory=dict)

    @property
    def flags(self) -> list[Flag]:
        """What the readers want the reader of the report to know [-]."""
        records: list[Any] = [self.invoices, *self.meters.values(), *self.uses.values()]
        records += self.logs.values()
        if self.logger is not None:
            records.append(self.logger)
        return [flag for record in records for flag in record.flags]


IN_FULL = 2
"""Problems of one kind in one column that are told in full before only their lines are [-]."""


@dataclass
class Inspection:
    """What an inspection found, grouped by file; prints itself."""

    problems: list[Problem] = field(default_factory=list)
    read: list[str] = field(default_factory=list)
    flags: list[Flag] = field(default_factory=list)
    places: dict[str, str] = field(default_factory=dict)
    zone: str = ""

    @property
    def refused(self) -> bool:
        """Whether any problem stops the work [-]."""
        return any(problem.severity == "refused" for problem in self.problems)

    def __str__(self) -> str:
        said: dict[str, list[str]] = {}
        for file, line in (each.split(": ", 1) for each in self.read):
            said.setdefault(file, []).append(f"read: {line}")
        for file, text in _told(self.problems):
            said.setdefault(file, []).append(text)
        for flag in sorted(self.flags, key=lambda flag: list(Severity)[::-1].index(flag.severity)):
            said.setdefault(self.places.get(flag.message, "case"), []).append(
                f"{flag.severity}: {flag.message}"
            )
        lines = []
        for file, entries in said.items():
            lines += [f"{file}:", *(f"  {entry}" for entry in entries)]
        stops = sum(problem.severity == "refused" for problem in self.problems)
        warns = len(self.problems) - stops
        warns += sum(flag.severity is not Severity.NOTE for flag in self.flags)
        if self.zone:
            lines.append(f"moments are in the time of {self.zone}")
        notes = _counted(sum(flag.severity is Severity.NOTE for flag in self.flags), "note")
        lines.append(f"{stops} refused, {_counted(warns, 'warning')}, {notes}")
        return "\n".join(lines)


def _told(problems: list[Problem]) -> list[tuple[str, str]]:
    """File and text of every problem, by lines; many of one kind in full twice, then by lines."""
    kinds: dict[tuple[str, ...], list[Problem]] = {}
    for problem in sorted(problems, key=lambda p: (p.severity != "refused", p.line or 0)):
        kind = (problem.severity, problem.file, problem.column or "", problem.code, problem.remedy)
        kinds.setdefault(kind, []).append(problem)
    told = []
    for (severity, file, column, *_), members in kinds.items():
        short = len(members) > IN_FULL + 1 and all(p.line is not None for p in members)
        for problem in members[: IN_FULL if short else None]:
            text = str(problem).removeprefix(file).lstrip(", ").removeprefix(": ")
            told.append((problem.line or 0, severity, file, text))
        if short:
            lines = ", ".join(str(problem.line) for problem in members[IN_FULL:])
            text = f"lines {lines}{f', column {column}' if column else ''}: the same fault"
            told.append((members[IN_FULL - 1].line or 0, severity, file, text))
    told.sort(key=lambda each: (each[1] != "refused", each[0]))
    return [(file, f"{severity}: {text}") for _, severity, file, text in told]


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


class Reader:
    """Calls the readers one after the other and keeps what each refuses."""

    def __init__(self, case: Case, until: pd.Timestamp | None = None):
        self.case, self.inspection, self.until = case, Inspection(), until

    def call(
        self, said: Callable[[Any], str], read: Callable[[], Any], kept: tuple[Any, ...] = ()
    ) -> Any:
        """What `read` returns; None where it refuses.

        kept: Name, table and files; read again only where one of them or the case around changed.
        """
        try:
            record = self._remembered(kept, read) if kept else read()
        except InputRefused as error:
            self.inspection.problems += error.problems
            return None
        except AuditError as error:
            problem = Problem(self.case.file.name, str(error), "Correct the case or the file")
            self.inspection.problems.append(problem)
            return None
        told = said(record)
        self.inspection.read.append(told)
        if not isinstance(record, np.ndarray):
            self.inspection.problems += getattr(record, "problems", ())
            notes = getattr(record, "flags", ())
            self.inspection.flags += notes
            for note in notes:
                self.inspection.places.setdefault(note.message, told.split(": ", 1)[0])
        return record

    def _remembered(self, kept: tuple[Any, ...], read: Callable[[], Any]) -> Any:
        name, table, files = kept
        data, paths = self.case.data, [self.case.path(file) for file in files]
        if not all(path.is_file() for path in paths):
            return read()  # which says what is missing
        stats = [path.stat() for path in paths]
        key = (repr(table), repr(data.case), repr(data.display), repr(data.invoices.read_hour))
        key += tuple((file, s.st_mtime_ns, s.st_size) for file, s in zip(files, stats, strict=True))
        if self.case.memory.get(name, ((), None))[0] != key:
            self.case.memory[name] = (key, read())
        return self.case.memory[name][1]

    def invoices(self) -> InvoiceRecord | None:
        file = ", ".join(self.case.data.invoices.files)
        day = None if self.until is None else day_of(self.case, self.until)
        charges = _columns_of_rates(self.case)
        return self.call(
            lambda record: f"{file}: {_counted(len(record.frame), 'invoice')}",
            lambda: invoice_record(self.case, day, charges),
            ("invoices", (self.case.data.invoices, charges), self.case.data.invoices.files),
        )

    def register(self, table: Register, name: str) -> RegisterRecord | None:
        shown = ", ".join(table.every_file)
        return self.call(
            lambda record: (
                f"{shown}: {record.frame['register'].notna().sum():,} register reads of {name}"
            ),
            lambda: register_record(self.case, table, name, self.until),
            (name, (table, self.until), table.every_file),
        )

    def log(self, table: DatedLog, kind: str) -> AmountRecord | None:
        return self.call(
            lambda record: f"{table.file}: {len(record.frame):,} dated amounts",
            lambda: amount_record(self.case, table, kind),
        )

    def logger(self, table: EffluentTable) -> LoggerRecord | None:
        record = self.call(
            lambda record: f"{', '.join(table.files)}: {len(record.frame):,} readings",
            lambda: effluent_record(self.case, table),
            ("effluent", table.model_dump(include={*RecordTable.model_fields}), table.files),
        )
        gauge = table.rain_gauge
        if gauge is None:
            return record
        rain = self.call(
            lambda record: f"{', '.join(gauge.files)}: {len(record.frame)} amounts of rain",
            lambda: rain_record(self.case, gauge),
        )
        return record if record is None or rain is None else with_rain(record, rain)


def _columns_of_rates(case: Case) -> list[str]:
    """Columns the schedule names; none where it cannot be read, which is told elsewhere."""
    if case.data.rates is None:
        return []
    try:
        return sorted(charge_columns(load_rates(case.path(case.data.rates.file))))
    except (AuditError, OSError):
        return []


def read_all(case: Case, until: pd.Timestamp | None = None) -> tuple[Reader, Inputs | None]:
    """Read every input and collect every problem; no inputs where one of them stops the work."""
    reader, data = Reader(case, until), case.data
    invoices = reader.invoices()
    schedule = None
    if data.rates is not None:
        file = data.rates.file
        schedule = reader.call(
            lambda read: f"{file}: {_counted(len(read.version), 'dated edition')}",
            lambda: load_rates(case.path(file)),
        )
    meters = {intake.meter: reader.register(intake, intake.meter) for intake in data.intake}
    uses, logs = _records_of_uses(reader, data.quantified)
    account = read_account(case, invoices, reader.call)
    if invoices is not None and schedule is not None:
        printed = bool(invoices.frame["deduct"].notna().any())
        twice = disagreements(case, schedule, printed)
        invoices = replace(invoices, flags=(*invoices.flags, *twice))
        reader.inspection.flags += twice
        for each in twice:
            reader.inspection.places[each.message] = case.file.name
        invoices, asked = with_asked(case, invoices, schedule, account.payments)
        reader.inspection.flags += asked
        for each in asked:
            reader.inspection.places[each.message] = ", ".join(data.invoices.files)
    logger, level = None, None
    reader.inspection.problems += stated_problems(case)
    if data.effluent is not None:
        logger = reader.logger(data.effluent)
        logger = logger if until is None else cut_record(logger, until)
        if logger is not None and case.device_fault is None:
            logger, level = _screened(reader, case, logger)
    if reader.inspection.refused or invoices is None:
        return reader, None
    read = Inputs(invoices, schedule, meters, uses, logger, level, (), account, logs)  # type: ignore[arg-type]
    read = read if until is None else cut_inputs(case, read, until)
    reader.inspection.problems += whole_problems(case, read)
    if reader.inspection.refused:
        return reader, None
    return reader, replace(read, problems=tuple(reader.inspection.problems))


def _records_of_uses(reader: Reader, tables: list[Any]) -> tuple[dict, dict]:
    """Registers and dated logs of uses and inflows, by name."""
    kinds = {f"{table.name}: log": table.kind for table in tables}
    uses, logs = {}, {}
    for name, (_, table, _) in records_of(tables).items():
        if isinstance(table, DatedLog):
            logs[name.removesuffix(": log")] = reader.log(table, kinds[name])
        else:
            uses[name] = reader.register(table, name)
    return uses, logs


def humidity_of(table: Any) -> float:
    """Share of saturation of the air over the water: a sewer's air is saturated unless stated."""
    return 1.0 if table.air is None else float(table.air)


def _screened(reader: Reader, case: Case, logger: LoggerRecord) -> tuple[Any, Any]:
    from sewer_audit.auditing.reading.screening import screened

    table = case.data.effluent
    name = ", ".join(table.files)  # type: ignore[union-attr]
    gauge = table.rain_gauge  # type: ignore[union-attr]
    every = [*table.files, *(gauge.files if gauge is not None else ())]  # type: ignore[union-attr]
    level = reader.call(
        lambda level: f"{name}: levels computed for {len(level):,} readings",
        lambda: levels(
            logger.frame,
            case.device,
            table.reference_distance,  # type: ignore[union-attr]
            name,
            humidity_of(table),
        ),
    )
    if level is None:
        return None, None
    done = reader.call(
        lambda record: f"{name}: {_statuses(record)}",
        lambda: screened(case, logger, level),
        ("screened", table.model_copy(update={"cause": [], "checklist": {}}), every),
    )
    return done, level


def _statuses(record: LoggerRecord) -> str:
    status = record.frame["status"].value_counts()
    return ", ".join(f"{count:,} {name}" for name, count in status.items() if count)


def read_inputs(case: Case, until: pd.Timestamp | None = None) -> Inputs:
    """Read and screen every input of a case.

    Parameters
    ----------
    until : Timestamp, optional
        Moment after which nothing is used; see ``known.stated_by`` for the case itself [UTC].

    Raises
    ------
    InputRefused
        With every problem of every file that stops the work.
    """
    with speaking(case.spoken):
        reader, inputs = read_all(case, until)
    if inputs is None:
        refused = [p for p in reader.inspection.problems if p.severity == "refused"]
        raise InputRefused(list(dict.fromkeys(refused)))
    return inputs


def local_dates(
    case: Case, invoices: pd.DataFrame, schedule: Schedule | None = None
) -> pd.DataFrame:
    """Read dates as printed, in the zone of the case.

    Where case and schedule both say that the end date is a day of the period, the instant lies a
    day behind the printed date, and the schedule counts that day: it is counted once.

    Units: invoices [UTC].
    """
    zone = case.data.case.time_zone
    dates = {name: invoices[name].dt.tz_convert(zone).dt for name in ("start", "end")}
    once = case.data.invoices.end_day_counts and schedule is not None
    if once and schedule.schedule.end_day_counts:
        dates["end"] = (invoices["end"].dt.tz_convert(zone) - pd.DateOffset(days=1)).dt
    return pd.DataFrame({name: moments.date for name, moments in dates.items()})
