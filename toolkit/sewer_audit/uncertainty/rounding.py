"""Rounding for print: the uncertainty to one or two digits, the estimate to the same place."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

from sewer_audit.errors import AuditError

__all__ = ["Rounded", "rounded"]


@dataclass(frozen=True)
class Rounded:
    """An estimate and its uncertainty, rounded to the same place.

    Units: value, uncertainty [unit of the estimate].

    place: Power of ten of the last digit kept, -2 for hundredths.
    """

    value: Decimal
    uncertainty: Decimal
    place: int
    unit: str = ""

    def __str__(self) -> str:
        tail = f" {self.unit}" if self.unit else ""
        return f"{self.value:,f}{tail}, standard uncertainty {self.uncertainty:,f}{tail}"

    def number(self, figure: float) -> str:
        """Another figure of the same quantity, an interval end say, at the same place.

        Units: figure [unit of the estimate].
        """
        return f"{_at(Decimal(repr(float(figure))), self.place, ROUND_HALF_EVEN):,f}"


def rounded(
    value: float, uncertainty: float, digits: int = 2, unit: str = "", upward: bool = False
) -> Rounded:
    """Round an uncertainty to one or two significant digits and the estimate to the same place.

    Units: value [any]; uncertainty [unit of the estimate]; returns [unit of the estimate].

    digits: Significant digits of the uncertainty, 1 or 2.

    Notes
    -----
    Figures inside the computation are never rounded; this is for print only. With an uncertainty
    of zero the estimate is kept as it is.

    References
    ----------
    JCGM 100:2008, 7.2.6.
    """
    if digits not in (1, 2):
        raise AuditError(f"{digits!r} digits; an uncertainty is stated with 1 or 2")
    if not (math.isfinite(value) and math.isfinite(uncertainty) and uncertainty >= 0):
        raise AuditError(f"cannot round {value!r} with uncertainty {uncertainty!r}")
    estimate, spread = Decimal(repr(float(value))), Decimal(repr(float(uncertainty)))
    if spread == 0:
        return Rounded(estimate, spread, int(estimate.as_tuple().exponent), unit)
    mode = ROUND_CEILING if upward else ROUND_HALF_EVEN
    place = spread.adjusted() - digits + 1
    short = _at(spread, place, mode)
    if short.adjusted() > spread.adjusted():  # 0.0996 became 0.100: one digit too many
        place += 1
        short = _at(spread, place, mode)
    return Rounded(_at(estimate, place, ROUND_HALF_EVEN), short, place, unit)


def _at(figure: Decimal, place: int, mode: str) -> Decimal:
    short = figure.quantize(Decimal(1).scaleb(place), rounding=mode)
    if place > 0:
        short = short.quantize(Decimal(1))
    return abs(short) if short == 0 else short  # no negative zero in print
