"""What the lines would be under each error of rates, on the billed volume as printed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import product
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.billed import BilledInvoice
from sewer_audit.charges.figures import plain
from sewer_audit.charges.inverted_guesses import inverted_lines
from sewer_audit.charges.kinds import (
    FixedCharge,
    MinimumCharge,
    PercentCharge,
    Periodic,
    VolumeCharge,
)
from sewer_audit.charges.pricing import PricedInvoice, price
from sewer_audit.charges.surcharge_guesses import surcharge_guesses
from sewer_audit.charges.values import RoundingTable, amount_of
from sewer_audit.errors import InputRefused

if TYPE_CHECKING:
    from sewer_audit.charges.facts import InvoiceFacts
    from sewer_audit.charges.schedule import Schedule

__all__ = ["LineGuess", "line_guesses"]

Change = tuple[str, str, "Schedule", "InvoiceFacts"]


@dataclass(frozen=True)
class LineGuess:
    """The invoice an error of rates would give."""

    code: str
    what: str
    priced: PricedInvoice


def line_guesses(schedule: Schedule, bill: BilledInvoice) -> Iterator[LineGuess]:
    """What would have been printed under each error of rates."""
    makers = (
        _versions,
        _classes,
        _tiers,
        _minimums,
        surcharge_guesses,
        _periods,
        _tax_bases,
        _counts,
        _twice,
        _roundings,
    )
    for maker in makers:
        yield from _priced(maker(schedule, bill.facts))
    yield from _priced(inverted_lines(schedule, bill))


def _priced(changes: Iterator[Change]) -> Iterator[LineGuess]:
    for code, what, changed, facts in changes:
        try:
            yield LineGuess(code, what, price(changed, facts))
        except (InputRefused, ArithmeticError, KeyError):
            continue  # it needs a fact that is not stated, makes no figure, or a line below it


def with_charges(schedule: Schedule, change: Callable[[Any], Any]) -> Schedule | None:
    """A copy with every charge passed through `change`; None if none was changed."""
    versions, touched = [], False
    for version in schedule.version:
        charges = tuple(change(charge) for charge in version.charge)
        touched |= any(new is not old for new, old in zip(charges, version.charge, strict=True))
        versions.append(version.model_copy(update={"charge": charges}))
    return schedule.model_copy(update={"version": tuple(versions)}) if touched else None


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
    sizes: dict[str, None] = {}
    classes: dict[str, None] = {}
    for version in schedule.version:
        for charge in version.charge:
            sizes.update(dict.fromkeys(getattr(charge, "by_meter_size", ())))
            classes.update(dict.fromkeys(getattr(charge, "by_class", ())))
            classes.update(dict.fromkeys(getattr(charge, "rate_by_class", ())))
    for size in sizes:
        if size != facts.meter_size:
            what = f"the meter size {size!r} was used"
            yield "wrong-class", what, schedule, facts.but(meter_size=size)
    for name in classes:
        if name != facts.customer_class:
            what = f"the class {name!r} was used"
            yield "wrong-class", what, schedule, facts.but(customer_class=name)


def _tiers(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Change]:
    most = max(
        (len(getattr(c, "blocks", ())) for v in schedule.version for c in v.charge), default=0
    )
    changes: list[tuple[str, Callable[[VolumeCharge], dict[str, Any]]]] = []
    for place in range(most):
        changes.append((f"all was charged at the rate of block {place + 1}", _flat(place)))
    for place in range(most - 1):
        for factor, word in ((Decimal(2), "doubled"), (Decimal("0.5"), "halved")):
            changes.append(
                (f"the edge of block {place + 1} was {word}", _edge(schedule, place, factor))
            )
    changes.append(("the block rates were taken in reverse order", _reversed))
    for shift in (1, -1):
        changes.append((f"the block rates were shifted by {shift}", _shifted(shift)))
    changes.append(("the whole volume was charged at the rate of its last block", _whole))
    for per in ("bill", "month", "30 days", "day"):
        changes.append((f"block edges were taken per {per}", _per(per)))
    for what, change in changes:
        changed = with_charges(schedule, _only_blocks(change))
        if changed is not None:
            yield "tier-misapplied", what, changed, facts


def _only_blocks(change: Callable[[VolumeCharge], dict[str, Any]]) -> Callable[[Any], Any]:
    def applied(charge: Any) -> Any:
        if not isinstance(charge, VolumeCharge) or not charge.blocks:
            return charge
        return charge.model_copy(update=change(charge))

    return applied


def _flat(place: int) -> Callable[[VolumeCharge], dict[str, Any]]:
    return lambda c: {"blocks": (), "rate": c.blocks[min(place, len(c.blocks) - 1)].rate}


def _edge(
    schedule: Schedule, place: int, factor: Decimal
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
            blocks[place] = blocks[place].model_copy(update={"to": scaled})
        return {"blocks": tuple(blocks)}

    return change


def _reversed(charge: VolumeCharge) -> dict[str, Any]:
    return _rates(charge, [block.rate for block in reversed(charge.blocks)])


def _shifted(shift: int) -> Callable[[VolumeCharge], dict[str, Any]]:
    def change(charge: VolumeCharge) -> dict[str, Any]:
        last = len(charge.blocks) - 1
        places = [min(max(k + shift, 0), last) for k in range(last + 1)]
        return _rates(charge, [charge.blocks[place].rate for place in places])

    return change


def _rates(charge: VolumeCharge, rates: list[Decimal]) -> dict[str, Any]:
    pairs = zip(charge.blocks, rates, strict=True)
    return {"blocks": tuple(block.model_copy(update={"rate": rate}) for block, rate in pairs)}


def _whole(charge: VolumeCharge) -> dict[str, Any]:
    other = "each block" if charge.blocks_on == "whole volume" else "whole volume"
    return {"blocks_on": other}


def _per(per: str) -> Callable[[VolumeCharge], dict[str, Any]]:
    return lambda charge: {"blocks_per": per, "daily_edge_rounding": None}


def _minimums(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Change]:
    def on_top(charge: Any) -> Any:
        if not isinstance(charge, MinimumCharge):
            return charge
        limit = {"amount", "by_meter_size", "by_class", "proration", "standard_days", "normal_days"}
        shared = charge.model_dump(
            include={"name", "line", "column", "multiplier", "per"} | limit, exclude_defaults=True
        )
        return FixedCharge(
            kind="fixed",
            in_total=charge.in_total,
            rounding=charge.rounding,
            **shared,
        )

    def from_first(charge: Any) -> Any:
        if not isinstance(charge, VolumeCharge) or charge.allowance is None:
            return charge
        return charge.model_copy(update={"allowance": None})

    for what, change in (
        ("the minimum was charged in full on top of the other lines", on_top),
        ("the volume the minimum includes was charged as well", from_first),
    ):
        changed = with_charges(schedule, change)
        if changed is not None:
            yield "minimum-on-top", what, changed, facts


def _periods(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Change]:
    other = not schedule.schedule.end_day_counts
    words = "both end days were counted" if other else "an end day was left out"
    yield "period-length", words, schedule.without(end_day_counts=other), facts
    for months in (1, 2, 3):
        yield (
            "period-length",
            f"{months} months were charged",
            schedule,
            facts.but(months=Decimal(months)),
        )
    changes: list[dict[str, Any]] = [
        {"proration": "standard days", "standard_days": Decimal(days), "normal_days": None}
        for days in (28, 30, 31)
    ]
    changes.append({"proration": "calendar days", "normal_days": None})
    changes.append({"proration": "none"})
    for update in changes:

        def prorated(charge: Any, update: dict[str, Any] = update) -> Any:
            if not isinstance(charge, Periodic) or charge.per not in ("month", "quarter", "year"):
                return charge
            return charge.model_copy(update=update)

        changed = with_charges(schedule, prorated)
        if changed is not None:
            days = update.get("standard_days")
            how = f"by {days} days" if days else update["proration"]
            yield "period-length", f"fixed charges were prorated {how}", changed, facts


_MOST_LINES = 6
"""Lines of which every choice is tried as the base of a tax; of more only one left out or added."""


def _tax_bases(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Change]:
    """A tax on other lines than the schedule says: fewer, further ones, or another tax."""
    version = schedule.version[-1]
    taxes = {c.name: c for v in schedule.version for c in v.charge if isinstance(c, PercentCharge)}
    taxed = {c.of_line for c in taxes.values()}
    for name, tax in sorted(taxes.items()):
        charges = list(version.charge)
        place = next((k for k, c in enumerate(charges) if c.name == name), len(charges))
        lines = tuple(dict.fromkeys(c.of_line for c in charges[:place]))
        stated = set(lines) if tax.of == "all" else set(tax.of)
        for base in _choices(lines, stated):
            more = [line for line in base if line in taxed and line not in stated]
            code = "tax-on-tax" if more else "tax-base"
            what = f"{name} was taken on {', '.join(base)}"

            def rebased(charge: Any, name: str = name, base: tuple[str, ...] = base) -> Any:
                if charge.name != name or not isinstance(charge, PercentCharge):
                    return charge
                return charge.model_copy(update={"of": base})

            changed = with_charges(schedule, rebased)
            if changed is not None:
                yield code, what, changed, facts


def _choices(lines: tuple[str, ...], stated: set[str]) -> Iterator[tuple[str, ...]]:
    """Bases a tax may have been taken on, the nearest to the stated one first."""
    if len(lines) <= _MOST_LINES:
        every = [
            tuple(line for line, kept in zip(lines, choice, strict=True) if kept)
            for choice in product((True, False), repeat=len(lines))
        ]
    else:
        near = [stated ^ {line} for line in lines] + [{line} for line in lines] + [set(lines)]
        every = [tuple(line for line in lines if line in chosen) for chosen in near]
    apart = {base: len(stated ^ set(base)) for base in every if base and set(base) != stated}
    yield from sorted(apart, key=lambda base: apart[base])


def _twice(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Change]:
    """A charge that stands on the bill twice under one line."""
    names = {c.name for v in schedule.version for c in v.charge if isinstance(c, FixedCharge)}
    for name in sorted(names):

        def doubled(charge: Any, name: str = name) -> Any:
            if charge.name != name:
                return charge
            return charge.model_copy(update={"multiplier": charge.multiplier * 2})

        changed = with_charges(schedule, doubled)
        if changed is not None:
            yield "base-twice", f"{name} was charged twice", changed, facts


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
        for count in (Decimal(1), Decimal(2), Decimal(3), Decimal(0)):
            if due is None or count == due or due > 3:
                continue
            what = f"{name} was counted as {count} in place of {plain(due)}"
            code = "late-fee-not-due" if due == 0 else "other-count"
            yield code, what, schedule, facts.but(counts={**facts.counts, name: count})


def _roundings(schedule: Schedule, facts: InvoiceFacts) -> Iterator[Change]:
    cents = Decimal("0.01")
    for rule in ("half up", "half even", "down", "up"):
        table = RoundingTable(to=cents, rule=rule)
        changed = schedule.without(line_rounding=table, total_rounding=table)
        yield "rounding", f"cents were rounded {rule}", changed, facts
    for how in ("whole line", "each part"):
        parted = schedule.without(split_rounding=how)
        yield "rounding", f"a line the rates share was rounded as {how!r}", parted, facts
    loose = schedule.without(line_rounding=RoundingTable(rule="none"))
    yield "rounding", "lines were added before they were rounded", loose, facts
    for rule in ("half up", "down", "up"):
        versions = []
        for version in schedule.version:
            rounded = tuple(
                v.model_copy(update={"rounding": RoundingTable(to=Decimal(1), rule=rule)})
                for v in version.volume
            )
            versions.append(version.model_copy(update={"volume": rounded}))
        changed = schedule.model_copy(update={"version": tuple(versions)})
        yield "rounding", f"the volume was rounded {rule} to whole units", changed, facts
