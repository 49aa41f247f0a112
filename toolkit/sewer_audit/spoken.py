"""Figures in the units, and moments in the time zone, that the people of a case read.

The library computes in SI and UTC. Where it writes a figure into a sentence it asks this module,
which knows what is spoken here: :func:`speaking` sets it for a block of work, and outside such a
block sentences are in SI and UTC. The figures beside a sentence stay in SI whatever is spoken.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from sewer_audit.units import from_si, to_si

FOOT = 0.3048


def _figure(value: float, digits: int, sign: bool = False) -> str:
    """A number to so many significant digits, never with an exponent."""
    if not math.isfinite(value):
        return "–"
    size = 0 if not value else math.floor(math.log10(abs(float(f"{value:.{digits - 1}e}"))))
    text = f"{value + 0.0:{'+' if sign else ''},.{max(digits - 1 - size, 0)}f}"  # no minus zero
    if "." in text and not sign:
        text = text.rstrip("0").rstrip(".")
    return text


@dataclass(frozen=True)
class Spoken:
    """What is spoken in one case.

    Parameters
    ----------
    volume_unit, discharge_unit, head_unit : str
        Units people read; the unit of the head says which family lengths, velocities, areas and
        temperatures are in [text].
    zone : tzinfo or None
        Zone of moments; UTC if None [-].
    currency : str
        Name of the currency; amounts stand alone if empty [text].
    """

    volume_unit: str = "m3"
    discharge_unit: str = "m3/s"
    head_unit: str = "mm"
    zone: tzinfo | None = None
    currency: str = ""

    def money(self, value: Any) -> str:
        """An amount with its currency. Such as "USD 1,234.50". Units: value [money]."""
        text = f"{value:,}" if value != round(value, 2) else f"{value:,.2f}"
        return f"{self.currency} {text}".lstrip()

    @property
    def feet(self) -> bool:
        """Whether lengths are in feet and inches [-]."""
        inches = to_si(1.0, self.head_unit, "length") * 12 / FOOT
        return inches > 0.5 and math.isclose(inches, round(inches), rel_tol=1e-9)

    def length(self, value: float, digits: int = 3, sign: bool = False) -> str:
        """A length with its unit. Such as "0.126 in", "3.2 mm" or "1.45 m". Units: value [m]."""
        if self.feet:
            unit = "ft" if self.head_unit != "in" or abs(value) >= 36.5 * FOOT / 12 else "in"
        elif self.head_unit == "cm":
            unit = "cm" if abs(value) < 1 else "m"
        else:
            unit = "mm" if abs(value) < 1 else "m"
        return f"{_figure(from_si(value, unit, 'length'), digits, sign)} {unit}"

    def velocity(self, value: float, digits: int = 3) -> str:
        """A velocity with its unit. Such as "1.97 ft/s". Units: value [m/s]."""
        unit = "ft/s" if self.feet else "m/s"
        return f"{_figure(from_si(value, unit, 'velocity'), digits)} {unit}"

    def rate_of_rise(self, value: float) -> str:
        """How fast a level rises or falls, with its unit.

        Such as "2 ft in a minute". Units: value [m/s].
        """
        return f"{self.length(60 * value, 2)} in a minute"

    def volume(self, value: float, digits: int = 4) -> str:
        """A volume with its unit. Such as "82.6 kgal". Units: value [m3]."""
        unit = self.volume_unit
        return f"{_figure(from_si(value, unit, 'volume'), digits)} {unit}"

    def discharge(self, value: float, digits: int = 4) -> str:
        """A discharge with its unit. Such as "153 gpm". Units: value [m3/s]."""
        unit = self.discharge_unit
        return f"{_figure(from_si(value, unit, 'discharge'), digits)} {unit}"

    def area(self, value: float, digits: int = 3) -> str:
        """An area with its unit. Such as "1,200 ft2". Units: value [m2]."""
        feet = self.feet
        return f"{_figure(value / FOOT**2 if feet else value, digits)} {'ft2' if feet else 'm2'}"

    def temperature(self, value: float, digits: int = 3) -> str:
        """A temperature with its unit. Such as "63.3 degF". Units: value [K]."""
        unit = "degF" if self.feet else "degC"
        return f"{_figure(round(from_si(value, unit, 'temperature'), 9), digits)} {unit}"

    def temperature_step(self, value: float, digits: int = 3) -> str:
        """A difference of temperatures with its unit. Such as "1.8 degF". Units: value [K]."""
        feet = self.feet
        return f"{_figure(1.8 * value if feet else value, digits)} {'degF' if feet else 'K'}"

    @staticmethod
    def percent(value: float, digits: int = 1) -> str:
        """A share in per cent. Such as "7.4 %"."""
        if not math.isfinite(value):
            return "– %"
        return f"{round(100 * value, digits) + 0.0:.{digits}f} %"  # no minus zero

    def _local(self, time: Any) -> Any:
        """An instant in the zone spoken; one without a zone counts as UTC."""
        import pandas as pd

        stamp = pd.Timestamp(time)
        stamp = stamp.tz_localize("UTC") if stamp.tz is None else stamp
        return stamp.tz_convert(self.zone or "UTC")

    def moment(self, time: Any) -> str:
        """An instant in the zone of the case, with the name of the zone at that moment.

        Such as "2025-06-27 22:40 CDT".
        """
        local = self._local(time)
        clock = "%H:%M:%S" if local.second else "%H:%M"
        return local.strftime(f"%Y-%m-%d {clock} %Z").rstrip()

    def day(self, time: Any) -> str:
        """The day of an instant in the zone of the case. Such as "2025-06-27"."""
        return self._local(time).strftime("%Y-%m-%d")

    def hour(self, time: Any) -> int:
        """The hour of the day of an instant in the zone of the case. Units: returns [h]."""
        return int(self._local(time).hour)

    def plain_length(self, value: float) -> float:
        """A length in the unit of length that :meth:`equation_units` names, without that unit.

        Units: value [m]; returns [ft or m].
        """
        return value / FOOT if self.feet else value

    def equation_units(self) -> str:
        """Units in which an equation is written [text]."""
        return "ft3/s, ft" if self.feet else "m3/s, m"

    def power_law(
        self, coefficient: float, exponent: float, digits: int = 4, lengths: float = 0.0
    ) -> float:
        """Coefficient of Q = C h^n in the units :meth:`equation_units` names.

        Units: coefficient [m(3 - n) / s].

        Notes
        -----
        Q = C h^n, so C in feet is C times 0.3048^(n + lengths - 3).

        References
        ----------
        The foot is 0.3048 m exactly (international yard and pound agreement, 1959).
        """
        if self.feet:
            coefficient *= FOOT ** (exponent + lengths - 3)
        return float(f"{coefficient:.{digits}g}")


SI = Spoken()
"""What is spoken outside every case."""
_NOW: ContextVar[Spoken] = ContextVar("spoken", default=SI)


@contextmanager
def speaking(spoken: Spoken) -> Iterator[None]:
    """Write sentences in these units for a block of work."""
    before = _NOW.set(spoken)
    try:
        yield
    finally:
        _NOW.reset(before)


def __getattr__(name: str) -> Any:
    """What is spoken now writes the figure: ``spoken.length(x)`` and its like."""
    if name.startswith("__"):
        raise AttributeError(name)
    return getattr(_NOW.get(), name)
