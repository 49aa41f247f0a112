"""Trade units at the edges, SI inside.

Everything the library computes is in metres, cubic metres, seconds, kelvin, radians and kilograms
per cubic metre. This module turns what people write ("6 in", "0.9 kgal/day", "75 degF") into
those, and back. The spellings are a closed table, `units.csv`, each with one exact factor; two of
them make a rate ("kgal/day"), and a power of ten may stand before one ("1000 L", "100 cf"). A
spelling with two meanings has a question in place of a factor and is refused with it.
"""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Mapping
from fractions import Fraction
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple

from sewer_audit.errors import UnitError

GRAVITY = 9.80665
"""Standard acceleration of free fall [m/s2] (CGPM 1901)."""

# dimension: (SI unit in full, SI unit as people read it, a correct example)
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

# dimension: what a unit written a/b has above and below the line
_RATES = {
    "discharge": ("volume", "time"),
    "velocity": ("length", "time"),
    "length rate": ("length", "time"),
    "drift": ("length", "time"),
    "mass rate": ("mass", "time"),
    "concentration": ("mass", "volume"),
    "power": ("energy", "time"),
    "ratio": ("length", "length"),
}
_NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?"
_MIXED = r"(?P<whole>\d+[ -])?(?P<above>\d+)/(?P<below>\d+)"
_QUANTITY = re.compile(rf"\s*(?:{_MIXED}(?![\d/])|(?P<plain>{_NUMBER}))\s*(?P<unit>.*?)\s*", re.S)
_TENS = re.compile(r"(10{1,6}|10{0,2},000(?:,000)?) ?(?=\D)(.+)")
_WRITTEN = str.maketrans({**dict(zip("²³µμ″”“′’", '23uu"""\'\'', strict=True)), "·": " ", "^": ""})


class _Unit(NamedTuple):
    """Factor and offset such that SI = factor x value + offset; a question in place of a factor."""

    factor: Fraction
    offset: Fraction = Fraction(0)
    question: str = ""


@cache
def _table() -> Mapping[tuple[str, str], _Unit]:
    """The closed table: dimension and spelling to its unit."""
    with files("sewer_audit").joinpath("units.csv").open(encoding="utf-8", newline="") as text:
        return {
            (row["dimension"], row["spelling"]): _Unit(
                Fraction(row["factor"] or 0), Fraction(row["offset"] or 0), row["question"]
            )
            for row in csv.DictReader(text)
        }


@cache
def spellings(dimension: str) -> tuple[str, ...]:
    """Spellings of the table that have one meaning in a dimension.

    Returns
    -------
    tuple of str
        In the order of the table [text].
    """
    rows = _table().items()
    return tuple(name for (of, name), unit in rows if of == dimension and not unit.question)


def _tidy(unit: str) -> str:
    """One way to write powers, signs, dots of abbreviations, spaces and "per"."""
    written = unit.translate(_WRITTEN).replace("**", "").replace("''", '"')
    written = written.replace("°C", "degC").replace("°F", "degF").replace("°", "deg")
    written = re.sub(r"\.(?!\d)", "", " ".join(written.split()))
    return re.sub(r" ?/ ?| per (?!cent)", "/", written)


@cache
def _found(written: str, dimension: str) -> _Unit | None:
    """The unit of a tidied spelling, from its row, a power of ten before it, or two rows."""
    row = _table().get((dimension, written))
    if row is not None:
        return row
    above, slash, below = written.rpartition("/")
    if slash and dimension in _RATES:
        parts = [
            _found(each, of) for each, of in zip((above, below), _RATES[dimension], strict=True)
        ]
        if None not in parts:
            asked = next((part.question for part in parts if part.question), "")
            return _Unit(
                Fraction(0) if asked else parts[0].factor / parts[1].factor, question=asked
            )
        return None
    tens = _TENS.fullmatch(written)
    inner = _found(tens[2], dimension) if tens else None
    if inner is None or inner.offset:
        return None
    return inner._replace(factor=inner.factor * int(tens[1].replace(",", "")))


