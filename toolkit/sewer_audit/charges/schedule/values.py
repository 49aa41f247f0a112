"""How figures are written in a rate file: numbers, shares, fractions, roundings, volumes."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from sewer_audit.charges.schedule.figures import CONTEXT, EXACT, Rounding, litres_per
from sewer_audit.units import exact, number_in

Span = Literal["bill", "month", "day", "30 days", "365 days"]
"""What an edge or an allowance is for."""

SPAN_DAYS = {"30 days": Decimal(30), "365 days": Decimal(365)}
"""Days of the spans that are scaled to the days of a bill [d]."""


class Strict(BaseModel):
    """A table that refuses keys it does not know."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class RoundingTable(Strict):
    """A rounding rule, such as ``{ to = 0.01, rule = "half up" }``."""

    to: Decimal | None = Field(default=None, gt=0)
    rule: Literal["half up", "half even", "down", "up", "none"] = "half up"
    significant: int | None = Field(default=None, ge=1, le=15)

    @model_validator(mode="after")
    def _one(self) -> RoundingTable:
        if self.rule != "none" and (self.to is None) == (self.significant is None):
            raise ValueError(
                'a rounding needs to = 0.01 (a step) or significant = 4, or rule "none"'
            )
        return self

    def rounding(self) -> Rounding:
        """The rule itself [-]."""
        return Rounding(self.to, self.rule, self.significant)


def _decimal(text: Any) -> Decimal:
    if isinstance(text, bool) or isinstance(text, float):
        raise ValueError(f"{text!r} is no exact number")
    try:
        value = Decimal(str(text).strip())
    except InvalidOperation:
        raise ValueError(f"{text!r} is no number; write for example 6.35") from None
    if not value.is_finite():
        raise ValueError(f"{text!r} is no finite number")
    return value


class _Quotient(Strict):
    """A figure derived by division, each step rounded."""

    divide: tuple[Decimal, ...] = Field(min_length=2)
    rounding: RoundingTable | None = None

    def value(self) -> Decimal:
        result = self.divide[0]
        rule = self.rounding.rounding() if self.rounding else Rounding()
        for divisor in self.divide[1:]:
            result = EXACT.rounded(CONTEXT.divide(result, divisor), rule)
        return result


def _number(given: Any) -> Decimal:
    if isinstance(given, dict):
        return _Quotient.model_validate(given).value()
    return _decimal(given)


def _share(given: Any) -> Decimal:
    if isinstance(given, str) and given.strip().endswith("%"):
        return _decimal(given.strip()[:-1]) / 100
    return _decimal(given)


def _fraction(given: Any) -> tuple[Decimal, Decimal]:
    if isinstance(given, tuple):
        return given
    above, slash, below = str(given).partition("/")
    pair = (_decimal(above), _decimal(below) if slash else Decimal(1))
    if pair[1] == 0:
        raise ValueError(f"{given!r} divides by zero")
    return pair


Number = Annotated[Decimal, BeforeValidator(_number)]
"""A figure, or ``{ divide = [61500, 3100, 12], rounding = {...} }`` for one derived stepwise."""

Share = Annotated[Decimal, BeforeValidator(_share)]
"""A share written 0.9 or "90 %"."""

Fraction = Annotated[tuple[Decimal, Decimal], BeforeValidator(_fraction)]
"""A factor written 2, "4/3" or "1/12"."""


def volume_unit(unit: str | None) -> str | None:
    """Refuse a volume unit that is not known."""
    if unit is not None:
        exact(unit, "volume")
    return unit


def amount_of(
    given: str | Decimal, unit: str, conversions: Mapping[str, tuple[Decimal, str]]
) -> Decimal:
    """Read a volume written with or without its unit.

    Units: returns [`unit`].

    given: "2000 gal", or a bare number in `unit`.
    """
    if isinstance(given, Decimal):
        return given
    number, written = number_in(given, "volume")
    figure = CONTEXT.divide(Decimal(number.numerator), Decimal(number.denominator))
    if not written:
        return figure
    litres = figure * litres_per(written, conversions)
    return CONTEXT.divide(litres, litres_per(unit, conversions))
