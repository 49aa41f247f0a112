"""Exact figures: rounding rules, volume units, and one arithmetic for decimals and for draws.

Every rule that changes an amount is written once and runs on either arithmetic: `EXACT` on
decimals, for an invoice, and `DRAWS` on arrays, for a volume that is not exactly known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, ROUND_UP, Context, Decimal
from typing import Any

import numpy as np

from sewer_audit.units import exact, spellings

CONTEXT = Context(prec=50)
_HEAL = Decimal("1E-20")
_MODES = {
    "half up": ROUND_HALF_UP,
    "half even": ROUND_HALF_EVEN,
    "down": ROUND_DOWN,
    "up": ROUND_UP,
}


def _litres(unit: str) -> Decimal:
    size = 1000 * exact(unit, "volume")
    return CONTEXT.divide(Decimal(size.numerator), Decimal(size.denominator))


LITRES: dict[str, Decimal] = {unit: _litres(unit) for unit in spellings("volume")}
"""Litres in one volume unit, exact by definition [L]."""


@dataclass(frozen=True)
class Rounding:
    """How a figure is rounded.

    Units: to [unit of the figure].

    to: Step, such as 0.01 or 1000.
    """

    to: Decimal | None = None
    rule: str = "none"
    significant: int | None = None

    @property
    def nothing(self) -> bool:
        """Whether the figure is left as it is [-]."""
        return self.rule == "none" or (self.to is None and self.significant is None)

    def __str__(self) -> str:
        if self.nothing:
            return "not rounded"
        if self.significant is not None:
            return f"{self.rule} to {self.significant} significant figures"
        return f"{self.rule} to {self.to}"


NO_ROUNDING = Rounding()
CENTS = Rounding(Decimal("0.01"), "half up")


def plain(value: Decimal) -> Decimal:
    """Drop trailing zeros of a decimal without falling into exponent notation.

    Parameters
    ----------
    value : Decimal
        Any figure [any unit].
    """
    short = CONTEXT.normalize(value)
    return short.quantize(Decimal(1), context=CONTEXT) if short.as_tuple().exponent > 0 else short


def litres_per(unit: str, conversions: Mapping[str, tuple[Decimal, str]]) -> Decimal:
    """Litres in one volume unit, under the constants a municipality prints.

    Units: returns [L].
    """
    size = LITRES[unit] if unit in LITRES else _litres(unit)
    # a printed size holds for every spelling and every decimal multiple: cf, ccf and CCF
    for name, (figure, other) in conversions.items():
        times = CONTEXT.normalize(CONTEXT.divide(size, _litres(name)))
        if times.as_tuple().digits == (1,):
            return CONTEXT.multiply(times * figure, litres_per(other, {}))
    return size


class _Exact:
    """Arithmetic on decimals."""

    name = "exact"

    @staticmethod
    def number(value: Any) -> Decimal:
        return value if isinstance(value, Decimal) else Decimal(str(value))

    @staticmethod
    def maximum(one: Decimal, other: Decimal) -> Decimal:
        return max(one, other)

    @staticmethod
    def minimum(one: Decimal, other: Decimal) -> Decimal:
        return min(one, other)

    @staticmethod
    def divide(one: Decimal, other: Decimal) -> Decimal:
        return CONTEXT.divide(one, other)

    @staticmethod
    def where(condition: bool, one: Decimal, other: Decimal) -> Decimal:
        return one if condition else other

    @staticmethod
    def rounded(value: Decimal, rounding: Rounding) -> Decimal:
        if rounding.nothing:
            return value
        step = rounding.to
        if rounding.significant is not None:
            if value == 0:
                return value
            step = Decimal(1).scaleb(value.adjusted() + 1 - rounding.significant)
        steps = CONTEXT.divide(value, step)
        # a third times three is 0.99...9 in any decimal: mend it before a rule that cuts
        steps = steps.quantize(_HEAL, rounding=ROUND_HALF_EVEN, context=CONTEXT)
        whole = steps.quantize(Decimal(1), rounding=_MODES[rounding.rule], context=CONTEXT)
        return CONTEXT.multiply(whole, step)


class _Draws:
    """The same on float arrays; a figure within a millionth of a step of a tie counts as the tie.

    A float cannot hold 19.355, so that without this the cent would hang on the last bit.
    """

    name = "draws"
    _NEAR = 1e-6

    @staticmethod
    def number(value: Any) -> Any:
        return float(value) if isinstance(value, Decimal) else value

    maximum = staticmethod(np.maximum)
    minimum = staticmethod(np.minimum)
    where = staticmethod(np.where)

    @staticmethod
    def divide(one: Any, other: Any) -> Any:
        return one / other

    @classmethod
    def rounded(cls, value: Any, rounding: Rounding) -> Any:
        if rounding.nothing:
            return value
        value = np.asarray(value, dtype=float)
        size = np.abs(value)
        if rounding.significant is not None:
            with np.errstate(divide="ignore"):
                power = np.floor(np.log10(np.where(size > 0, size, 1.0)) + 1e-12)
            step = 10.0 ** (power + 1 - rounding.significant)
        else:
            step = float(rounding.to)
        steps = size / step
        near = cls._NEAR
        if rounding.rule == "half up":
            whole = np.floor(steps + 0.5 + near)
        elif rounding.rule == "half even":
            tie = np.abs(steps - np.floor(steps) - 0.5) < near
            whole = np.where(tie, 2.0 * np.round((np.floor(steps) + 0.5) / 2.0), np.round(steps))
        elif rounding.rule == "down":
            whole = np.floor(steps + near)
        else:
            whole = np.ceil(steps - near)
        return np.sign(value) * whole * step


EXACT = _Exact()
DRAWS = _Draws()


def to_the_cent(amount: Decimal) -> str:
    """An amount with its cents, also where a spreadsheet had cut the last nought."""
    return f"{amount:.2f}" if amount.as_tuple().exponent > -2 else str(amount)
