"""The lines of an invoice: charges to terms, terms to lines, each line rounded once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from sewer_audit.charges.pricing.basis import ChargedVolume
from sewer_audit.charges.pricing.strength_terms import (
    band_terms,
    load_terms,
    share_terms,
    trade_effluent_terms,
)
from sewer_audit.charges.pricing.terms import (
    PricedTerm,
    Setting,
    fixed_terms,
    maximum_terms,
    minimum_terms,
    percent_terms,
    volume_terms,
)
from sewer_audit.charges.schedule.figures import EXACT, Rounding, plain
from sewer_audit.charges.schedule.kinds import (
    FixedCharge,
    MaximumCharge,
    MinimumCharge,
    PercentCharge,
    StrengthBands,
    StrengthCharge,
    StrengthShare,
    TradeEffluentCharge,
    VolumeCharge,
)
from sewer_audit.charges.schedule.periods import Part

if TYPE_CHECKING:
    from datetime import date

    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import Schedule

_KINDS = {
    FixedCharge: fixed_terms,
    VolumeCharge: volume_terms,
    MinimumCharge: minimum_terms,
    MaximumCharge: maximum_terms,
    PercentCharge: percent_terms,
    StrengthCharge: load_terms,
    StrengthBands: band_terms,
    StrengthShare: share_terms,
    TradeEffluentCharge: trade_effluent_terms,
}


@dataclass(frozen=True)
class PricedLine:
    """One line of a recomputed invoice.

    Units: quantity, rate [`unit`].
    """

    name: str
    column: str
    quantity: Any
    unit: str
    rate: Any
    amount: Any
    unrounded: Any
    rounding: str
    effective: date
    days: int
    in_total: bool
    terms: tuple[PricedTerm, ...] = ()


@dataclass
class PartLines:
    """The lines of one part of a period while they are made."""

    part: Part
    amounts: dict[str, Any] = field(default_factory=dict)  # finished lines, rounded
    open_terms: list[PricedTerm] = field(default_factory=list)
    setting: Setting | None = None

    @property
    def lines(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(charge.of_line for charge in self.part.version.charge))

    def next_line(self) -> str | None:
        return next((name for name in self.lines if name not in self.amounts), None)

    def amount(self, name: str) -> Any:
        """A finished line, or what the open one has so far."""
        return self.amounts[name] if name in self.amounts else self.raw()

    def raw(self) -> Any:
        zero = self.setting.number(Decimal(0))
        return sum((term.amount for term in self.open_terms), zero)

    def make(self, line: str) -> None:
        """The terms of a line."""
        self.open_terms = []
        for charge in self.part.version.charge:
            if charge.of_line != line:
                continue
            terms = _KINDS[type(charge)](charge, self.setting)
            if charge.term_rounding is not None:
                rule = charge.term_rounding.rounding()
                rounded = self.setting.arithmetic.rounded
                terms = [replace(term, amount=rounded(term.amount, rule)) for term in terms]
            self.open_terms += terms


def priced_lines(
    schedule: Schedule,
    facts: InvoiceFacts,
    parts: Sequence[Part],
    volumes: Sequence[dict[str, ChargedVolume]],
    arithmetic: Any,
) -> list[PricedLine]:
    """Every line of an invoice; a line that several parts share is rounded as the schedule says."""
    days = sum(part.days for part in parts)
    made = [PartLines(part) for part in parts]
    for each, charged in zip(made, volumes, strict=True):
        each.setting = _setting(schedule, facts, each, charged, days, arithmetic)
    found: list[PricedLine] = []
    for name, members in _in_step(made):
        for each in members:
            each.make(name)
        whole = schedule.schedule.split_rounding == "whole line"
        groups = [members] if whole else [[each] for each in members]
        found += [_closed(schedule, name, group, arithmetic) for group in groups]
    return found


def _setting(
    schedule: Schedule,
    facts: InvoiceFacts,
    each: PartLines,
    charged: dict[str, ChargedVolume],
    days: int,
    arithmetic: Any,
) -> Setting:
    version = each.part.version
    return Setting(
        schedule=schedule,
        facts=facts,
        part=each.part,
        days=days,
        arithmetic=arithmetic,
        volumes=lambda name: charged[version.volume_named(name).name],
        line_amount=each.amount,
        lines_so_far=lambda: tuple(each.amounts),
    )


def _in_step(made: Sequence[PartLines]) -> Iterator[tuple[str, list[PartLines]]]:
    """Line after line, for all parts that have it at once; apart where their orders conflict."""
    while True:
        nexts = [(each, each.next_line()) for each in made]
        names = [name for _, name in nexts if name is not None]
        if not names:
            return
        for name in names:
            holders = [each for each in made if name in each.lines and name not in each.amounts]
            if all(each.next_line() == name for each in holders):
                yield name, holders
                break
        else:
            yield names[0], [each for each, name in nexts if name == names[0]]


def _closed(schedule: Schedule, name: str, group: list[PartLines], a: Any) -> PricedLine:
    """Round a line; what rounding changes falls on its last part."""
    first = next(c for c in group[0].part.version.charge if c.of_line == name)
    rule = (first.rounding or schedule.schedule.line_rounding).rounding()
    raws = [each.raw() for each in group]
    raw = sum(raws, a.number(Decimal(0)))
    amount = a.rounded(raw, rule)
    for each, own in zip(group, raws, strict=True):
        each.amounts[name] = own
    group[-1].amounts[name] = raws[-1] + (amount - raw)
    terms = tuple(_dated(term, each.part, group) for each in group for term in each.open_terms)
    only = terms[0] if len(terms) == 1 else None
    told = str(rule)
    if a is EXACT and raw != amount:
        told = f"{_shown(raw)} {told}"
    return PricedLine(
        name=name,
        column=first.of_column,
        quantity=only.quantity if only else None,
        unit=only.unit if only else "",
        rate=only.rate if only else None,
        amount=amount,
        unrounded=raw,
        rounding=told,
        effective=group[0].part.version.effective,
        days=sum(each.part.days for each in group),
        in_total=first.in_total,
        terms=terms,
    )


def _dated(term: PricedTerm, part: Part, group: list[PartLines]) -> PricedTerm:
    """A term that says for which days it is, where a line has several parts."""
    if len(group) == 1:
        return term
    return replace(term, name=f"{term.name} ({part.days} days from {part.start})")


def _shown(value: Decimal) -> str:
    """A figure before rounding, to six decimals at most."""
    return f"{plain(EXACT.rounded(value, Rounding(Decimal('0.000001'), 'half up'))):f}"
