"""Figures of an audit in the words and units of the people who read it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from sewer_audit import spoken
from sewer_audit.spoken import Spoken, speaking
from sewer_audit.units import from_si

__all__ = ["Words", "counted", "joined", "sentence_of", "short_finding"]


UNITS = {
    "kgal": "1,000 US gallons",
    "Mgal": "1,000,000 US gallons",
    "gal": "US gallons",
    "CCF": "100 cubic feet",
    "ccf": "100 cubic feet",
    "HCF": "100 cubic feet",
    "m3": "cubic metres",
}
"""Units of volume in words a reader without the trade knows [text]."""


def counted(number: int, one: str, many: str = "") -> str:
    """A number with its noun.

    str: Such as "1 invoice" or "12 invoices".
    """
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def joined(names: list[str]) -> str:
    """Names as a list in a sentence."""
    if len(names) < 2:
        return "".join(names)
    return ", ".join(names[:-1]) + " and " + names[-1]


def short_finding(finding: object) -> str:
    """A finding in a column or beside a picture, where what it is about stands above."""
    return str(finding).removeprefix("billed volume ").removesuffix(" from this evidence")


def sentence_of(text: str) -> str:
    """Words as a sentence: a capital first, a full stop last."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


@dataclass(frozen=True)
class Words:
    """Units and writing of one case.

    Parameters
    ----------
    volume_unit, discharge_unit, head_unit : str
        Units people read [text].
    currency : str
        Name of the currency [text].
    zone : ZoneInfo
        Time zone of dates [-].
    coverage : float
        Coverage of the intervals [-].
    """

    volume_unit: str
    discharge_unit: str
    head_unit: str
    currency: str
    zone: ZoneInfo
    coverage: float

    @classmethod
    def of(cls, result: Any) -> Words:
        """Words for the case of an audit."""
        shown = result.case.data.display
        rule = result.rule
        return cls(
            shown.volume, shown.discharge, shown.head, shown.money, result.case.zone, rule.coverage
        )

    def volume(self, value: float, digits: int | None = None) -> str:
        """A volume with its unit. Such as "8,130 kgal". Units: value [m3]."""
        shown = from_si(value, self.volume_unit, "volume")
        return f"{self._number(shown, digits)} {self.volume_unit}"

    def volume_interval(self, low: float, high: float) -> str:
        """An interval of volume with its coverage.

        Such as "7,900 to 8,300 kgal (95 % interval)". Units: low [m3]; high [m3].
        """
        ends = [from_si(v, self.volume_unit, "volume") for v in (low, high)]
        first, last = (self._number(v, self._digits(min(map(abs, ends)))) for v in ends)
        return f"{first} to {last} {self.volume_unit} ({self.interval_name})"

    @property
    def unit_meaning(self) -> str:
        """What the unit of volume stands for, in brackets, where it is a short one [text]."""
        meaning = UNITS.get(self.volume_unit, "")
        return f" ({self.volume_unit}: {meaning})" if meaning else ""

    @property
    def interval_name(self) -> str:
        """Name of the intervals, with their coverage [text]."""
        return f"{100 * self.coverage:.4g} % interval"

    def money(self, value: float, cents: bool = True) -> str:
        """An amount of money. Such as "USD 1,234.56". Units: value [money]."""
        text = f"{abs(value):,.2f}" if cents else f"{abs(value):,.0f}"
        minus = "\N{MINUS SIGN}" if value < 0 and text.strip("0.,") else ""
        return f"{self.currency} {minus}{text}"

    def money_interval(self, low: float, high: float) -> str:
        """An interval of money with its coverage.

        Such as "USD 1,200 to USD 1,900 (95 % interval)". Units: low [money]; high [money].
        """
        first, last = self.money(low, cents=False), self.money(high, cents=False)
        return f"{first} to {last} ({self.interval_name})"

    def share(self, value: float, digits: int = 1) -> str:
        """A share in per cent. Such as "97.3 %"."""
        return spoken.percent(value, digits)

    def probability(self, value: float) -> str:
        """A probability, never rounded to certainty. Such as "more than 99.9 %"."""
        if math.isnan(value):
            return "–"
        if value > 0.999:
            return "more than 99.9 %"
        return "less than 0.1 %" if value < 0.001 else self.share(value)

    def sign(self, value: float) -> str:
        """A probability for a narrow column, never rounded to certainty. Such as "> 99.9 %"."""
        return self.probability(value).replace("more than", ">").replace("less than", "<")

    def head(self, value: float, digits: int = 3) -> str:
        """A level with its unit. Such as "3.10 in". Units: value [m]."""
        return f"{from_si(value, self.head_unit, 'length'):.{digits}g} {self.head_unit}"

    @property
    def spoken(self) -> Spoken:
        """The same for sentences of the library [-]."""
        return Spoken(self.volume_unit, self.discharge_unit, self.head_unit, self.zone)

    @property
    def small_length(self) -> float:
        """A small error of a level, round in the unit of the case [m]."""
        if not self.spoken.feet:
            return 0.003
        return 0.0254 / 8 if self.head_unit == "in" else 0.01 * 0.3048

    def small(self, value: float, digits: int = 3, sign: bool = False) -> str:
        """A small length with its unit, such as an error of a level.

        Such as "0.125 in" or "3 mm". Units: value [m].
        """
        with speaking(self.spoken):
            return spoken.length(value, digits, sign)

    def discharge(self, value: float) -> str:
        """A discharge with its unit. Such as "103 gpm". Units: value [m3/s]."""
        shown = from_si(value, self.discharge_unit, "discharge")
        return f"{self._number(shown)} {self.discharge_unit}"

    def day(self, value: Any) -> str:
        """A date in the zone of the case. Such as "2026-04-10"."""
        if value is None or value is pd.NaT:
            return "–"
        if isinstance(value, pd.Timestamp):
            value = value.tz_convert(self.zone) if value.tzinfo is not None else value
        return value.strftime("%Y-%m-%d") if isinstance(value, date) else str(value)

    @staticmethod
    def _digits(size: float) -> int:
        size = float(f"{size:.6g}")
        return 0 if not size or size >= 1000 else 1 if size >= 100 else 2 if size >= 10 else 3

    def _number(self, value: float, digits: int | None = None) -> str:
        if value is None or math.isnan(value):
            return "–"
        return f"{value:,.{self._digits(abs(value)) if digits is None else digits}f}"
