"""All wording above the audit: templates by code, figures in the units of a case.

``words = Words.of(result)``, then ``words("verdict.no_amount")``: the sentence of that code in
``verdict.toml``. Units are handed in, nothing is asked of the surroundings.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from sewer_audit.spoken import Spoken
from sewer_audit.units import from_si
from sewer_audit.wording.templates import render, template

__all__ = ["Words", "joined", "sentence_of", "short_finding", "template"]


def joined(names: Sequence[Any]) -> str:
    """Names as a list in a sentence.

    Parameters
    ----------
    names : sequence
        The names [text].

    Returns
    -------
    str
        Such as "A, B and C" [text].
    """
    first, last = ", ".join(map(str, names[:-1])), "".join(map(str, names[-1:]))
    return template("grammar.list").format(first, last) if first else last


def short_finding(finding: object) -> str:
    """A finding in a column or beside a picture, where what it is about stands above.

    Parameters
    ----------
    finding : object
        One of the decision rule [text].

    Returns
    -------
    str
        Such as "too high" [text].
    """
    return str(finding).removeprefix("billed volume ").removesuffix(" from this evidence")


def sentence_of(text: str) -> str:
    """Words as a sentence: a capital first, a full stop last.

    Parameters
    ----------
    text : str
        The words [text].

    Returns
    -------
    str
        The sentence [text].
    """
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
        """Words for a case, or for the case of an audit or a plan."""
        case = getattr(result, "case", result)
        shown, rule = case.data.display, case.data.rule
        return cls(shown.volume, shown.discharge, shown.head, shown.money, case.zone, rule.coverage)

    def __call__(self, code: str, /, safe: Callable[[str], str] = str, **values: Any) -> str:
        """The sentence of a code with its values; ``safe`` makes each harmless where it is shown.

        Every template may name what all of a case share: its units, money and interval.
        """
        return render(template(code), {**self._shared, **values}, self.written, safe)

    def labels(self, code: str, values: Mapping[str, Any]) -> dict[str, Any]:
        """Values under the labels of a table of words; what is None is left out."""
        told = {name: value for name, value in values.items() if value is not None}
        return {self(f"{code}.{name}"): value for name, value in told.items()}

    def yes(self, values: Any) -> list[str]:
        """Yes or no, for a column."""
        said = template("grammar.no"), template("grammar.yes")
        return [said[bool(value)] for value in values]

    def frame(self, code: str, columns: Any, **values: Any) -> pd.DataFrame:
        """A table whose columns are named by code; what ends in ``_m3`` in the unit of the case."""
        frame = pd.DataFrame(columns)
        for name in frame.columns:
            if name.endswith("_m3"):
                frame[name] = from_si(frame[name].to_numpy(float), self.volume_unit, "volume")
        return frame.set_axis([self(f"{code}.{name}", **values) for name in frame.columns], axis=1)

    def written(self, value: Any, kind: str = "") -> str:
        """A value as a kind asks: "volume", "share.0", "# day|# days", or a format of Python."""
        if "|" in kind:
            one, many = kind.split("|")
            return (one if value == 1 else many).replace("#", self.written(value))
        name, _, digits = kind.partition(".")
        if name in KINDS:
            return KINDS[name](self, value, *([int(digits)] if digits else []))
        if value is None:
            return "–"
        if kind or isinstance(value, float):
            return format(value, kind or ",.4g")
        return f"{value:,}" if isinstance(value, (int, Decimal)) else str(value)

    @property
    def _shared(self) -> dict[str, str]:
        units = {"volume_unit": self.volume_unit, "head_unit": self.head_unit}
        units["flow_unit"] = self.discharge_unit
        rest = {"currency": self.currency, "interval": self.interval_name}
        return units | rest | {"meaning": self.unit_meaning}

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
        return self._span(first, f"{last} {self.volume_unit}")

    def _span(self, first: str, last: str) -> str:
        return self("grammar.interval", first=first, last=last)

    @property
    def unit_meaning(self) -> str:
        """What the unit of volume stands for, in brackets, where it is a short one [text]."""
        meaning = template("grammar.units").get(self.volume_unit, "")
        return f" ({self.volume_unit}: {meaning})" if meaning else ""

    @property
    def interval_name(self) -> str:
        """Name of the intervals, with their coverage [text]."""
        return template("grammar.of_coverage").format(100 * self.coverage)

    def money(self, value: float, cents: bool = True) -> str:
        """An amount of money. Such as "USD 1,234.56". Units: value [money]."""
        text = f"{abs(value):,.2f}" if cents else f"{abs(value):,.0f}"
        minus = "\N{MINUS SIGN}" if value < 0 and text.strip("0.,") else ""
        return f"{self.currency} {minus}{text}"

    def money_interval(self, low: float, high: float) -> str:
        """An interval of money with its coverage.

        Such as "USD 1,200 to USD 1,900 (95 % interval)". Units: low [money]; high [money].
        """
        return self._span(self.money(low, cents=False), self.money(high, cents=False))

    def share(self, value: float, digits: int = 1) -> str:
        """A share in per cent. Such as "97.3 %"."""
        return Spoken.percent(value, digits)

    def probability(self, value: float) -> str:
        """A probability, never rounded to certainty. Such as "more than 99.9 %"."""
        if math.isnan(value):
            return "–"
        if 0.001 <= value <= 0.999:
            return self.share(value)
        return template("grammar.nearly_certain" if value > 0.999 else "grammar.nearly_never")

    def sign(self, value: float) -> str:
        """A probability for a narrow column, never rounded to certainty. Such as "> 99.9 %"."""
        if value > 0.999:
            return "> 99.9 %"
        return "< 0.1 %" if value < 0.001 else self.probability(value)

    def head(self, value: float, digits: int = 3) -> str:
        """A level with its unit. Such as "3.10 in". Units: value [m]."""
        return f"{from_si(value, self.head_unit, 'length'):.{digits}g} {self.head_unit}"

    @property
    def spoken(self) -> Spoken:
        """The same for sentences of the library [-]."""
        units = self.volume_unit, self.discharge_unit, self.head_unit
        return Spoken(*units, self.zone, self.currency)

    @property
    def small_length(self) -> float:
        """A small error of a level, round in the unit of the case [m]."""
        if not self.spoken.feet:
            return 0.003
        return 0.0254 / 8 if self.head_unit == "in" else 0.01 * 0.3048

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


KINDS: dict[str, Callable[..., str]] = {
    "volume": Words.volume,
    "volumes": lambda words, ends: words.volume_interval(*ends),
    "money": lambda words, value: words.money(float(value)),
    "whole": lambda words, value: words.money(float(value), cents=False),
    "moneys": lambda words, ends: words.money_interval(*ends),
    "share": Words.share,
    "percent": lambda words, value, digits=2: f"{100 * value:.{digits}g} %",
    "chance": Words.probability,
    "sign": Words.sign,
    "level": Words.head,
    "length": lambda words, value, digits=3: words.spoken.length(value, digits),
    "off": lambda words, value: words.spoken.length(value, sign=True),
    "day": Words.day,
    "list": lambda words, names: joined(names),
    "rows": lambda words, texts: "; ".join(texts),
    "text": lambda words, texts: " ".join(texts),
    "finding": lambda words, finding: short_finding(finding),
    "capital": lambda words, text: text.capitalize(),
    "sentence": lambda words, text: sentence_of(text),
}
"""What a value can be written as, in a template."""
