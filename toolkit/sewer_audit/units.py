"""Trade units at the edges, SI inside.

Everything the library computes is in metres, cubic metres, seconds, kelvin, radians and kilograms
per cubic metre. This module turns what people write ("6 in", "0.9 kgal/day", "75 degF") into
those, and back. Pint holds the unit definitions; it is imported on first use.
"""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Any

from sewer_audit.errors import UnitError

if TYPE_CHECKING:
    import pint

__all__ = ["DIMENSIONS", "GRAVITY", "from_si", "parse", "to_si"]

GRAVITY = 9.80665
"""Standard acceleration of free fall [m/s2] (CGPM 1901)."""

# dimension: (SI unit as pint writes it, SI unit as people read it, a correct example)
DIMENSIONS: dict[str, tuple[str, str, str]] = {
    "length": ("meter", "m", "6 in"),
    "area": ("meter**2", "m2", "0.4 m2"),
    "volume": ("meter**3", "m3", "1000 gal"),
    "discharge": ("meter**3/second", "m3/s", "100 gpm"),
    "velocity": ("meter/second", "m/s", "2 ft/s"),
    "time": ("second", "s", "15 min"),
    "temperature": ("kelvin", "K", "20 degC"),
    "temperature difference": ("delta_degC", "K", "5 degC"),
    "angle": ("radian", "rad", "90 deg"),
    "ratio": ("dimensionless", "1", "2 %"),
    "concentration": ("kilogram/meter**3", "kg/m3", "250 mg/L"),
    "conductivity": ("siemens/meter", "S/m", "800 uS/cm"),
    "mass": ("kilogram", "kg", "12 lb"),
    "mass rate": ("kilogram/second", "kg/s", "40 lb/day"),
    "power": ("watt", "W", "300 kW"),
    "length rate": ("meter/second", "m/s", "0.2 in/day"),
    "drift": ("meter/second", "m/s", "1 mm/month"),
}

_TRADE = """
US_gallon = 231 inch**3
kgal = 1000 * gallon
Mgal = 1e6 * gallon
gpm = gallon/minute
gph = gallon/hour
gpd = gallon/day
kgpd = 1000 * gallon/day
mgd = 1e6 * gallon/day = MGD
cf = foot**3
CCF = 100 * foot**3 = ccf = HCF
cfs = foot**3/second
impgal = 4.54609e-3 * meter**3
m3 = meter**3
m2 = meter**2
percent = 0.01 = %
"""

_QUANTITY = re.compile(r"^\s*([-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$")
_WRITTEN = {"°C": "degC", "°F": "degF", "m³": "m3", "ft³": "ft**3", "ft3": "ft**3", "ft2": "ft**2"}
_WRITTEN |= {"m³/s": "m3/s", "m³/h": "m3/h", "US gal": "gallon", "imperial gal": "impgal"}


@cache
def _registry() -> pint.UnitRegistry:
    import pint

    registry = pint.UnitRegistry(cache_folder=None, autoconvert_offset_to_baseunit=True)
    for definition in _TRADE.strip().splitlines():
        if not definition.startswith(("US_gallon", "percent")):
            registry.define(definition)
    return registry


@cache
def _scale(unit: str, dimension: str) -> tuple[float, float]:
    """Factor and offset such that SI = factor * value + offset."""
    if dimension not in DIMENSIONS:
        raise UnitError(f"no dimension {dimension!r}; known are {', '.join(DIMENSIONS)}")
    si, _, example = DIMENSIONS[dimension]
    if not unit:
        if dimension == "ratio":
            return 1.0, 0.0
        raise UnitError(f"{_article(dimension)} needs a unit; write for example {example!r}")
    written = unit
    for typed, known in sorted(_WRITTEN.items(), key=lambda pair: -len(pair[0])):
        written = written.replace(typed, known)
    if dimension == "temperature difference":
        written = {"degC": "delta_degC", "degF": "delta_degF", "K": "delta_degC"}.get(
            written, written
        )
    if written in ("%", "percent") and dimension == "ratio":
        return 0.01, 0.0
    registry = _registry()
    try:
        zero = registry.Quantity(0.0, written).to(si).magnitude
        one = registry.Quantity(1.0, written).to(si).magnitude
    except Exception as error:
        raise UnitError(_explain(unit, dimension, example, error)) from None
    return float(one - zero), float(zero)


def _article(dimension: str) -> str:
    return f"{'an' if dimension[0] in 'aeiou' else 'a'} {dimension}"


def _explain(unit: str, dimension: str, example: str, error: Exception) -> str:
    if type(error).__name__ == "DimensionalityError":
        return f"{unit!r} is not a unit of {dimension}; write for example {example!r}"
    return f"unit {unit!r} is not known; {_article(dimension)} is written for example {example!r}"


def to_si(value: Any, unit: str, dimension: str) -> Any:
    """Convert a number or an array to SI.

    Parameters
    ----------
    value : float or array of any shape
        In `unit`; NaN stays NaN [`unit`].
    unit : str
        Trade or SI unit, such as "gpm" or "degF" [text].
    dimension : str
        One of :data:`DIMENSIONS` [text].

    Returns
    -------
    float or array of the same shape
        In the SI unit of the dimension [SI].

    Raises
    ------
    UnitError
        If the unit is unknown or of another dimension.

    Examples
    --------
    >>> to_si(100.0, "gpm", "discharge")
    0.0063090196400000005
    """
    factor, offset = _scale(unit, dimension)
    return value * factor + offset if offset else value * factor


def from_si(value: Any, unit: str, dimension: str) -> Any:
    """Convert a number or an array from SI to a trade unit.

    Parameters
    ----------
    value : float or array of any shape
        In the SI unit of the dimension [SI].
    unit : str
        Unit to express it in [text].
    dimension : str
        One of :data:`DIMENSIONS` [text].

    Returns
    -------
    float or array of the same shape
        In `unit` [`unit`].

    Raises
    ------
    UnitError
        If the unit is unknown or of another dimension.
    """
    factor, offset = _scale(unit, dimension)
    return (value - offset) / factor if offset else value / factor


def parse(text: str | int | float, dimension: str) -> float:
    """Read a quantity written with its unit, such as "3 mm" or "0.9 kgal/day".

    Parameters
    ----------
    text : str
        Number and unit; a bare number is accepted for a ratio only [text].
    dimension : str
        One of :data:`DIMENSIONS` [text].

    Returns
    -------
    float
        In the SI unit of the dimension [SI].

    Raises
    ------
    UnitError
        If number or unit is missing, unknown or of another dimension.

    Examples
    --------
    >>> parse("6 in", "length")
    0.15239999999999998
    """
    match = _QUANTITY.match(str(text))
    if match is None:
        example = DIMENSIONS.get(dimension, ("", "", "6 in"))[2]
        raise UnitError(
            f"{text!r} is not a quantity; {_article(dimension)} is written like {example!r}"
        )
    return float(to_si(float(match[1]), match[2], dimension))
