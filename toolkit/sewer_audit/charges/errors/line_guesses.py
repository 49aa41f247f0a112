"""What the lines would be under each error of rates, on the billed volume as printed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from decimal import ROUND_HALF_UP, Decimal
from itertools import product
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.chain.billed import BilledInvoice
from sewer_audit.charges.errors.inverted_guesses import inverted_lines
from sewer_audit.charges.errors.surcharge_guesses import surcharge_guesses
from sewer_audit.charges.pricing.price import PricedInvoice, price
from sewer_audit.charges.schedule.editions import Change, Slip, changed, choices, with_editions
from sewer_audit.charges.schedule.figures import plain
from sewer_audit.charges.schedule.kinds import (
    FixedCharge,
    MaximumCharge,
    MinimumCharge,
    PercentCharge,
    Periodic,
    VolumeCharge,
)
from sewer_audit.charges.schedule.values import RoundingTable, amount_of
from sewer_audit.errors import InputRefused

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import Schedule


@dataclass(frozen=True)
class LineGuess:
    """The invoice an error of rates would give."""

    code: str
    what: str
    priced: PricedInvoice


def line_guesses(schedule: Schedule, bill: BilledInvoice) -> Iterator[LineGuess]:
    """What would have been printed under each error of rates."""
    facts = bill.facts
    for made in (
        _versions(schedule, facts),
        _classes(schedule, facts),
        changed(schedule, facts, _tiers(schedule)),
        changed(schedule, facts, _minimums()),
        surcharge_guesses(schedule, bill),
        _periods(schedule, facts),
        changed(schedule, facts, _tax_bases(schedule)),
        _counts(schedule, facts),
        changed(schedule, facts, _twice(schedule)),
        changed(schedule, facts, _left_out(schedule)),
        changed(schedule, facts, _multipliers(schedule)),
        changed(schedule, facts, _rate_units(schedule)),
        _roundings(schedule, facts),
        inverted_lines(schedule, bill),
    ):
        for code, what, other, stated in made:
            try:
                yield LineGuess(code, what, price(other, stated))
            except (InputRefused, ArithmeticError, KeyError):
                continue  # it needs a fact that is not stated, makes no figure, or a line below it


def _versions(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Change]:
    first = schedule.version[0].effective
    for version in schedule.version:
        alone = version.model_copy(update={"effective": min(first, facts.start)})
        single = schedule.model_copy(update={"version": (alone,)})
        label = version.name or version.effective.isoformat()
        yield "wrong-rate-version", f"the rates of {label!r} were used", single, facts
    for rule in ("by start", "by end", "split by days"):
        if rule != schedule.schedule.rate_change and len(schedule.version) > 1:
            what = f"the change of rates inside the period was handled {rule!r}"
            yield "wrong-rate-version", what, schedule.without(rate_change=rule), facts


def _classes(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Change]:
    rows: dict[tuple[str, str], None] = {}
    for charge in (charge for version in schedule.version for charge in version.charge):
        for key, fact in _TABLES.items():
            rows |= dict.fromkeys((fact, row) for row in getattr(charge, key, ()))
    for fact, row in rows:
        if row != getattr(facts, fact):
            what = f"the {fact.removeprefix('customer_').replace('_', ' ')} {row!r} was used"
            yield "wrong-class", what, schedule, facts.but(**{fact: row})


_TABLES = {
    "by_meter_size": "meter_size",
    "by_class": "customer_class",
    "rate_by_class": "customer_class",
}


def _has_blocks(charge: Any) -> bool:
    return isinstance(charge, VolumeCharge) and bool(charge.blocks)


def _tiers(schedule: Schedule) -> Iterator[Slip]:
    blocks = [len(getattr(c, "blocks", ())) for v in schedule.version for c in v.charge]
    most = max(blocks, default=0)
    changes: list[tuple[str, Any]] = []
    for place in range(most):
        changes.append((f"all was charged at the rate of block {place + 1}", _flat(place)))
    for place in range(most - 1):
        for factor, word in ((Decimal(2), "doubled"), (Decimal("0.5"), "halved")):
            for whole in (False, True):
                what = f"the edge of block {place + 1} was {word}"
                changes.append((what, _edge(schedule, place, factor, whole)))
    changes.append(
        ("the block rates were taken in reverse order", lambda c: _moved(c, range(most)[::-1]))
    )
    for shift in (1, -1):
        places = [min(max(k + shift, 0), most - 1) for k in range(most)]
        changes.append(
            (f"the block rates were shifted by {shift}", lambda c, p=places: _moved(c, p))
        )
    changes.append(("the whole volume was charged at the rate of its last block", _whole))
    for per in ("bill", "month", "30 days", "day"):
        update = {"blocks_per": per, "daily_edge_rounding": None}
        changes.append((f"block edges were taken per {per}", update))
    for what, update in changes:
        yield "tier-misapplied", what, _has_blocks, update


def _flat(place: int) -> Callable[[VolumeCharge], dict[str, Any]]:
    return lambda c: {"blocks": (), "rate": c.blocks[min(place, len(c.blocks) - 1)].rate}


def _edge(
    schedule: Schedule, place: int, factor: Decimal, whole: bool
) -> Callable[[VolumeCharge], dict[str, Any]]:
    def change(charge: VolumeCharge) -> dict[str, Any]:
        blocks = list(charge.blocks)
        if place < len(blocks) - 1:
            unit = charge.unit or "m3"
            given = blocks[place].to
            if isinstance(given, str) and charge.unit is None:
                number, _, unit = given.strip().partition(" ")
                scaled: Any = f"{Decimal(number) * factor} {unit}".strip()
            else:
                scaled = amount_of(given, unit, schedule.conversions) * factor
            if whole and isinstance(scaled, Decimal):
                scaled = scaled.to_integral_value(ROUND_HALF_UP)
            blocks[place] = blocks[place].model_copy(update={"to": scaled})
        return {"blocks": tuple(blocks)}

    return change


def _moved(charge: VolumeCharge, places: Any) -> dict[str, Any]:
    """The blocks with the rates of other blocks."""
    last = len(charge.blocks) - 1
    rates = [charge.blocks[min(place, last)].rate for place in places][: last + 1]
    pairs = zip(charge.blocks, rates, strict=True)
    return {"blocks": tuple(block.model_copy(update={"rate": rate}) for block, rate in pairs)}


def _whole(charge: VolumeCharge) -> dict[str, Any]:
    other = "each block" if charge.blocks_on == "whole volume" else "whole volume"
    return {"blocks_on": other}


_OF_A_LIMIT = {"amount", "by_meter_size", "by_class", "proration", "standard_days", "normal_days"}
_OF_A_LIMIT |= {"name", "line", "column", "multiplier", "per"}


def _minimums() -> Iterator[Slip]:
    def on_top(charge: MinimumCharge) -> FixedCharge:
        shared = charge.model_dump(include=_OF_A_LIMIT, exclude_defaults=True)
        kept = {"in_total": charge.in_total, "rounding": charge.rounding}
        return FixedCharge(kind="fixed", **kept, **shared)

    code, what = "minimum-on-top", "the minimum was charged in full on top of the other lines"
    yield code, what, lambda c: isinstance(c, MinimumCharge), on_top
    what = "the volume the minimum includes was charged as well"
    free = lambda c: isinstance(c, VolumeCharge) and c.allowance is not None  # noqa: E731
    yield code, what, free, {"allowance": None}


def _periods(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Change]:
    other = not schedule.schedule.end_day_counts
    words = "both end days were counted" if other else "an end day was left out"
    yield "period-length", words, schedule.without(end_day_counts=other), facts
    for days in {28, 29, 30, 31}:
        last = facts.start + timedelta(days=days)
        yield "period-length", f"{days} days were charged", schedule, facts.but(end=last)
    for months in (1, 2, 3):
        stated = facts.but(months=Decimal(months))
        yield "period-length", f"{months} months were charged", schedule, stated
    ways: dict[str, dict[str, Any]] = {
        f"by {days} days": {"proration": "standard days", "standard_days": Decimal(days)}
        for days in (28, 30, 31)
    }
    ways |= {how: {"proration": how} for how in ("calendar days", "none")}
    for how, update in ways.items():
        what = f"fixed charges were prorated {how}"
        slip = ("period-length", what, _by_months, {"normal_days": None, **update})
        kept = update["proration"] == "none"
        yield from changed(schedule, facts, iter([(*slip[:3], update if kept else slip[3])]))


def _by_months(charge: Any) -> bool:
    return isinstance(charge, Periodic) and charge.per in ("month", "quarter", "year")


def _tax_bases(schedule: Schedule) -> Iterator[Slip]:
    """A tax on other lines than the schedule says: fewer, further ones, or another tax."""
    taxes = {c.name: c for v in schedule.version for c in v.charge if isinstance(c, PercentCharge)}
    taxed = {c.of_line for c in taxes.values()}
    for name, tax in sorted(taxes.items()):
        charges = list(schedule.version[-1].charge)
        place = next((k for k, c in enumerate(charges) if c.name == name), len(charges))
        lines = tuple(dict.fromkeys(c.of_line for c in charges[:place]))
        stated = set(lines) if tax.of == "all" else set(tax.of)
        for base in choices(lines, stated):
            more = [line for line in base if line in taxed and line not in stated]
            code = "tax-on-tax" if more else "tax-base"
            what = f"{name} was taken on {', '.join(base)}"
            this = lambda c, n=name: c.name == n and isinstance(c, PercentCharge)  # noqa: E731
            yield code, what, this, {"of": base}


def _twice(schedule: Schedule) -> Iterator[Slip]:
    """A charge that stands on the bill twice under one line."""
    names = {c.name for v in schedule.version for c in v.charge if isinstance(c, FixedCharge)}
    for name in sorted(names):
        double = lambda c: {"multiplier": c.multiplier * 2}  # noqa: E731
        yield "base-twice", f"{name} was charged twice", lambda c, n=name: c.name == n, double


def _left_out(schedule: Schedule) -> Iterator[Slip]:
    """A charge that does not stand on the bill; a limit that was not kept."""

    def nothing(charge: Any) -> FixedCharge:
        kept = {"name": charge.name, "line": charge.line, "column": charge.column}
        return FixedCharge(kind="fixed", amount=Decimal(0), in_total=charge.in_total, **kept)

    charges = {c.name: c for v in schedule.version for c in v.charge}
    for name, charge in charges.items():
        limit = {MinimumCharge: "minimum", MaximumCharge: "maximum"}.get(type(charge))
        code = "charge-left-out" if limit is None else "limit-ignored"
        what = f"{name} was left out" if limit is None else f"the {limit} {name} was not applied"
        yield code, what, lambda c, n=name: c.name == n, nothing


_OUTSIDE = tuple(map(Decimal, ("1", "1.1", "1.2", "1.25", "1.5", "1.75", "2")))


def _multipliers(schedule: Schedule) -> Iterator[Slip]:
    """The rates times another factor than theirs, such as that for customers outside a city."""
    rated = (FixedCharge, VolumeCharge)
    known = {c.multiplier for v in schedule.version for c in v.charge if isinstance(c, rated)}
    for own, times in product(sorted(known), _OUTSIDE):
        theirs = lambda c, own=own: isinstance(c, rated) and c.multiplier == own  # noqa: E731
        what = f"rates were taken with the multiplier {times} in place of {plain(own)}"
        yield "other-multiplier", what, theirs, {"multiplier": times}


def _rate_units(schedule: Schedule) -> Iterator[Slip]:
    """A rate of one unit applied to the figure of another."""
    for unit in ("kgal", "CCF", "m3", "gal", "cf"):
        for name in {c.name for v in schedule.version for c in v.charge if _rated(c)}:
            size = schedule.litres(unit)

            def taken(charge: VolumeCharge, unit: str = unit, size: Decimal = size) -> Any:
                return {"unit": unit, "blocks": tuple(_bare(b) for b in charge.blocks)}

            this = lambda c, n=name: _rated(c) and c.name == n  # noqa: E731
            yield "rate-unit", f"the rate of {name} was taken as one per {unit}", this, taken


def _rated(charge: Any) -> bool:
    return isinstance(charge, VolumeCharge)


def _bare(block: Any) -> Any:
    """A block whose edge is a figure in whatever unit the rate has."""
    if not isinstance(block.to, str):
        return block
    return block.model_copy(update={"to": Decimal(block.to.split()[0])})


def _counts(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Change]:
    """A charge for each counted unit, such as a month overdue, charged though none was due."""
    counted = {
        name
        for version in schedule.version
        for charge in version.charge
        if isinstance(charge, (FixedCharge, PercentCharge)) and charge.count is not None
        for name in ((charge.count,) if isinstance(charge.count, str) else charge.count)
    }
    for name in sorted(counted):
        due = facts.counts.get(name)
        if due is None:
            continue
        near = (due - 2, due - 1, due + 1, due + 2, 2 * due)
        for count in sorted({each for each in near if each >= 0} - {due}):
            what = f"{name} was counted as {count} in place of {plain(due)}"
            code = "late-fee-not-due" if due == 0 else "other-count"
            yield code, what, schedule, facts.but(counts={**facts.counts, name: count})


def _roundings(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Change]:
    cents = Decimal("0.01")
    for rule in ("half up", "half even", "down", "up"):
        table = RoundingTable(to=cents, rule=rule)
        other = schedule.without(line_rounding=table, total_rounding=table)
        yield "rounding", f"cents were rounded {rule}", other, facts
    for how in ("whole line", "each part"):
        parted = schedule.without(split_rounding=how)
        yield "rounding", f"a line the rates share was rounded as {how!r}", parted, facts
    loose = schedule.without(line_rounding=RoundingTable(rule="none"))
    yield "rounding", "lines were added before they were rounded", loose, facts
    for rule in ("half up", "down", "up"):
        whole = {"rounding": RoundingTable(to=Decimal(1), rule=rule)}
        other = with_editions(
            schedule,
            lambda version, whole=whole: {
                "volume": tuple(each.model_copy(update=whole) for each in version.volume)
            },
        )
        yield "rounding", f"the volume was rounded {rule} to whole units", other, facts
