"""One example priced from words: the ordinance's own, before any invoice is looked at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal, InvalidOperation
from typing import Any

from sewer_audit.charges.pricing.account_files import read_earlier_use
from sewer_audit.charges.pricing.price import PricedInvoice, price
from sewer_audit.charges.pricing.strengths import read_samples
from sewer_audit.charges.schedule.facts import InvoiceFacts, Sample, UsePeriod
from sewer_audit.charges.schedule.figures import EXACT, Rounding, plain
from sewer_audit.charges.schedule.values import amount_of
from sewer_audit.charges.schedule.versions import Schedule
from sewer_audit.errors import AuditError, InputRefused
from sewer_audit.units import exact, number_in

__all__ = ["Example", "price_example"]

KNOWN = {
    "volume": 'metered volume with its unit, such as "100 kgal"; what is taken off: by its name',
    "billed": "charged volume itself, in place of the metered one",
    "days": "days of the bill, from the day the newest edition is in force",
    "start": "first read, such as 2025-01-06",
    "end": "last read",
    "bill_date": "day of the bill; the end if left out",
    "months": "months the bill stands for",
    "meter_size": "as the schedule writes it",
    "customer_class": "as the schedule writes it",
    "winter": 'uses of the winter\'s bills, such as "152, 139, 144", in the unit of volume',
    "earlier_use": "a file with start, end, volume",
    "samples": "a file with date, parameter, value, unit",
    "total": "what the example comes to, to compare",
}


def _shown(value: Decimal) -> str:
    """A figure to six decimals at most; the pricing itself rounds as the schedule says."""
    return f"{plain(EXACT.rounded(value, Rounding(Decimal('0.000001'), 'half up'))):f}"


@dataclass(frozen=True)
class Example:
    """A priced example beside the total it should come to, if that was stated."""

    priced: PricedInvoice
    total: Decimal | None
    not_taken_off: tuple[str, ...] = ()

    @property
    def agrees(self) -> bool:
        """Whether it comes to the stated total, or none was stated [-]."""
        return self.total is None or self.total == self.priced.total

    def __str__(self) -> str:
        told = [f"  {v.name}: {_shown(v.value)} {v.unit} ({v.how})" for v in self.priced.volumes]
        if self.not_taken_off:
            told.append(
                f"  nothing is taken off for {', '.join(self.not_taken_off)}, which is not given; "
                "billed= prices a charged volume as it stands"
            )
        for line in self.priced.lines:
            terms = line.terms if len(line.terms) > 1 or line.rate is None else ()
            how = "" if terms else f"{_shown(line.quantity)} {line.unit} x {_shown(line.rate)}"
            told.append(f"  {line.name:<28} {line.amount:>12,.2f}   {how}".rstrip())
            told += [
                f"      {t.name}: {_shown(t.quantity)} x {_shown(t.rate)} = {_shown(t.amount)}"
                for t in terms
            ]
        told.append(f"  {'total':<28} {self.priced.total:>12,.2f} {self.priced.currency}")
        if self.total is not None:
            difference = self.priced.total - self.total
            told.append(
                "  equal to the stated total"
                if self.agrees
                else f"  NOT the stated total {self.total:,.2f}: differs by {difference:+,.2f} "
                "(an example of an older edition states start=, a day of it)"
            )
        return "\n".join(told)


def price_example(schedule: Schedule, given: Mapping[str, str]) -> Example:
    """Price what an example states.

    Parameters
    ----------
    schedule : Schedule
        The rates [-].
    given : mapping
        Word to what it is, such as volume to "100 kgal"; beside the known words every count,
        metered volume and strength that the schedule speaks of [text].

    Returns
    -------
    Example
        Priced, and compared with its total [currency].

    Raises
    ------
    AuditError
        If a word is not known, or a figure cannot be read.
    InputRefused
        If the schedule needs what is not stated.
    """
    words, volumes, counts, strengths = _sorted(schedule, given)
    rules = [rule for version in schedule.version for rule in version.volume]
    known = {name for names in _names(schedule) for name in names} | KNOWN.keys()
    off = {name for rule in rules for name in rule.deducted} - volumes.keys()
    off = off if "volume" in words and "billed" not in words else set()
    unit = _unit(words.get("volume", words.get("billed", "")), schedule)
    metered = {name: _volume(text, unit, schedule, name) for name, text in volumes.items()}
    metered |= dict.fromkeys(off, Decimal(0))
    start, end = _period(schedule, words)
    stated = {name: _decimals(text, name) for name, text in strengths.items()}
    samples = [Sample(start, name, v) for name, vs in stated.items() if len(vs) > 1 for v in vs]
    winter = [
        UsePeriod(_volume(text, unit, schedule, "winter"))
        for text in words.get("winter", "").split(",")
        if text.strip()
    ]
    facts = InvoiceFacts(
        invoice="example",
        start=start,
        end=end,
        volume_unit=unit,
        volumes=metered,
        billed_volume=_volume(words["billed"], unit, schedule, "billed")
        if "billed" in words
        else None,
        bill_date=_day(words["bill_date"], "bill_date") if "bill_date" in words else end,
        months=_decimals(words["months"], "months")[0] if "months" in words else None,
        meter_size=words.get("meter_size"),
        customer_class=words.get("customer_class"),
        counts={name: _decimals(text, name)[0] for name, text in counts.items()},
        strengths={name: values[0] for name, values in stated.items() if len(values) == 1},
        samples=(*samples, *(read_samples(words["samples"]) if "samples" in words else ())),
        winter=(
            *winter,
            *(read_earlier_use(words["earlier_use"]) if "earlier_use" in words else ()),
        ),
    )
    total = _decimals(words["total"], "total")[0] if "total" in words else None
    try:
        return Example(price(schedule, facts), total, tuple(sorted(off)))
    except InputRefused as fault:
        lacking = [each.column for each in fault.problems if each.column in known]
        if not lacking:
            raise
        told = " ".join(f"{'volume' if word == 'intake' else word}=..." for word in lacking)
        raise AuditError(f"the schedule needs more than is given; write also {told}") from None


def _sorted(schedule: Schedule, given: Mapping[str, str]) -> tuple[dict[str, str], ...]:
    """The words of an example: known ones, metered volumes, counts, strengths."""
    starts, others, counts, strengths = _names(schedule)
    words = {name: text for name, text in given.items() if name in KNOWN}
    rest = {name: text for name, text in given.items() if name not in KNOWN}
    for name in rest:
        if name not in (*starts, *others, *counts, *strengths):
            known = [*KNOWN, *sorted({*starts, *others, *counts, *strengths} - KNOWN.keys())]
            raise AuditError(f"{name!r} is not known; known are {', '.join(known)}")
    volumes = {name: words["volume"] for name in starts if "volume" in words}
    volumes |= {name: text for name, text in rest.items() if name in (*starts, *others)}
    return (
        words,
        volumes,
        {name: text for name, text in rest.items() if name in counts},
        {name: text for name, text in rest.items() if name in strengths},
    )


def _names(schedule: Schedule) -> tuple[set[str], set[str], set[str], set[str]]:
    """Metered volumes a rule starts from, other volumes, counts and strengths it speaks of."""
    starts, others, counts, strengths = set(), set(), set(), set()
    for version in schedule.version:
        for rule in version.volume:
            starts.add(rule.metered)
            others |= {*rule.deducted, *rule.added, *(rule.rule.names if rule.rule else ())}
            counts |= {"equivalent units"} if rule.basis == "equivalent units" else set()
        for charge in version.charge:
            count = getattr(charge, "count", None) or ()
            counts |= {count} if isinstance(count, str) else {*count}
            strengths |= {
                text
                for key in ("parameter", "oxygen_demand_parameter", "solids_parameter")
                if (text := getattr(charge, key, None))
            }
    return starts, others - {"winter_average"}, counts, strengths


def _unit(text: str, schedule: Schedule) -> str:
    """Unit of the example's volumes: that of its own volume, else of the schedule's first."""
    unit = number_in(text, "volume")[1] if text else ""
    if unit:
        exact(unit, "volume")
        return unit
    first = next((v for version in schedule.version for v in version.volume), None)
    return first.unit if first else "m3"


def _volume(text: str, unit: str, schedule: Schedule, what: str) -> Decimal:
    try:
        return amount_of(text.strip(), unit, schedule.conversions)
    except ValueError as error:
        raise AuditError(f"{what}: {error}") from None


def _decimals(text: str, what: str) -> list[Decimal]:
    try:
        return [Decimal(part.replace("mg/L", "").strip()) for part in text.split(",")]
    except InvalidOperation:
        raise AuditError(f"{what}: {text!r} is no number; write for example {what}=12.5") from None


def _day(text: str, what: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise AuditError(f"{what}: {text!r} is no date; write it as 2025-01-31") from None


def _period(schedule: Schedule, words: Mapping[str, str]) -> tuple[date, date]:
    start = _day(words["start"], "start") if "start" in words else schedule.version[-1].effective
    if "end" in words:
        return start, _day(words["end"], "end")
    if "days" not in words:
        raise AuditError("neither days nor end is stated; write for example days=30")
    days: Any = _decimals(words["days"], "days")[0]
    last = start + timedelta(days=int(days))
    return start, last - timedelta(days=1) if schedule.schedule.end_day_counts else last
