"""What each invoice is priced from: dates, reads, registered volumes, the account."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from sewer_audit.auditing.evidence import Evidence, credited
from sewer_audit.auditing.exchanges import (
    changes_of,
    counts_of,
    exchange_of,
    is_one_meter,
    read_meter,
    unread,
    unread_in_period,
    volume_across,
)
from sewer_audit.auditing.inputs import Inputs, local_dates
from sewer_audit.auditing.own_days import of_own_days, usual_volume, with_own
from sewer_audit.auditing.supplies import count_at, per_count, supply_meters
from sewer_audit.case import Case
from sewer_audit.case.models_uses import records_of
from sewer_audit.charges import (
    BilledInvoice,
    InvoiceFacts,
    RegisterFace,
    Schedule,
    UsePeriod,
)
from sewer_audit.charges.exchange_guesses import counted
from sewer_audit.records import MeterChange
from sewer_audit.units import from_si

__all__ = ["printed_bills", "printed_face"]

ACCUSED = 0.01
"""Chance that any right invoice of a series lies outside its tolerance by interpolation [-]."""
ZERO = Decimal(0)


@dataclass(frozen=True)
class _Metered:
    """Volume of one meter in one period, with the half width of its interval."""

    volume: Decimal
    spread: Decimal


def printed_face(case: Case, inputs: Inputs) -> RegisterFace | None:
    """The dial of the reads that the invoices print.

    Units: returns [billing unit].
    """
    dial = case.data.account.reads or read_meter(case)
    frame, unit = inputs.invoices.frame, case.data.invoices.volume_unit
    reads = frame[["previous_read", "current_read"]].to_numpy(dtype=float)
    if dial is None or inputs.schedule is None or not np.isfinite(reads).any():
        return None
    # without stated digits: as many as the longest printed read shows
    digits = dial.digits or len(str(int(np.nanmax(reads))))
    return RegisterFace(per_count(inputs.schedule, dial.unit, dial.multiplier, unit), digits)


def printed_bills(case: Case, inputs: Inputs, evidence: Evidence) -> list[BilledInvoice]:
    """Every invoice as printed, beside what it should have been priced from.

    Units: evidence [m3]; returns [billing unit].
    """
    frame, face = inputs.invoices.frame, printed_face(case, inputs)
    bills = _bills(case, inputs, evidence.as_printed, face, range(len(frame)))
    history = _history(case, bills)
    bills = [replace(bill, facts=bill.facts.but(history=history)) for bill in bills]
    sharing = [row for row, other in enumerate(frame["shares_with"]) if other]
    if not sharing:
        return bills
    own = _bills(case, of_own_days(inputs), evidence, face, sharing)
    usual = usual_volume([bill for row, bill in enumerate(bills) if row not in sharing])
    for row, part in zip(sharing, own, strict=True):
        holder = str(frame["shares_with"][row])
        bills[row] = with_own(inputs.schedule, bills[row], part, holder, usual)
    return bills


def _history(case: Case, bills: Sequence[BilledInvoice]) -> tuple[UsePeriod, ...]:
    """What the invoices of the series registered, for the average of a later winter."""
    uses = [(bill.facts, bill.facts.volumes.get(case.data.case.basis)) for bill in bills]
    return tuple(UsePeriod(use, f.start, f.end) for f, use in uses if use is not None)


def _bills(
    case: Case, inputs: Inputs, evidence: Evidence, face: RegisterFace | None, rows: Iterable[int]
) -> list[BilledInvoice]:
    dates = local_dates(case, inputs.invoices.frame)
    return [_bill(case, inputs, evidence, row, dates.iloc[row], face) for row in rows]


def _bill(
    case: Case,
    inputs: Inputs,
    evidence: Evidence,
    row: int,
    dates: pd.Series,
    face: RegisterFace | None,
) -> BilledInvoice:
    invoice, lines = inputs.invoices.frame.iloc[row], inputs.invoices.lines.iloc[row]
    printed, own = _printed(invoice), _own_reads(case, inputs, row)
    change = exchange_of(case, inputs, row, face)
    if face is not None and change is not None and not change.inside:
        face = replace(face, per_count=change.new_per_count)
    volumes, spread = _volumes(case, inputs, evidence, row, face)
    facts = _facts(case, inputs, row, dates, volumes)
    meters, read = supply_meters(case, inputs, row), read_meter(case)
    one = face is not None and not meters
    if one and is_one_meter(case, inputs, row, face, own or printed):
        facts = facts.but(reads=_as_volumes(case, own or printed, face))
    return BilledInvoice(
        facts,
        {str(name): amount for name, amount in lines.items() if isinstance(amount, Decimal)},
        invoice["total"],
        str(invoice["read_type"]),
        *printed,
        own,
        tolerance=spread * _largest_share(inputs.schedule),
        uses=tuple(u.name for u in case.data.use if not credited(u) and u.name in volumes),
        exchange=change,
        meters=meters,
        read_of=read.meter if meters and read is not None else "",
    )


def _largest_share(schedule: Schedule) -> Decimal:
    """Largest share of a metered volume that any version of the schedule charges."""
    rules = [version.invoiced_volume for version in schedule.version]
    shares = [
        share
        for rule in rules
        if rule is not None
        for share in (rule.return_factor, *rule.return_factor_by_month.values())
    ]
    return max(shares, default=Decimal(1))


def _as_volumes(case: Case, reads: tuple, face: RegisterFace) -> dict[str, tuple]:
    """Both reads as volumes, over a rollover if the later one is lower."""
    before, after = reads
    if before is None or after is None:
        return {}
    after += Decimal(10) ** face.digits if after < before else 0
    return {case.data.case.basis: (before * face.per_count, after * face.per_count)}


def _facts(
    case: Case, inputs: Inputs, row: int, dates: pd.Series, volumes: Mapping[str, Decimal]
) -> InvoiceFacts:
    invoice, account = inputs.invoices.frame.iloc[row], case.data.account
    own = dict(inputs.account.by_invoice.get(str(invoice["invoice"]), {}))
    counts = {**account.counts, **own.pop("counts", {})}
    facts = InvoiceFacts(
        invoice=str(invoice["invoice"]),
        start=dates["start"],
        end=dates["end"],
        volume_unit=case.data.invoices.volume_unit,
        volumes=dict(volumes),
        billed_volume=invoice["billed_volume"],
        bill_date=dates["end"],
        months=account.months,
        meter_size=account.meter_size,
        customer_class=account.customer_class,
        counts=counts,
        strengths=account.strengths,
        samples=inputs.account.samples,
        winter=inputs.account.earlier_use,
    )
    return facts.but(**own)


def _volumes(
    case: Case, inputs: Inputs, evidence: Evidence, row: int, face: RegisterFace | None
) -> tuple[dict[str, Decimal], Decimal]:
    """Metered volumes by their names in the schedule, and the half width of their sum.

    "intake" is the sum of the supply meters, "deduct" that of the credited registers, "discharge"
    what an outlet meter's printed reads give; every meter and use stands under its own name too.
    """
    data, found = case.data, {}
    tables = _registers(case, inputs)
    known = {
        name: _registered(inputs, evidence, name, tables[name], row, data.invoices.volume_unit)
        for name in tables
    }
    meter = read_meter(case)
    if face is not None:
        name = "printed" if meter is None else meter.meter
        known[name] = _by_printed_reads(case, inputs, row, face, known.get(name))
    found = {name: each.volume for name, each in known.items() if each and name != "printed"}
    if data.case.basis == "discharge":
        outlet = known.get("printed")
        return (found | {"discharge": outlet.volume}, outlet.spread) if outlet else ({}, ZERO)
    supplies = [i.meter for i in data.intake if i.role == "supply"] or ["printed"]
    supplied = [known.get(name) for name in supplies]
    deducts = [_credit(u, known, evidence, row, data.invoices.volume_unit) for u in data.use]
    deducts = [each for use, each in zip(data.use, deducts, strict=True) if credited(use)]
    if any(each is None for each in (*supplied, *deducts)):
        return {}, ZERO
    found["intake"] = sum((each.volume for each in supplied), ZERO)
    found["deduct"] = sum((each.volume for each in deducts), ZERO)
    return found, sum((each.spread for each in (*supplied, *deducts)), ZERO)


def _registers(case: Case, inputs: Inputs) -> dict[str, Any]:
    """Name of every register to its table in the case: supply meters, uses and their drains."""
    uses = records_of(case.data.use)
    return {intake.meter: intake for intake in case.data.intake} | {
        name: table for name, (_, table, _) in uses.items() if name in inputs.uses
    }


def _credit(
    use: Any, known: Mapping[str, _Metered | None], evidence: Evidence, row: int, unit: str
) -> _Metered | None:
    """What the schedule takes off for one use: by its meters, else as its stated inputs give it."""
    if use.kind == "deduct meter":
        into, drain = known[use.name], known.get(f"{use.name}: drain")
        if into is None or use.drain is None:
            return into
        if drain is None:
            return None
        return _Metered(into.volume - drain.volume, into.spread + drain.spread)
    if use.name not in evidence.credits:
        return None
    volume = float(from_si(evidence.credits[use.name][row], unit, "volume"))
    return _Metered(Decimal(repr(round(volume, 4))), ZERO) if math.isfinite(volume) else None


def _registered(
    inputs: Inputs, evidence: Evidence, name: str, table: Any, row: int, unit: str
) -> _Metered | None:
    """What the site's own reads give for a period; exact between reads at both its ends."""
    volumes, record = evidence.registers[name], {**inputs.meters, **inputs.uses}[name]
    volume = float(volumes.volume_m3[row])
    if not math.isfinite(volume) or unread_in_period(record, inputs.invoices.frame.iloc[row]):
        return None
    one = per_count(inputs.schedule, table.unit, table.multiplier, unit)
    counts = Decimal(repr(round(volume / record.count_m3, 4)))
    invoice, spread = inputs.invoices.frame.iloc[row], 0.0
    if any(count_at(record, invoice[end], end) is None for end in ("start", "end")):
        spread = _reach(record, len(inputs.invoices.frame)) * float(
            volumes.standard_m3[row] / record.count_m3
        )
    return _Metered(counts * one, Decimal(repr(round(spread, 4))) * one)


