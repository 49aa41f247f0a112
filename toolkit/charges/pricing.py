"""A rate schedule and one invoice's facts to priced lines: exactly, or for draws of the volume."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal, localcontext
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from toolkit.charges.basis import ChargedVolume, charged_volume
from toolkit.charges.figures import CONTEXT, DRAWS, EXACT, Rounding, plain
from toolkit.charges.kinds import (
    FixedCharge,
    MinimumCharge,
    PercentCharge,
    StrengthBands,
    StrengthCharge,
    StrengthShare,
    TradeEffluentCharge,
    VolumeCharge,
)
from toolkit.charges.periods import Part, parts_of
from toolkit.charges.strength_terms import (
    band_terms,
    load_terms,
    share_terms,
    trade_effluent_terms,
)
from toolkit.charges.terms import (
    PricedTerm,
    Setting,
    fixed_terms,
    minimum_terms,
    percent_terms,
    volume_terms,
)
from toolkit.errors import InputRefused, Problem

if TYPE_CHECKING:
    from datetime import date

    from toolkit.charges.facts import InvoiceFacts
    from toolkit.charges.schedule import Schedule

__all__ = ["PricedInvoice", "PricedLine", "price", "price_draws"]

_KINDS = {
    FixedCharge: fixed_terms,
    VolumeCharge: volume_terms,
    MinimumCharge: minimum_terms,
    PercentCharge: percent_terms,
    StrengthCharge: load_terms,
    StrengthBands: band_terms,
    StrengthShare: share_terms,
    TradeEffluentCharge: trade_effluent_terms,
}


@dataclass(frozen=True)
class PricedLine:
    """One line of a recomputed invoice.

    Parameters
    ----------
    name, column : str
        Name of the line, and of the invoice column it is compared with [text].
    quantity, rate : Decimal, optional
        Of a line of one product; None where several terms are summed [`unit`].
    unit : str
        Unit of the quantity [text].
    amount, unrounded : Decimal
        The amount, and what it was before rounding [currency].
    rounding : str
        How it was rounded [text].
    effective : date
        First day of the rate version it was priced at [-].
    days : int
        Days it was priced for [d].
    in_total : bool
        Whether the total contains it [-].
    terms : tuple of PricedTerm
        The products it is the sum of [-].
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


@dataclass(frozen=True)
class PricedInvoice:
    """A recomputed invoice.

    Parameters
    ----------
    invoice : str
        Its number [text].
    lines : tuple of PricedLine
        In the order of the schedule; one set for each rate version that prices a part [-].
    total, unrounded : Decimal
        The total, and the sum of the lines before it was rounded [currency].
    rounding : str
        How the total was rounded [text].
    currency : str
        Currency code [text].
    volumes : tuple of ChargedVolume
        The volumes that were priced, and how they came about [their unit].
    parts : tuple of Part
        Days priced by each rate version [-].
    """

    invoice: str
    lines: tuple[PricedLine, ...]
    total: Any
    unrounded: Any
    rounding: str
    currency: str
    volumes: tuple[ChargedVolume, ...] = ()
    parts: tuple[Part, ...] = ()

    @property
    def by_column(self) -> dict[str, Any]:
        """Amount of each invoice column [currency]."""
        found: dict[str, Any] = {}
        for line in self.lines:
            found[line.column] = found.get(line.column, 0) + line.amount
        return found


@dataclass
class _Line:
    """A line while its terms are collected."""

    name: str
    column: str
    rounding: Rounding
    in_total: bool
    terms: list[PricedTerm] = field(default_factory=list)

    def unrounded(self, arithmetic: Any) -> Any:
        return sum((term.amount for term in self.terms), arithmetic.number(Decimal(0)))


def price(schedule: Schedule, facts: InvoiceFacts) -> PricedInvoice:
    """Recompute one invoice, exactly.

    Parameters
    ----------
    schedule : Schedule
        The rates [-].
    facts : InvoiceFacts
        The invoice; its billed volume is priced if stated, else what the meters give [-].

    Returns
    -------
    PricedInvoice
        Lines and total [currency].

    Raises
    ------
    InputRefused
        If the schedule needs a fact that is not stated, or has no version in force.
    """
    with localcontext(CONTEXT):
        return _priced(schedule, facts, EXACT, facts.billed_volume, None)


def price_draws(
    schedule: Schedule,
    facts: InvoiceFacts,
    volume_draws_m3: np.ndarray,
    meaning: Literal["billed", "intake"] = "billed",
) -> np.ndarray:
    """Price a volume that is not exactly known, through the same rules as :func:`price`.

    Parameters
    ----------
    schedule : Schedule
        The rates [-].
    facts : InvoiceFacts
        The invoice; its volume is replaced by the draws [-].
    volume_draws_m3 : ndarray of any shape
        Draws of the volume; NaN stays NaN [m3].
    meaning : str
        "billed" where the draws stand in place of the billed volume, after return factor;
        "intake" where they stand in place of what the supply or discharge meter registered [text].

    Returns
    -------
    ndarray of the same shape
        Draws of the total [currency].

    Raises
    ------
    InputRefused
        If the schedule needs a fact that is not stated, or has no version in force.

    Notes
    -----
    Agrees with the exact path to rounding. A figure within a millionth of a rounding step of a tie
    counts as the tie, because binary fractions cannot hold one.
    """
    with localcontext(CONTEXT):
        size = float(schedule.litres("m3")) / float(schedule.litres(facts.volume_unit))
        draws = np.asarray(volume_draws_m3, dtype=float) * size
        given = (draws, None) if meaning == "billed" else (None, draws)
        total = _priced(schedule, facts, DRAWS, *given).total
    return np.broadcast_to(np.asarray(total, dtype=float), draws.shape).copy()


