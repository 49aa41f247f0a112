"""Numbers as people and machines write them, exact from the text."""

from __future__ import annotations

import re
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal

__all__ = [
    "MISSING_NUMBERS",
    "MISSING_WORDS",
    "Marks",
    "currency_mark",
    "decimal_mark",
    "fits_currency",
    "is_missing",
    "odd_minus",
    "parse_decimal",
    "parse_float",
]

MISSING_WORDS = frozenset(
    (
        "|-|--|---|----|*|**|***|?|nan|na|n/a|#n/a|#na|null|none|nil|nodata|no data|missing|bad"
        "|bad data|invalid|error|err|fault|fail|failed|off|offline|ice|eqp|#value!|#ref!|#div/0!"
        "|#num!"
    ).split("|")
)
"""Words that loggers and offices write where there is no value (common practice, no source)."""

MISSING_NUMBERS = (-999.0, -999.9, -9999.0, -99999.0, 9999.0, 99999.0, -9999.9)
"""Numbers that loggers write where there is no value (common practice, no source)."""


@dataclass(frozen=True)
class Marks:
    """Words and numbers that mark a missing value, and numbers that look so and are readings."""

    words: frozenset[str] = MISSING_WORDS
    numbers: tuple[float, ...] = MISSING_NUMBERS
    spared: tuple[float, ...] = ()

    @classmethod
    def of(cls, missing: Iterable[str] = (), readings: Iterable[str] = ()) -> Marks:
        """The usual marks and the stated ones, but for those that are readings."""
        words, numbers = set(MISSING_WORDS), set(MISSING_NUMBERS)
        for mark in missing:
            words.add(str(mark).strip().lower())
            with suppress(ValueError):
                numbers.add(float(mark))
        spared = tuple(float(mark) for mark in readings)
        return cls(frozenset(words), tuple(sorted(numbers - {*spared})), spared)


_MONEY = re.compile(r"(US\$|[$€£]|\bUSD\b|\bEUR\b|\bGBP\b|\bCAD\b)")
_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,2})?")
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?")
_POINT_GROUPS = re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+")
_COMMA_SURE = re.compile(r"[+-]?(?:\d{1,3}(?:\.\d{3})+|\d*),\d+")
_COMMA_DOUBT = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")


def is_missing(text: str, words: frozenset[str] = MISSING_WORDS) -> bool:
    """Whether a cell says that there is no value.

    Parameters
    ----------
    text : str
        The cell [text].
    words : frozenset of str
        Words that say so, in lower case [text].

    Returns
    -------
    bool
        True where there is no value [-].
    """
    return text.strip().lower() in words


def currency_mark(text: str) -> str:
    """The sign or code of a currency in a cell, empty where there is none [text]."""
    found = _MONEY.search(text)
    return found[0] if found else ""


def fits_currency(mark: str, currency: str) -> bool:
    """Whether a sign or code may stand for a currency; "$" stands for every dollar.

    Parameters
    ----------
    mark : str
        As :func:`currency_mark` gives it [text].
    currency : str
        Code of the currency, such as "USD" [text].

    Returns
    -------
    bool
        Whether it may [-].
    """
    code = currency.strip().upper()
    if mark == "$":
        return code.endswith("D") or code in ("$", "MXN", "CLP", "COP", "ARS", "UYU")
    return code in ({"US$": "USD", "€": "EUR", "£": "GBP"}.get(mark, mark), mark)


def parse_decimal(text: str, decimal: str = ".") -> Decimal:
    """Read a number exactly.

    Currency signs, thousands separators, and a trailing minus, CR or brackets for negative amounts
    are understood.

    Parameters
    ----------
    text : str
        The cell [text].
    decimal : str
        Decimal mark, "." or "," [text].

    Returns
    -------
    Decimal
        The number, exact [-].

    Raises
    ------
    ValueError
        If the text is not a number of at most 40 characters.
    """
    written = text.strip().replace("−", "-").replace("\u00a0", " ").replace("\u202f", " ")
    written = _MONEY.sub("", written).strip()
    if written.startswith("(") and written.endswith(")"):
        written = "-" + written[1:-1].strip()
    elif written.endswith("-") and len(written) > 1:
        written = "-" + written[:-1].strip()
    elif written[-2:].upper() == "CR":
        written = "-" + written[:-2].strip().lstrip("-")
    written = re.sub(r"(?<=\d)[ '](?=\d{3}(?:\D|$))", "", written).replace("- ", "-")
    if decimal == ",":
        if _PLAIN.fullmatch(written) and "." in written and not _POINT_GROUPS.fullmatch(written):
            raise ValueError(f"{text!r} has a decimal point, the file has decimal commas")
        written = written.translate({ord("."): None, ord(","): "."})
    elif _GROUPED.fullmatch(written):
        written = written.replace(",", "")
    if len(written) > 40 or not _PLAIN.fullmatch(written) or not written.isascii():
        raise ValueError(f"{text!r} is not a number")
    return Decimal(written)


def odd_minus(text: str) -> bool:
    """Whether a number is below zero by brackets, or by what stands behind it."""
    return text.strip().upper().endswith(("-", ")", "CR"))


def parse_float(text: str, decimal: str = ".") -> float:
    """Read a number as a float."""
    return float(parse_decimal(text, decimal))


def decimal_mark(cells: Iterable[str]) -> str | None:
    """Tell the decimal mark of a file from its cells, or None where they do not tell.

    Parameters
    ----------
    cells : iterable of str
        Cells of the file [text].

    Returns
    -------
    str or None
        "." or ",", None where both fit [text].
    """
    comma = point = doubt = False
    for cell in cells:
        written = _MONEY.sub("", cell.strip()).strip(" ()CRcr")
        if _COMMA_DOUBT.fullmatch(written):
            doubt = True
        elif _COMMA_SURE.fullmatch(written):
            comma = True
        elif "." in written and (_PLAIN.fullmatch(written) or _GROUPED.fullmatch(written)):
            point = True
    if comma and point:
        return None
    if comma:
        return ","
    return None if doubt and not point else "."