def _reach(record: Any, invoices: int) -> float:
    """How many standard uncertainties of interpolation a right invoice may lie away [-].

    Student's factor, for the variability is itself estimated.
    """
    kept = int(record.frame["volume_m3"].notna().sum())
    return float(stdtrit(max(kept - 3, 2), 1 - ACCUSED / 2 / invoices))


def _by_printed_reads(
    case: Case, inputs: Inputs, row: int, face: RegisterFace, own: _Metered | None
) -> _Metered | None:
    """The printed reads of a period, where both are actual, connect with those of the invoices
    beside it, and the site's own do not object.

    Where the site has reads at exactly these instants, those stand: they show a misread. A fall of
    the reads is a rollover where it comes to a volume of the size of the others; else it may be a
    change of meter nobody stated, and tells no volume.
    """
    if own is not None and own.spread == 0:
        return own
    if unread(case, inputs, row):
        return None
    frame = inputs.invoices.frame
    before = frame.iloc[row - 1] if row else None
    estimated = frame.iloc[row]["read_type"] == "estimated" or (
        before is not None and before["read_type"] == "estimated"
    )
    reads = _printed(frame.iloc[row])
    if estimated or None in reads or not _connects(frame, row, changes_of(case, inputs)):
        return own
    first, last = reads
    volume = volume_across(case, inputs, row, face, (first, last))
    if volume is None:
        if not is_one_meter(case, inputs, row, face, reads):
            return own
        volume = counted(first, last, face) * face.per_count
    if own is not None and abs(volume - own.volume) > own.spread:
        return own
    return _Metered(volume, ZERO)


