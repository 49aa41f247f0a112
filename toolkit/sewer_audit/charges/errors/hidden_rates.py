"""Rates that have more figures than the schedule prints: the range the invoices leave for one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from sewer_audit.charges.chain.billed import BilledInvoice
from sewer_audit.charges.pricing.price import price
from sewer_audit.charges.schedule.figures import CONTEXT, EXACT, Rounding, plain
from sewer_audit.charges.schedule.kinds import VolumeCharge

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.versions import Schedule

_NEAR = Decimal("0.005")  # a hidden fraction is small; a rate further off is another rate
_FEWEST = 2


@dataclass(frozen=True)
class HiddenRate:
    """A schedule in which one rate stands with the figures the invoices show it to have."""

    what: str
    schedule: Schedule


def rate_between(
    quantities: Sequence[Decimal], amounts: Sequence[Decimal], step: Decimal
) -> tuple[Decimal, Decimal] | None:
    """The range of a rate that gives every printed amount, rounded half up.

    Units: quantities [any unit]; returns [currency per unit].

    Notes
    -----
    Each amount a of a quantity q leaves the range from (a - step / 2) / q to (a + step / 2) / q;
    the range is what all of them share. Common practice, no source.
    """
    pairs = [(q, a) for q, a in zip(quantities, amounts, strict=True) if q > 0]
    if not pairs:
        return None
    low = max(CONTEXT.divide(a - step / 2, q) for q, a in pairs)
    high = min(CONTEXT.divide(a + step / 2, q) for q, a in pairs)
    return (low, high) if low < high else None


def hidden_rates(schedule: Schedule, bills: Sequence[BilledInvoice]) -> list[HiddenRate]:
    """Rates that no printed figure gives but a finer one would."""
    found = []
    for place, version in enumerate(schedule.version):
        for charge in version.charge:
            if not isinstance(charge, VolumeCharge) or not charge.rate:
                continue
            pairs = _pairs(schedule, bills, place, charge)
            step = (charge.rounding or schedule.schedule.line_rounding).to
            if len(pairs) < _FEWEST or step is None:
                continue
            quantities, amounts = zip(*pairs, strict=True)
            between = rate_between(quantities, amounts, step)
            unit_rate = charge.rate * charge.multiplier / charge.rate_per
            if between is None or between[0] <= unit_rate < between[1]:
                continue
            middle = (between[0] + between[1]) / 2
            if abs(middle / unit_rate - 1) < _NEAR:
                found.append(_hidden(schedule, place, charge, between, middle / unit_rate))
    return found


def _pairs(
    schedule: Schedule, bills: Sequence[BilledInvoice], place: int, charge: VolumeCharge
) -> list[tuple[Decimal, Decimal]]:
    """Quantity and printed amount of a line that is this charge alone, in this version alone."""
    found = []
    for bill in bills:
        priced = price(schedule, bill.facts)
        lines = [line for line in priced.lines if line.column == charge.of_column]
        alone = len(priced.parts) == 1 and len(lines) == 1 and len(lines[0].terms) == 1
        if (
            alone
            and priced.parts[0].version is schedule.version[place]
            and charge.of_column in bill.lines
        ):
            found.append((lines[0].quantity, bill.lines[charge.of_column]))
    return found


def _hidden(
    schedule: Schedule,
    place: int,
    charge: VolumeCharge,
    between: tuple[Decimal, Decimal],
    scale: Decimal,
) -> HiddenRate:
    version = schedule.version[place]
    finer = charge.model_copy(update={"rate": charge.rate * scale})
    charges = tuple(finer if each is charge else each for each in version.charge)
    versions = list(schedule.version)
    versions[place] = version.model_copy(update={"charge": charges})
    six = Rounding(significant=7, rule="half up")
    low, high = (plain(EXACT.rounded(edge, six)) for edge in between)
    what = f"the rate of {charge.name} lies between {low} and {high}, not at {charge.rate}"
    return HiddenRate(what, schedule.model_copy(update={"version": tuple(versions)}))