def exact(unit: str, dimension: str) -> Fraction:
    """How many SI units one unit is, exactly.

    Raises
    ------
    UnitError
        If the unit is unknown, has two meanings, or is of another dimension.
    """
    return _known(unit, dimension).factor


@cache
def _scale(unit: str, dimension: str) -> tuple[float, float]:
    """Factor and offset such that SI = factor * value + offset."""
    found = _known(unit, dimension)
    return float(found.factor), float(found.offset)


@cache
def _known(unit: str, dimension: str) -> _Unit:
    """The unit, or the refusal that says what would be right."""
    if dimension not in DIMENSIONS:
        raise UnitError(f"no dimension {dimension!r}; known are {', '.join(DIMENSIONS)}")
    example = DIMENSIONS[dimension][2]
    written = _tidy(unit)
    if not written:
        if dimension == "ratio":
            return _Unit(Fraction(1))
        raise UnitError(f"{_article(dimension)} needs a unit; write for example {example!r}")
    found = _found(written, dimension)
    if found is None:
        raise UnitError(_explain(unit, written, dimension, example))
    if found.question:
        raise UnitError(f"unit {unit!r} has more than one meaning: {found.question}")
    return found


def _article(dimension: str) -> str:
    return f"{'an' if dimension[0] in 'aeiou' else 'a'} {dimension}"


def _explain(unit: str, written: str, dimension: str, example: str) -> str:
    if any(_found(written, other) for other in DIMENSIONS):
        return f"{unit!r} is not a unit of {dimension}; write for example {example!r}"
    near = _nearest(written, dimension)
    told = f"unit {unit!r} is not known; " + (f"the nearest known is {near!r}; " if near else "")
    return told + f"{_article(dimension)} is written for example {example!r}"


def _nearest(written: str, dimension: str) -> str:
    """The spelling of the table most like another one; of a rate, each side by itself."""
    above, slash, below = written.rpartition("/")
    if slash and dimension in _RATES:
        sides = zip((above, below), _RATES[dimension], strict=True)
        near = [each if _found(each, of) else _nearest(each, of) for each, of in sides]
        if all(near):
            return "/".join(near)
    same = {name.lower().replace(" ", ""): name for name in reversed(spellings(dimension))}
    close = difflib.get_close_matches(written.lower().replace(" ", ""), same, 1, 0.5)
    return same[close[0]] if close else ""


def to_si(value: Any, unit: str, dimension: str) -> Any:
    """Convert a number or an array to SI.

    Parameters
    ----------
    value : float or array of any shape
        In `unit`; NaN stays NaN [`unit`].

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
    number, unit = number_in(text, dimension)
    return float(to_si(float(number), unit, dimension))


def number_in(text: str | int | float, dimension: str = "length") -> tuple[Fraction, str]:
    """Number and unit of a quantity, the number exactly: "3 1/2 in", "1.5 in", "0.9 kgal".

    Parameters
    ----------
    text : str
        Number and unit [text].

    Returns
    -------
    tuple of Fraction and str
        The number, in the unit beside it, and that unit, empty where there is none [that unit].

    Raises
    ------
    UnitError
        If there is no number.
    """
    match = _QUANTITY.fullmatch(str(text))
    example = DIMENSIONS.get(dimension, ("", "", "6 in"))[2]
    if match is None or int(match["below"] or 1) == 0:
        raise UnitError(
            f"{text!r} is not a quantity; {_article(dimension)} is written like {example!r}"
        )
    if re.match(r",\d", match["unit"]):
        raise UnitError(
            f"{text!r} has a comma in its number; write it without one, and with a point before "
            f"decimals, like {example!r}"
        )
    if match["plain"] is not None:
        return Fraction(match["plain"]), match["unit"]
    whole = int(match["whole"].strip(" -")) if match["whole"] else 0
    return whole + Fraction(int(match["above"]), int(match["below"])), match["unit"]
