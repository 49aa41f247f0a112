"""From what was metered to the volume that is charged."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.pricing.winter import WinterAverage, winter_average
from sewer_audit.charges.schedule.facts import missing
from sewer_audit.charges.schedule.figures import EXACT, NO_ROUNDING, plain
from sewer_audit.charges.schedule.periods import days_between, days_by_month, month_of, usual_units
from sewer_audit.charges.schedule.values import SPAN_DAYS, amount_of

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.facts import InvoiceFacts, UsePeriod
    from sewer_audit.charges.schedule.versions import Schedule, VolumeRule


@dataclass(frozen=True)
class ChargedVolume:
    """A volume that is priced, and how it came about.

    Units: value [`unit`].
    """

    name: str
    value: Any
    unit: str
    how: str


def months_of(facts: InvoiceFacts, days: int) -> Decimal:
    """Months a bill stands for: as stated, else the nearest whole number, at least one."""
    return facts.months if facts.months is not None else whole_units("month", facts, days)


def whole_units(per: str, facts: InvoiceFacts, days: int) -> Decimal:
    """Whole months, quarters or years of a bill; refused where its days lie between two counts."""
    count = usual_units(per, days)
    if count is not None:
        return count
    raise missing(
        facts,
        f"stated months, and its {days} days are no whole number of {per}s",
        "State months for it under [account] by_invoice, or a proration of the charge by days",
        "months",
    )


def span_units(span: str, facts: InvoiceFacts, days: int, number: Any) -> Any:
    """How often a span ("bill", "month", "day", "30 days", "365 days") is in a period."""
    if span == "bill":
        return number(Decimal(1))
    if span == "month":
        return number(months_of(facts, days))
    return number(Decimal(days) / SPAN_DAYS.get(span, Decimal(1)))


def return_factor_of(rule: VolumeRule, facts: InvoiceFacts, end_day_counts: bool) -> Decimal:
    """The return factor of a period: of its month, where the factor changes with the months."""
    if not rule.return_factor_by_month:
        return rule.return_factor

    def of(month: int) -> Decimal:
        return rule.return_factor_by_month.get(month % 12 + 1, rule.return_factor)

    if rule.month_of != "each day":
        return of(month_of(facts.start, facts.end, end_day_counts, rule.month_of))
    days = days_by_month(facts.start, facts.end, end_day_counts)
    weighed = sum(of(month) * count for month, count in days.items())
    return EXACT.divide(weighed, Decimal(sum(days.values())))


def charged_volume(
    rule: VolumeRule,
    schedule: Schedule,
    facts: InvoiceFacts,
    arithmetic: Any,
    billed: Any = None,
    metered: Any = None,
) -> ChargedVolume:
    """The volume one rule charges, from the billed volume if stated, else from the meters.

    Units: billed, metered [unit of the facts]; returns [unit of the rule].
    """
    number, unit = arithmetic.number, facts.volume_unit
    size = number(schedule.litres(unit)), number(schedule.litres(rule.unit))
    rounding = rule.rounding.rounding() if rule.rounding else NO_ROUNDING
    if billed is not None:
        value = arithmetic.divide(number(billed) * size[0], size[1])
        value = arithmetic.rounded(value, rounding)
        return ChargedVolume(rule.name, value, rule.unit, f"as billed, {rounding}")
    basis, how = _basis(rule, schedule, facts, arithmetic, metered)
    factor = return_factor_of(rule, facts, schedule.schedule.end_day_counts)
    value = basis * number(factor) * number(rule.times[0])
    value = arithmetic.divide(value, number(rule.times[1]))
    if factor != 1:
        how += f" x {plain(factor)}"
    if rule.times[0] != rule.times[1]:
        how += f" x {plain(rule.times[0])}/{plain(rule.times[1])}"
    if rule.allowance is not None:
        days = days_between(facts.start, facts.end, schedule.schedule.end_day_counts)
        free = number(amount_of(rule.allowance, rule.unit, schedule.conversions))
        free = free * span_units(rule.allowance_per, facts, days, number)
        value = arithmetic.maximum(value - free, number(Decimal(0)))
        how += f" less {rule.allowance} free per {rule.allowance_per}"
    value = arithmetic.rounded(value, rounding)
    return ChargedVolume(rule.name, value, rule.unit, f"{how}, {rounding}")


def _basis(
    rule: VolumeRule, schedule: Schedule, facts: InvoiceFacts, arithmetic: Any, metered: Any
) -> tuple[Any, str]:
    """The volume before return factor and allowance, in the unit of the rule."""
    number = arithmetic.number
    days = days_between(facts.start, facts.end, schedule.schedule.end_day_counts)
    if rule.basis == "flat":
        periods = span_units(rule.amount_per, facts, days, number)
        return number(rule.amount) * periods, f"{rule.amount} per {rule.amount_per}"
    if rule.basis == "equivalent units":
        units = facts.counts.get("equivalent units")
        if units is None:
            raise missing(facts, "equivalent units", "State them in the case", "counts")
        periods = span_units(rule.amount_per, facts, days, number)
        return number(units) * number(rule.amount) * periods, f"{units} units of {rule.amount}"
    to_unit = _converter(rule, schedule, facts, arithmetic)
    if rule.rule is not None:
        return _by_rule(rule, schedule, facts, arithmetic, to_unit, metered)
    average = _winter(rule, schedule, facts) if rule.averaged else None
    if rule.basis == "winter average" and average is not None:
        return number(average.value), average.how
    used = _metered(rule, facts, arithmetic, to_unit, metered)
    how = rule.metered
    if rule.basis == "intake less deduct":
        how += f" less {', '.join(rule.deduct)}"
        for name in rule.deduct:
            used = used - to_unit(_volume(facts, name))
        used = arithmetic.maximum(used, number(Decimal(0)))
    for name in rule.added:
        used = used + to_unit(_volume(facts, name))
        how += f" plus {name}"
    if average is not None:
        return arithmetic.minimum(used, number(average.value)), f"lower of {how} and {average.how}"
    return used, how


def _by_rule(
    rule: VolumeRule,
    schedule: Schedule,
    facts: InvoiceFacts,
    arithmetic: Any,
    to_unit: Any,
    metered: Any,
) -> tuple[Any, str]:
    """The volume by the steps the schedule states."""
    told = [rule.rule.text]

    def volume_of(name: str) -> Any:
        if name == rule.metered:
            return _metered(rule, facts, arithmetic, to_unit, metered)
        if name != "winter_average":
            return to_unit(_volume(facts, name))
        average = _winter(rule, schedule, facts)
        if average is None:  # a month that is charged on the actual use
            return _metered(rule, facts, arithmetic, to_unit, metered)
        told.append(average.how)
        return arithmetic.number(average.value)

    value = rule.rule.value(volume_of, arithmetic)
    return value, ", ".join(dict.fromkeys(told))


def _converter(rule: VolumeRule, schedule: Schedule, facts: InvoiceFacts, arithmetic: Any) -> Any:
    number = arithmetic.number
    size = number(schedule.litres(facts.volume_unit)), number(schedule.litres(rule.unit))
    return lambda volume: arithmetic.divide(number(volume) * size[0], size[1])


def _winter(rule: VolumeRule, schedule: Schedule, facts: InvoiceFacts) -> WinterAverage | None:
    """The average in the unit of the rule; None where the actual use is charged in its place."""

    def to_unit(use: UsePeriod) -> Decimal:
        size = schedule.litres(use.unit or facts.volume_unit), schedule.litres(rule.unit)
        return EXACT.divide(use.volume * size[0], size[1])

    return winter_average(rule.winter, facts, schedule.schedule.end_day_counts, to_unit)


def _volume(facts: InvoiceFacts, name: str) -> Decimal:
    if name in facts.volumes:
        return facts.volumes[name]
    if name in facts.reads:
        return facts.reads[name][1] - facts.reads[name][0]
    raise missing(facts, f"{name!r} volume", "State what the meter registered", name)


def _metered(
    rule: VolumeRule, facts: InvoiceFacts, arithmetic: Any, to_unit: Any, metered: Any
) -> Any:
    """What the meter registered; each read rounded first where the rule says so."""
    if metered is not None:
        return to_unit(metered)
    if rule.read_rounding is None:
        return to_unit(_volume(facts, rule.metered))
    if rule.metered not in facts.reads:
        raise missing(facts, f"reads of {rule.metered!r}", "State both reads", "previous_read")
    cut = rule.read_rounding.rounding()
    before, after = (arithmetic.rounded(to_unit(r), cut) for r in facts.reads[rule.metered])
    return after - before
