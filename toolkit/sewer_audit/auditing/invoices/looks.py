"""The site's own register beside the reads of the bills: at which count, and how closely known.

Two people who read one meter seldom do so at one minute. What the site's register says of the
city's look is therefore known to a tolerance: one count, plus the flow of the time by which the
two looks may lie apart whatever their stamps say (`read_within` of the meter), or by the hours of
the day where a date stands without one, plus what a straight line between reads hides where none
was taken at the instant.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from sewer_audit.auditing.reading.exchanges import read_meter, unread_in_period
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.auditing.reading.supplies import count_at, per_count
from sewer_audit.auditing.volumes.terms import instants_of
from sewer_audit.balance import IntakeVolumes, intake_volumes
from sewer_audit.case import Case
from sewer_audit.case.models_uses import records_of
from sewer_audit.effluent import Periods
from sewer_audit.records import RegisterRecord

ACCUSED = 0.01
"""Chance that any right invoice of a series lies outside its tolerance by interpolation [-]."""
PEAK = 3.0
"""The flow in the hour of a look over the largest mean flow between two reads (judgement) [-]."""
OF_DAY = 1.5
"""The flow of a whole day over the largest mean flow between two reads (judgement) [-]."""
HALF_A_DAY = 43200.0
DAY = 86400.0
ZERO = Decimal(0)


@dataclass(frozen=True)
class Metered:
    """Volume of one meter in one period, with the half width of its interval."""

    volume: Decimal
    spread: Decimal


@dataclass(frozen=True)
class Look:
    """What the site's register shows at the instant of a read, with its half width [counts]."""

    count: Decimal
    spread: Decimal
    per_count: Decimal = ZERO

    def on(self, per_count: Decimal) -> Look:
        """The same on a dial of larger counts, of which it shows the whole ones.

        Units: per_count [billing unit].
        """
        share = self.per_count / per_count
        return Look(self.count * share, self.spread * share + 1, per_count)


@dataclass(frozen=True)
class Register:
    """One register of a meter, its volumes in the periods, and what it counts in."""

    record: RegisterRecord
    volumes: IntakeVolumes
    unit: str
    multiplier: float
    within: float
    sign: int = 1

    @property
    def largest(self) -> float:
        """Largest mean flow between two reads [counts/s]."""
        known = self.record.frame[self.record.frame["volume_m3"].notna()]
        seconds = (known["time"] - known["time"].iloc[0]).dt.total_seconds().to_numpy()
        step, more = np.diff(seconds), np.diff(known["volume_m3"].to_numpy())
        long = step >= HALF_A_DAY
        rates = more[long] / step[long] if long.any() else np.array([more.sum() / step.sum()])
        return max(float(rates.max()), 0.0) / self.record.count_m3

    def beside(self, unknown: float = 0.0) -> float:
        """What two looks at one read may differ by, so many hours of the day unknown [counts].

        Units: unknown [s].
        """
        if not self.within:  # both read together
            return 0.0
        return self.record.step + self.largest * max(PEAK * self.within, OF_DAY * unknown)

    def reach(self, invoices: int) -> float:
        """How many standard uncertainties of interpolation a right invoice may lie away [-].

        Student's factor, for the variability is itself estimated.
        """
        kept = int(self.record.frame["volume_m3"].notna().sum())
        return float(stdtrit(max(kept - 3, 2), 1 - ACCUSED / 2 / invoices))


