"""The several supply meters an invoice may bill together: dials, reads and changes of each."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pandas as pd

from sewer_audit.auditing.reading.exchanges import counts_of, last_exchange
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.case import Case
from sewer_audit.charges import RegisterFace, Schedule, SupplyMeter
from sewer_audit.charges.schedule.figures import CONTEXT


def per_count(schedule: Schedule, unit: str, multiplier: Any, billing: str) -> Decimal:
    """Volume of one count, with the unit sizes the schedule prints.

    Units: returns [billing unit].
    """
    whole = Decimal(str(multiplier)) * schedule.litres(unit)
    return CONTEXT.divide(whole, schedule.litres(billing))


def count_at(record: Any, moment: pd.Timestamp, end: str) -> Decimal | None:
    """The register at the end of a period, if it was read then and the read was kept.

    Where the meter was changed then, a period ends with the old one and starts with the new one.

    Units: moment [UTC]; returns [counts].
    """
    frame = record.frame
    rows = frame[(frame["time"] == moment) & frame["volume_m3"].notna()]
    place = 0 if end == "end" else -1
    if rows.empty or rows["status"].iloc[place] != "measured":
        return None
    return counts_of(rows["register"].iloc[place])


def supply_meters(case: Case, inputs: Inputs, row: int) -> tuple[SupplyMeter, ...]:
    """The supply meters of an invoice that bills several together.

    Units: returns [billing unit].
    """
    supplies = [intake for intake in case.data.intake if intake.role == "supply"]
    if len(supplies) < 2 or case.data.case.basis != "intake":
        return ()
    return tuple(_supply_meter(case, inputs, row, intake) for intake in supplies)


def _supply_meter(case: Case, inputs: Inputs, row: int, intake: Any) -> SupplyMeter:
    record, invoice = inputs.meters[intake.meter], inputs.invoices.frame.iloc[row]
    shown = record.frame["register"].max()
    digits = intake.digits or (len(str(int(shown))) if shown > 0 else 1)
    unit = case.data.invoices.volume_unit
    face = RegisterFace(per_count(inputs.schedule, intake.unit, intake.multiplier, unit), digits)
    first, last = (count_at(record, invoice[end], end) for end in ("start", "end"))
    reads = None if first is None or last is None else (first, last)
    return SupplyMeter(intake.meter, last_exchange(record.changes, invoice, face), reads, face)
