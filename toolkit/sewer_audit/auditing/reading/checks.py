"""What can be told before anything is computed: instants, causes, and how far records reach."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.balance import intake_volumes
from sewer_audit.case import Case
from sewer_audit.case.models_uses import credited, records_of
from sewer_audit.charges import Schedule
from sewer_audit.effluent import causes_of
from sewer_audit.effluent.integrate import stretches
from sewer_audit.errors import AuditError, Flag, Problem
from sewer_audit.records.files.numbers import fits_currency
from sewer_audit.records.model import INTERVAL

METERED = ("intake", "intake less deduct", "discharge")
"""Bases of a volume that a meter or a record tells."""


def stated_problems(case: Case) -> list[Problem]:
    """Instants the case states that cannot be read."""
    table = case.data.effluent
    problems = []
    stated = [("visit", each) for each in (table.visit if table is not None else ())]
    stated += [("event", each) for each in (table.event if table is not None else ())]
    for number, (kind, each) in enumerate(stated, start=1):
        try:
            stamp = pd.Timestamp(each.time)
            stamp if stamp.tz is not None else stamp.tz_localize(case.zone)
        except (ValueError, TypeError) as error:
            found = f"{kind} time {each.time!r} cannot be read ({error})"
            remedy = "Write it as '2026-02-03 10:20', local time"
            place = number if kind == "visit" else number - len(table.visit)  # type: ignore[union-attr]
            key = f"effluent.{kind}[{place}].time"
            problems.append(Problem(case.file.name, found, remedy, column=key))
    return problems


def disagreements(case: Case, schedule: Schedule, printed: bool) -> list[Flag]:
    """What the case and the rate schedule state of the same thing in two ways.

    Parameters
    ----------
    printed : bool
        Whether the invoices print what was taken off [-].

    Returns
    -------
    list of Flag
        A warning for each [-].
    """
    data, told = case.data, []
    rules = [rule for each in schedule.version if (rule := each.invoiced_volume) is not None]
    factors = {
        float(factor)
        for rule in rules
        if rule.basis in METERED
        for factor in (rule.return_factor, *rule.return_factor_by_month.values())
    }
    if factors and data.case.return_factor not in factors:
        stated = ", ".join(f"{factor:g}" for factor in sorted(factors))
        told.append(("case.return_factor", f"{data.case.return_factor:g}", "return_factor", stated))
    bases = {rule.basis for rule in rules} if len(rules) == len(schedule.version) else set()
    if bases & set(METERED) and ("discharge" in bases) != (data.case.basis == "discharge"):
        told.append(("case.basis", data.case.basis, "basis", ", ".join(sorted(bases))))
    currency = schedule.schedule.currency
    if data.display.money != currency:
        told.append(("display.money", data.display.money, "currency", currency))
    off = sorted({rule.basis for rule in rules if rule.deducted})
    lacking = off and not printed and not any(credited(use) for use in data.use)
    uncredited = Flag(
        "case-and-schedule-disagree",
        "The rate schedule takes off what deduct meters show, no use of the case is credited. "
        "Where a deduct meter stands, write credited = true on its use under [[use]]; where none "
        "exists, nothing is taken off and nothing is to be done",
        {"key": "use.credited", "case": "none", "schedule": ", ".join(map(str, off))},
    )
    return [uncredited] * bool(lacking) + [
        Flag(
            "case-and-schedule-disagree",
            f"{key} is {value}, {other} of the rate schedule is {there}: one of them is wrong, or "
            "they speak of different things. What was due to be billed follows the case, prices "
            "follow the schedule",
            {"key": key, "case": value, "schedule": there},
        )
        for key, value, other, there in told
    ]


def whole_problems(case: Case, inputs: Any) -> list[Problem]:
    """Service periods that a record or a register does not reach, and causes that cannot act."""
    frame, problems = inputs.invoices.frame, _currencies(case, inputs)
    periods = frame[["invoice", "end"]].assign(start=frame["own_start"])
    periods = periods[periods["end"] > periods["start"]]  # days of its own, not an earlier one's
    problems += _registers(case, inputs, periods)
    if inputs.logger is not None and inputs.level is not None:
        problems += _record(case, inputs, periods)
        problems += _idle_causes(case, inputs)
    return problems


def _currencies(case: Case, inputs: Any) -> list[Problem]:
    """Amounts in another currency than that of the schedule, or of the case without one."""
    schedule = inputs.schedule
    currency = case.data.display.money if schedule is None else schedule.currency
    whose = "the case" if schedule is None else "the rate schedule"
    return [
        Problem(
            file,
            f"the amount is in {mark!r}, {whose} is in {currency}",
            "State the invoices in the currency of the schedule, or correct that of the schedule",
            line=line,
            column=column,
        )
        for mark, file, line, column in inputs.invoices.currencies
        if not fits_currency(mark, currency)
    ]


def _idle_causes(case: Case, inputs: Any) -> list[Problem]:
    """Stated causes that this method, or this record, knows no place for."""
    table = case.data.effluent
    assert table is not None
    echo, by_hand = "echo_time" in inputs.logger.frame, table.form == "hand readings"
    tail = "downstream_head" in inputs.logger.frame
    known = causes_of(case.device, echo, by_hand, tail)
    where = f"a {case.device.method}" + (" read by hand" if by_hand else "")
    problems = []
    for number, cause in enumerate(table.cause, start=1):
        if cause.name not in known:
            found = f"cause {cause.name!r} changes nothing for {where}"
            if cause.name in ("air temperature", "air humidity") and not by_hand:
                found += " whose record holds no echo time"
            remedy = f"Leave it out; those that act are {', '.join(known)}"
            key = f"effluent.cause[{number}].name"
            problems.append(Problem(case.file.name, found, remedy, column=key))
    return problems


def _registers(case: Case, inputs: Any, periods: pd.DataFrame) -> list[Problem]:
    files = {intake.meter: intake.every_file for intake in case.data.intake}
    tables = records_of(case.data.quantified)
    files |= {name: named for name, (_, _, named) in tables.items()}
    problems = []
    for name, record in {**inputs.meters, **inputs.uses}.items():
        file = ", ".join(dict.fromkeys(files[name]))
        try:
            volumes = intake_volumes(
                record.frame["time"], record.frame["volume_m3"], periods[["start", "end"]]
            ).volume_m3
        except AuditError as error:
            remedy = "Add reads from before the first to after the last invoice"
            problems.append(Problem(file, str(error), remedy, column="time"))
            continue
        if np.isnan(volumes).all():
            found = "the reads reach no service period of the invoices"
            remedy = "Add reads from before the first to after the last invoice, in order of time"
            problems.append(Problem(file, found, remedy, column="time"))
    return problems


def _record(case: Case, inputs: Any, periods: pd.DataFrame) -> list[Problem]:
    table = case.data.effluent
    assert table is not None
    name = ", ".join(table.files)
    good = (inputs.logger.frame["status"] == "measured").to_numpy() & np.isfinite(inputs.level)
    shares = _covered(inputs.logger.frame[good], periods, table)
    least = case.data.rule.smallest_coverage_of_record
    problems, poor = [], []
    lost = inputs.logger.frame["time"][~good]
    for (_, row), share in zip(periods.iterrows(), shares, strict=True):
        invoice = row["invoice"]
        rejected = bool(((lost >= row["start"]) & (lost < row["end"])).any())
        spared = (table.allow_missing_periods or rejected) and (shares > 0).any()
        if share == 0 and not spared:
            found = f"no accepted reading in the service period of invoice {invoice}"
            if inputs.logger.step > table.longest_bridge:
                found += f" closer to the next than longest_bridge ({table.longest_bridge:.0f} s; "
                found += f"readings are usually {inputs.logger.step:.0f} s apart)"
            remedy = (
                "Add the record of those days, leave the invoice out, or, where there is none, "
            )
            remedy += (
                "write allow_missing_periods = true under [effluent]: it is estimated and marked"
            )
            code = "period-without-record"
            problems.append(Problem(name, found, remedy, None, "time", "refused", code))
        elif share < least and table.form != "hand readings":
            found = f"accepted readings cover {spoken.percent(share)} of the service period of "
            found += f"invoice {invoice}; the rule asks for {spoken.percent(least, 0)}"
            remedy = "Add the record of the missing days, or look at what was rejected"
            code = "coverage below the rule"
            poor.append(Problem(name, found, remedy, None, "time", "warning", code))
    return [*problems, *poor] if problems else []  # else the gate tells the poor ones


def _covered(frame: pd.DataFrame, periods: pd.DataFrame, table: Any) -> np.ndarray:
    """Share of every period carried by accepted readings; by hand, whether there are any."""
    epoch, second = pd.Timestamp("2000-01-01", tz="UTC"), pd.Timedelta(seconds=1)
    instants = ((frame["time"] - epoch) / second).to_numpy(dtype=float)
    width = frame[INTERVAL].to_numpy(dtype=float) if INTERVAL in frame else None
    spans = np.column_stack([(periods[end] - epoch) / second for end in ("start", "end")])
    if table.form == "hand readings":
        found = [np.any((instants >= low) & (instants < high)) for low, high in spans]
        return np.array(found, dtype=float)
    covered = np.zeros(len(spans))
    for piece in stretches(instants, spans, np.zeros(0), table.longest_bridge, width):
        covered[piece.period] += piece.covered
    return covered / (spans[:, 1] - spans[:, 0])