def _connects(frame: pd.DataFrame, row: int, changes: Sequence[MeterChange]) -> bool:
    """Whether the invoices before and after print the same reads at the shared instants.

    Where the meter was changed at such an instant they print that of the old and of the new one.
    """
    for one, other in ((row - 1, row), (row, row + 1)):
        if one < 0 or other >= len(frame) or frame["end"].iloc[one] != frame["start"].iloc[other]:
            continue
        before, after = _printed(frame.iloc[one])[1], _printed(frame.iloc[other])[0]
        if before is not None and after is not None and before != after:
            pair, moment = (float(before), float(after)), frame["end"].iloc[one]
            if not any(c.time == moment and pair == (c.final_read, c.first_read) for c in changes):
                return False
    return True


def _printed(invoice: pd.Series) -> tuple[Decimal | None, Decimal | None]:
    return counts_of(invoice["previous_read"]), counts_of(invoice["current_read"])


def _own_reads(case: Case, inputs: Inputs, row: int) -> tuple[Decimal, Decimal] | None:
    meter = read_meter(case)
    if meter is None:
        return None
    invoice, record = inputs.invoices.frame.iloc[row], inputs.meters[meter.meter]
    first, last = (count_at(record, invoice[end], end) for end in ("start", "end"))
    return None if first is None or last is None else (first, last)