def _priced(
    schedule: Schedule, facts: InvoiceFacts, arithmetic: Any, billed: Any, metered: Any
) -> PricedInvoice:
    """The one engine under both paths."""
    parts = parts_of(schedule, facts)
    days = sum(part.days for part in parts)
    lines: list[PricedLine] = []
    volumes: list[ChargedVolume] = []
    for part in parts:
        charged = _volumes(schedule, facts, part, arithmetic, billed, metered)
        volumes += charged.values()
        lines += _part_lines(schedule, facts, part, days, arithmetic, charged)
    total_rule = schedule.schedule.total_rounding.rounding()
    total = sum((ln.amount for ln in lines if ln.in_total), arithmetic.number(Decimal(0)))
    return PricedInvoice(
        invoice=facts.invoice,
        lines=tuple(lines),
        total=arithmetic.rounded(total, total_rule),
        unrounded=total,
        rounding=str(total_rule),
        currency=schedule.currency,
        volumes=tuple(volumes),
        parts=parts,
    )


def _volumes(
    schedule: Schedule, facts: InvoiceFacts, part: Part, a: Any, billed: Any, metered: Any
) -> dict[str, ChargedVolume]:
    """Every volume of a version that a charge uses, for the whole service period."""
    version, found = part.version, {}
    invoiced = version.invoiced_volume
    if billed is not None and invoiced is None and version.volume:
        raise InputRefused(
            Problem(
                schedule.file,
                f"version {version.effective} has {len(version.volume)} volumes and does not say "
                "which one the invoices state as billed",
                "Write invoiced = true in that [[version.volume]]",
                column="version.volume.invoiced",
                code="invoiced-volume",
            )
        )
    used = {charge.volume for charge in version.charge if hasattr(charge, "volume")}
    for rule in version.volume:
        if rule.name not in used and None not in used:
            continue
        stated = billed if rule is invoiced else None
        found[rule.name] = charged_volume(rule, schedule, facts, a, stated, metered)
    return found


def _part_lines(
    schedule: Schedule,
    facts: InvoiceFacts,
    part: Part,
    days: int,
    a: Any,
    charged: dict[str, ChargedVolume],
) -> list[PricedLine]:
    """The lines of one part, each rounded once all its charges are summed."""
    open_lines: dict[str, _Line] = {}
    done: dict[str, PricedLine] = {}
    standard = schedule.schedule.line_rounding

    def share(name: str | None) -> ChargedVolume:
        whole = charged[part.version.volume_named(name).name]
        if part.share == 1:
            return whole
        return ChargedVolume(whole.name, whole.value * a.number(part.share), whole.unit, whole.how)

    def amount(name: str) -> Any:
        return done[name].amount if name in done else open_lines[name].unrounded(a)

    setting = Setting(schedule, facts, part, days, a, share, amount, lambda: tuple(done))
    for charge in part.version.charge:
        name = charge.of_line
        if name not in open_lines:
            _close(open_lines, done, part, a)
            rule = (charge.rounding or standard).rounding()
            open_lines[name] = _Line(name, charge.of_column, rule, charge.in_total)
        terms = _KINDS[type(charge)](charge, setting)
        if charge.term_rounding is not None:
            terms = [_rounded_term(term, charge.term_rounding.rounding(), a) for term in terms]
        open_lines[name].terms += terms
    _close(open_lines, done, part, a)
    return list(done.values())


def _rounded_term(term: PricedTerm, rule: Rounding, a: Any) -> PricedTerm:
    return PricedTerm(term.name, term.quantity, term.unit, term.rate, a.rounded(term.amount, rule))


def _close(
    open_lines: dict[str, _Line], done: dict[str, PricedLine], part: Part, arithmetic: Any
) -> None:
    """Round the lines that no further charge adds to."""
    for name, line in open_lines.items():
        if name in done:
            continue
        raw = line.unrounded(arithmetic)
        amount = arithmetic.rounded(raw, line.rounding)
        only = line.terms[0] if len(line.terms) == 1 else None
        told = str(line.rounding)
        if arithmetic is EXACT and raw != amount:
            told = f"{_shown(raw)} {told}"
        done[name] = PricedLine(
            name=name,
            column=line.column,
            quantity=only.quantity if only else None,
            unit=only.unit if only else "",
            rate=only.rate if only else None,
            amount=amount,
            unrounded=raw,
            rounding=told,
            effective=part.version.effective,
            days=part.days,
            in_total=line.in_total,
            terms=tuple(line.terms),
        )


def _shown(value: Decimal) -> str:
    """A figure before rounding, to six decimals at most."""
    return f"{plain(EXACT.rounded(value, Rounding(Decimal('0.000001'), 'half up'))):f}"
