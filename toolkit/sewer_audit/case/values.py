"""Types of the values a case file may hold: quantities with units and uncertain values.

Every physical value is text with its unit. An uncertain value is a table in the words of the GUM.
"""

from __future__ import annotations

import math
import re
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, model_validator

from sewer_audit.units import DIMENSIONS, UnitError, parse

Persistence = Literal["whole record", "between visits", "each reading"]


class Strict(BaseModel):
    """Base of every table in a case file: unknown keys are refused, nothing is changed later."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


def _reader(dimension: str) -> BeforeValidator:
    def read(value: Any) -> float:
        if isinstance(value, bool) or (
            not isinstance(value, str) and not (dimension == "ratio" and _is_number(value))
        ):
            example = DIMENSIONS[dimension][2]
            raise ValueError(
                f"{value!r} has no unit; a {dimension} is written as text, for example {example!r}"
            )
        return parse(value, dimension)

    return BeforeValidator(read)


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and math.isfinite(value)


Length = Annotated[float, _reader("length")]
Volume = Annotated[float, _reader("volume")]
Discharge = Annotated[float, _reader("discharge")]
Duration = Annotated[float, _reader("time")]
Temperature = Annotated[float, _reader("temperature")]
Angle = Annotated[float, _reader("angle")]
Ratio = Annotated[float, _reader("ratio")]


def _months(value: Any) -> int:
    match = re.fullmatch(r"\s*(\d+)\s*(months?|years?)\s*", str(value))
    if not match:
        raise ValueError(f"{value!r} is not a span; write for example '36 months' or '3 years'")
    return int(match[1]) * (12 if match[2].startswith("year") else 1)


Months = Annotated[int, BeforeValidator(_months)]


class Uncertain(Strict):
    """A value not exactly known, in the words of the GUM (JCGM 100:2008 4.3).

    Exactly one of `standard`, `half_width` or `expanded` is given. The texts are kept; the
    dimension is known only where the value is used, so :meth:`standard_in` converts there.
    """

    value: str | float | None = None
    standard: str | float | None = None
    half_width: str | float | None = None
    expanded: str | float | None = None
    coverage_factor: float | None = None
    shape: Literal["normal", "rectangular", "triangular", "arcsine", "student t"] | None = None
    dof: float = math.inf
    persistence: Persistence = "whole record"
    time_constant: Duration | None = None
    source: str = ""

    @model_validator(mode="after")
    def _one_spread(self) -> Uncertain:
        given = [k for k in ("standard", "half_width", "expanded") if getattr(self, k) is not None]
        if len(given) != 1:
            raise ValueError(
                f"{len(given)} of standard, half_width, expanded given; exactly one says the spread"
            )
        if self.expanded is not None and self.coverage_factor is None:
            raise ValueError("expanded needs coverage_factor, for example coverage_factor = 2")
        if self.coverage_factor is not None and not 0 < self.coverage_factor <= 10:
            raise ValueError(
                f"a coverage factor of {self.coverage_factor:g} is none: it lies above 0, seldom "
                "above 3; write for example coverage_factor = 2"
            )
        if not self.dof > 0:
            raise ValueError("dof are degrees of freedom above zero; write for example dof = 9")
        if self.half_width is not None and self.shape not in (
            "rectangular",
            "triangular",
            "arcsine",
        ):
            raise ValueError("half_width needs shape = 'rectangular', 'triangular' or 'arcsine'")
        return self

    def standard_in(self, dimension: str) -> float:
        """Standard uncertainty in SI.

        Units: returns [SI].

        Raises
        ------
        UnitError
            If the text is of another dimension or negative.

        References
        ----------
        JCGM 100:2008, 4.3.3 (expanded), 4.3.7 (rectangular), 4.3.9 (triangular).
        """
        divisor, text = 1.0, self.standard
        if self.expanded is not None:
            divisor, text = float(self.coverage_factor or 2.0), self.expanded
        elif self.half_width is not None:
            squares = {"rectangular": 3.0, "triangular": 6.0, "arcsine": 2.0}
            divisor, text = math.sqrt(squares[str(self.shape)]), self.half_width
        spread = parse(str(text), dimension)
        if not spread >= 0:
            raise UnitError(f"{text!r} is negative; an uncertainty is zero or more")
        return spread / divisor

    def value_in(self, dimension: str, default: float = 0.0) -> float:
        """Stated value in SI. Units: default [SI]; returns [SI]."""
        return default if self.value is None else parse(str(self.value), dimension)


def known_are(what: str, name: str, known: tuple[str, ...]) -> str:
    """The columns a table may have, and where one is stated that stands on a bill all the same."""
    listed = f"known are {', '.join(known)}"
    if what != "invoices" or name not in ("meter_size", "customer_class", "months"):
        return listed
    example = f'by_invoice = {{ file = "...", columns = {{ invoice = "...", {name} = "..." }} }}'
    return (
        f"{listed}; {name} stands under [account] by_invoice, which may name this file: {example}"
    )
