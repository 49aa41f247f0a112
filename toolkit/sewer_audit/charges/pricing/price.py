"""A rate schedule and one invoice's facts to priced lines: exactly, or for draws of the volume."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal, localcontext
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from sewer_audit.charges.pricing.basis import ChargedVolume, charged_volume
from sewer_audit.charges.pricing.lines import PricedLine, priced_lines
from sewer_audit.charges.schedule.figures import CONTEXT, DRAWS, EXACT, Rounding
from sewer_audit.charges.schedule.periods import Part, parts_of
from sewer_audit.errors import InputRefused, Problem

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import Schedule


@dataclass(frozen=True)
class PricedInvoice:
    """A recomputed invoice.

    Parameters
    ----------
    invoice : str
        Its number [text].
    lines : tuple of PricedLine
        In the order of the schedule [-].
    total, unrounded : Decimal
        The total, and the sum of the lines before it was rounded [currency].
    rounding : str
        How the total was rounded [text].
    currency : str
        Currency code [text].
    volumes : tuple of ChargedVolume
        The volumes that were priced, and how they came about; for each part its share
        [their unit].
    parts : tuple of Part
        Days priced by each rate version [-].
    total_rule : Rounding, optional
        The same as `rounding`, to be applied [-].
    """

    invoice: str
    lines: tuple[PricedLine, ...]
    total: Any
    unrounded: Any
    rounding: str
    currency: str
    volumes: tuple[ChargedVolume, ...] = ()
    parts: tuple[Part, ...] = ()
    total_rule: Rounding | None = None

    @property
    def by_column(self) -> dict[str, Any]:
        """Amount of each invoice column [currency]."""
        found: dict[str, Any] = {}
        for line in self.lines:
            found[line.column] = found.get(line.column, 0) + line.amount
        return found


def price(schedule: Schedule, facts: InvoiceFacts) -> PricedInvoice:
    """Recompute one invoice, exactly.

    Parameters
    ----------
    facts : InvoiceFacts
        The invoice; its billed volume is priced if stated, else what the meters give [-].

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
    volumes = [_volumes(schedule, facts, part, arithmetic, billed, metered) for part in parts]
    lines = priced_lines(schedule, facts, parts, volumes, arithmetic)
    total_rule = schedule.schedule.total_rounding.rounding()
    total = sum((ln.amount for ln in lines if ln.in_total), arithmetic.number(Decimal(0)))
    return PricedInvoice(
        invoice=facts.invoice,
        lines=tuple(lines),
        total=arithmetic.rounded(total, total_rule),
        unrounded=total,
        rounding=str(total_rule),
        currency=schedule.currency,
        volumes=tuple(volume for part in volumes for volume in part.values()),
        parts=parts,
        total_rule=total_rule,
    )


def _volumes(
    schedule: Schedule, facts: InvoiceFacts, part: Part, a: Any, billed: Any, metered: Any
) -> dict[str, ChargedVolume]:
    """Every volume of a version that a charge uses: the share of the part."""
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
        whole = charged_volume(rule, schedule, facts, a, stated, metered)
        if part.share != 1:
            whole = replace(whole, value=whole.value * a.number(part.share))
        found[rule.name] = whole
    return found
