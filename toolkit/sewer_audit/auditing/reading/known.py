"""What was known at a moment: inputs and statements of a case cut there, and what that leaves out.

The day on which it is decided what may still be claimed is no knowledge of a past quarter and
stays as the case states it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any

import pandas as pd

from sewer_audit.auditing.reading.account import AccountRecord
from sewer_audit.case import Case
from sewer_audit.charges import Schedule
from sewer_audit.records import InvoiceRecord, LoggerRecord, RegisterRecord

REREAD = ("invoices", "screened")
"""What is read anew where less is known: corrections, and what a record's screening says."""


def day_of(case: Case, until: pd.Timestamp) -> date:
    """The last day before a moment, in the zone of the case."""
    return (until.tz_convert(case.zone) - pd.Timedelta(seconds=1)).date()


def _last_edition(case: Case, inputs: Any, until: pd.Timestamp) -> date:
    """Day up to which an edition is known: one that prices the end of a period counts too."""
    ends = inputs.invoices.frame["end"]
    last = ends[ends <= until].max()
    return max(day_of(case, until), last.tz_convert(case.zone).date())


def stated_by(case: Case, until: pd.Timestamp) -> Case:
    """The case without the visits and events after a moment."""
    memory = {name: kept for name, kept in case.memory.items() if name not in REREAD}
    table, data = case.data.effluent, case.data
    if table is not None:
        kept = {
            name: [each for each in getattr(table, name) if not _later(case, each, until)]
            for name in ("visit", "event")
        }
        data = data.model_copy(update={"effluent": table.model_copy(update=kept)})
    return replace(case, data=data, memory=memory)


def _later(case: Case, stated: Any, until: pd.Timestamp) -> bool:
    try:
        stamp = pd.Timestamp(stated.time)
        return (stamp if stamp.tz is not None else stamp.tz_localize(case.zone)) > until
    except (ValueError, TypeError):
        return False  # refused with its key where it is used


def cut_record(record: LoggerRecord | None, until: pd.Timestamp) -> LoggerRecord | None:
    """A record that is not screened yet, up to a moment."""
    if record is None:
        return None
    frame = record.frame[record.frame["time"] <= until].reset_index(drop=True)
    return replace(record, frame=frame, gaps=record.gaps[record.gaps["end"] <= until])


def cut_inputs(case: Case, inputs: Any, until: pd.Timestamp) -> Any:
    """Every other input up to a moment; an invoice counts by the end of its period."""
    invoices, day = _invoices(inputs.invoices, until), day_of(case, until)
    return replace(
        inputs,
        invoices=invoices,
        schedule=_schedule(inputs.schedule, _last_edition(case, inputs, until)),
        meters=_registers(inputs.meters, until),
        uses=_registers(inputs.uses, until),
        logs={
            name: replace(log, frame=_rows(log.frame, until)) for name, log in inputs.logs.items()
        },
        account=_account(inputs.account, set(invoices.frame["invoice"].astype(str)), day, until),
    )


def _rows(frame: pd.DataFrame, until: pd.Timestamp, column: str = "time") -> pd.DataFrame:
    return frame[frame[column] <= until].reset_index(drop=True)


def _invoices(record: InvoiceRecord, until: pd.Timestamp) -> InvoiceRecord:
    kept = record.frame["end"] <= until
    gone = set(record.frame.loc[~kept, "invoice"].astype(str))
    flags = [each for each in record.flags if not gone & {str(v) for v in each.data.values()}]
    return replace(
        record,
        frame=record.frame[kept].reset_index(drop=True),
        lines=record.lines[kept.to_numpy()].reset_index(drop=True),
        superseded=_rows(record.superseded, until, "end"),
        flags=tuple(flags),
    )


def _schedule(schedule: Schedule | None, day: date) -> Schedule | None:
    if schedule is None:
        return None
    kept = tuple(each for each in schedule.version if each.effective <= day)
    return schedule.model_copy(update={"version": kept}) if kept else schedule


def _registers(
    records: Mapping[str, RegisterRecord], until: pd.Timestamp
) -> dict[str, RegisterRecord]:
    return {name: _register(record, until) for name, record in records.items()}


def _register(record: RegisterRecord, until: pd.Timestamp) -> RegisterRecord:
    return replace(
        record,
        frame=_rows(record.frame, until),
        changes=tuple(each for each in record.changes if each.time <= until),
        parts=tuple((_register(part, until), sign) for part, sign in record.parts),
    )


def _account(
    account: AccountRecord, names: set[str], day: date, until: pd.Timestamp
) -> AccountRecord:
    payments = account.payments
    if payments is not None:
        payments = {
            name: tuple(each for each in paid if each.paid_on <= day)
            for name, paid in payments.items()
            if name in names
        }
    return replace(
        account,
        samples=tuple(each for each in account.samples if each.taken <= day),
        by_invoice={name: facts for name, facts in account.by_invoice.items() if name in names},
        payments=payments,
        neighbours=_registers(account.neighbours, until),
    )


def left_out(case: Case, inputs: Any, until: pd.Timestamp) -> dict[str, int]:
    """How much of each input lies after a moment, where anything does."""
    day = day_of(case, until)
    registers = [*inputs.meters.values(), *inputs.uses.values()]
    registers += inputs.account.neighbours.values()
    table, bills = case.data.effluent, inputs.invoices
    stated = [] if table is None else [*table.visit, *table.event]
    paid = (inputs.account.payments or {}).values()
    versions = () if inputs.schedule is None else inputs.schedule.version
    counts = {
        "invoice": int((bills.frame["end"] > until).sum()),
        "correction of an invoice": len(corrected_since(inputs, day)),
        "edition of the schedule": sum(
            each.effective > _last_edition(case, inputs, until) for each in versions
        ),
        "register read": sum(_count(each.frame, until) for each in registers),
        "reading of the record": 0 if inputs.logger is None else _count(inputs.logger.frame, until),
        "visit or event": sum(_later(case, each, until) for each in stated),
        "dated amount": sum(_count(each.frame, until) for each in inputs.logs.values()),
        "laboratory result": sum(each.taken > day for each in inputs.account.samples),
        "payment": sum(each.paid_on > day for part in paid for each in part),
    }
    return {name: count for name, count in counts.items() if count}


def _count(frame: pd.DataFrame, until: pd.Timestamp) -> int:
    return int((frame["time"] > until).sum())


def corrected_since(inputs: Any, day: date) -> dict[str, str]:
    """Invoices of which a correction or a credit was billed after a day, and by which."""
    record = inputs.invoices
    every = pd.concat([record.frame, record.superseded])
    billed = {str(r.invoice): getattr(r, "bill_date", None) for r in every.itertuples()}
    found = {
        str(flag.data["invoice"]): str(flag.data["by"])
        for flag in record.flags
        if flag.code in ("invoice replaced", "invoice credited")
    }
    dated = {name: by for name, by in found.items() if isinstance(billed.get(by), date)}
    return {name: by for name, by in dated.items() if billed[by] > day}