class Looks:
    """Every register of a case over the periods of its invoices."""

    def __init__(self, case: Case, inputs: Inputs):
        self.case, self.inputs = case, inputs
        self.frame = inputs.invoices.frame
        ends = (pd.DatetimeIndex(self.frame[name]) for name in ("start", "end"))
        names = tuple(self.frame["invoice"].astype(str))
        self.instants = instants_of(Periods(names, *ends, case.data.case.time_zone))
        uses = records_of(case.data.use)
        self.tables: dict[str, Any] = {each.meter: each for each in case.data.intake} | {
            name: table for name, (_, table, _) in uses.items() if name in inputs.uses
        }
        supplies = [each.read_within for each in case.data.intake if each.role == "supply"]
        self.within = min(supplies) if supplies else 3 * 3600.0
        self.ahead = ZERO
        self.registers: Callable[[str], tuple[Register, ...]] = cache(self._registers)

    def _registers(self, name: str) -> tuple[Register, ...]:
        table, record = self.tables[name], {**self.inputs.meters, **self.inputs.uses}[name]
        within = getattr(table, "read_within", self.within)
        tables = [table, *getattr(table, "further_register", ())]
        parts = record.parts or ((record, 1),)
        return tuple(
            Register(
                part,
                self._volumes(name, part),
                own.unit or "m3",  # interval data bring volumes, no dial
                own.multiplier if own.unit else part.count_m3,
                within,
                sign,
            )
            for (part, sign), own in zip(parts, tables, strict=True)
        )

    def _volumes(self, name: str, part: RegisterRecord) -> IntakeVolumes:
        times, volumes = part.frame["time"], part.frame["volume_m3"]
        step = part.count_m3 * part.step
        return intake_volumes(times, volumes, self.instants, resolution_m3=step, meter=name)

    def volume(self, name: str, row: int, further_only: bool = False) -> Metered | None:
        """What a meter registered in a period, each of its registers priced in its own counts."""
        found = Metered(ZERO, ZERO)
        for register in self.registers(name)[1 if further_only else 0 :]:
            part = self._part(register, row)
            if part is None:
                return None
            found = Metered(found.volume + register.sign * part.volume, found.spread + part.spread)
        return found

    def further(self, name: str, row: int) -> dict[str, Decimal]:
        """What each further register of a meter registered in a period, by its name."""
        parts = zip(self.registers(name)[1:], self.tables[name].further_register, strict=True)
        found = {table.name: self._part(register, row) for register, table in parts}
        return {key: each.volume for key, each in found.items() if each is not None}

    def _part(self, register: Register, row: int) -> Metered | None:
        record, invoice = register.record, self.frame.iloc[row]
        volume = float(register.volumes.volume_m3[row])
        if not np.isfinite(volume) or unread_in_period(record, invoice):
            return None
        unit = self.case.data.invoices.volume_unit
        one = per_count(self.inputs.schedule, register.unit, register.multiplier, unit)
        counts = Decimal(repr(round(volume / record.count_m3, 4)))
        spread = 0.0
        if any(count_at(record, invoice[end], end) is None for end in ("start", "end")):
            spread = register.reach(len(self.frame)) * float(
                register.volumes.standard_m3[row] / record.count_m3
            )
        return Metered(counts * one, Decimal(repr(round(spread + 2 * register.beside(), 4))) * one)

    def look(self, row: int, end: str) -> Look | None:
        """The register of the billed meter at one end of a period; None where it tells nothing."""
        meter = read_meter(self.case)
        if meter is None or meter.form == "green button":
            return None
        return self._look(self.registers(meter.meter)[0], row, end)

    def without_one(self, row: int, end: str) -> list[Look]:
        """The same as the other reads of the site give it, one read beside the instant left out."""
        meter = read_meter(self.case)
        register = self.registers(meter.meter)[0]
        frame, moment = register.record.frame, self.frame[end].iloc[row]
        known = frame.loc[frame["volume_m3"].notna(), "time"]
        found = []
        for time in {known[known <= moment].max(), known[known >= moment].min()} - {pd.NaT}:
            kept = frame.assign(volume_m3=frame["volume_m3"].where(frame["time"] != time))
            if kept["volume_m3"].notna().sum() < 2:
                continue
            record = replace(register.record, frame=kept)
            volumes = self._volumes(meter.meter, record)
            found.append(self._look(replace(register, record=record, volumes=volumes), row, end))
        return [each for each in found if each is not None]

    def _look(self, register: Register, row: int, end: str) -> Look | None:
        record, moment = register.record, self.frame[end].iloc[row]
        beside = Decimal(repr(round(register.beside(self._unknown(record, moment)), 4)))
        read = count_at(record, moment, end)
        unit = self.case.data.invoices.volume_unit
        one = per_count(self.inputs.schedule, register.unit, register.multiplier, unit)
        if read is not None:
            return Look(read + self.ahead, beside, one)
        near = _nearest(record, moment)
        if near is None:
            return None
        place = (
            register.volumes.periods.first if end == "start" else register.volumes.periods.last
        )[row]
        spread = register.reach(len(self.frame)) * float(
            register.volumes.boundary_standard_m3[place] / record.count_m3
        )
        return Look(near + self.ahead, beside + Decimal(repr(round(spread, 4))), one)

    def _unknown(self, record: RegisterRecord, moment: pd.Timestamp) -> float:
        """By how long two looks may lie apart because a date stands without an hour [s].

        The one may fall to any hour of the day whatever hour it is taken for, beside another that
        is known.
        """
        known = record.frame.loc[record.frame["volume_m3"].notna(), "time"]
        beside = {known[known <= moment].max(), known[known >= moment].min()} & record.dated
        hours = [_of_day(each, self.case) for each in beside]
        apart = [max(hour, DAY - hour) for hour in hours]
        unstated = "read_hour" not in self.case.tree.get("invoices", {})
        if unstated and _of_day(moment, self.case) == 0:
            apart.append(DAY)
        return max(apart, default=0.0)


def _of_day(moment: pd.Timestamp, case: Case) -> float:
    """Time of day on the local clock [s]."""
    local = moment.tz_convert(case.zone)
    return float(local.hour * 3600 + local.minute * 60 + local.second)


def _nearest(record: RegisterRecord, moment: pd.Timestamp) -> Decimal | None:
    """The register on the straight line between the kept reads beside an instant [counts]."""
    known = record.frame[record.frame["volume_m3"].notna()]
    before, after = known[known["time"] <= moment], known[known["time"] >= moment]
    if before.empty or after.empty:
        return None
    first, last = before.iloc[-1], after.iloc[0]
    if any(first["time"] < each.time <= last["time"] for each in record.changes):
        return None  # the meter was changed between the two reads
    whole = (last["time"] - first["time"]).total_seconds()
    share = (moment - first["time"]).total_seconds() / whole if whole else 0.0
    more = float(last["register"] - first["register"])
    if more < 0:  # over a roll-over
        more = float(last["volume_m3"] - first["volume_m3"]) / record.count_m3
    return Decimal(repr(round(float(first["register"]) + more * share, 4)))
