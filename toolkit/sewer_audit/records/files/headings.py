"""Units that the header of a file names, held against those the case states."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from sewer_audit.errors import UnitError
from sewer_audit.records.model import Findings, Table
from sewer_audit.units import DIMENSIONS, to_si

NO_UNITS = ("in", "min", "max")
"""Words in brackets that say inflow, lowest, highest rather than name a unit of another kind."""
OF_OTHERS = frozenset("V mV mA mbar hPa kPa bar psi Hz kHz dB dBm NTU pH".split())
"""Units in brackets of what no column of a case measures."""
_FACTOR = re.compile(r"[x×*] ?(\d*\.?\d+) ?")
_BRACKETS = re.compile(r"[(\[]([^()\[\]]+)[)\]]")


@dataclass(frozen=True)
class Heading:
    """The heading of one column, with the unit row below it in brackets, and where it stands."""

    text: str
    line: int | None
    column: str

    def unit(self, dimension: str) -> str:
        """The unit it names: in brackets whatever that measures, as last word one that fits."""
        bracketed, text = _BRACKETS.findall(self.text), self.text.strip()
        word = bracketed[-1].strip() if bracketed else re.split(r"[\s_,;:]+", text)[-1]
        if word != text and _scale(word, dimension) is not None:
            return word
        if bracketed and word in OF_OTHERS:
            return word
        other = bracketed and (word == "%" or len(word) > 1) and word.lower() not in NO_UNITS
        return word if other and any(_scale(word, each) for each in DIMENSIONS) else ""

    def check(
        self, unit: str, dimension: str, because: str, findings: Findings, factor: float = 1.0
    ) -> None:
        """Refuse a unit that is not the case's, nor that times a factor, unless it says why."""
        theirs = self.unit(dimension)
        if not theirs:
            return
        scale, own = _scale(theirs, dimension), _scale(unit, dimension)
        if scale is not None and own is not None:
            counts = own[0] * factor, own[1] * factor
            if any(np.allclose(scale, each, rtol=1e-3, atol=0) for each in (own, counts)):
                return
        told = f"the file names the unit {theirs!r}, the case states {unit!r}"
        if because:
            remedy = f"The case's unit is used because {because}"
            findings.warn(told, remedy, line=self.line, column=self.column, code="unit")
            return
        right = f"State the unit as {theirs!r}"
        if scale is None:
            right = f"That is no unit of {dimension}: name the column that holds it"
        findings.add(
            told,
            f"{right}, or, where the file names it wrongly, say how that is "
            "known: unit_because = 'the display of the meter shows it'",
            line=self.line,
            column=self.column,
            code="unit",
        )


def check_heading(
    table: Table,
    place: int | None,
    unit: str,
    dimension: str,
    because: str,
    findings: Findings,
    factor: float = 1.0,
) -> None:
    """The same for a column of a table that was read cell by cell."""
    if place is not None:
        below = table.units[place] if place < len(table.units) else ""
        text = f"{table.header[place]} ({below})" if below else table.header[place]
        heading = Heading(text, table.header_line, table.header[place])
        heading.check(unit, dimension, because, findings, factor)


def _scale(unit: str, dimension: str) -> tuple[float, float] | None:
    """Nothing and one of a unit in SI, times a factor before it; None where it is no unit."""
    factor = _FACTOR.match(unit)
    one, name = (float(factor[1]), unit[factor.end() :]) if factor else (1.0, unit)
    try:
        return to_si(0.0, name, dimension), to_si(one, name, dimension)
    except UnitError:
        return None
