"""What every flow element has in common: a rating, its validity, its notes.

A device turns readings into discharge as ``carrier(readings) * rating(level)``. The rating is a
smooth function of one level; whatever else acts (velocity, a submergence correction, the flow a
full-pipe meter reports) is the carrier. Outside its published limits a device still computes, and
says so by a flag: validity is data, not an exception.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from sewer_audit.errors import OutOfRange

__all__ = [
    "FLAG_MEANINGS",
    "Accuracy",
    "Device",
    "DeviceNotes",
    "FlagMeaning",
    "Rule",
    "check_positive",
]


@dataclass(frozen=True)
class FlagMeaning:
    """What a flag on a reading says."""

    text: str
    spoils: bool


def _spoils(text: str) -> FlagMeaning:
    return FlagMeaning(text, True)


def _tells(text: str) -> FlagMeaning:
    return FlagMeaning(text, False)


FLAG_MEANINGS: dict[str, FlagMeaning] = {
    "below head limit": _spoils("The level is below the published lower limit of the method."),
    "above head limit": _spoils("The level is above the published upper limit of the method."),
    "negative level": _spoils("The level is below the datum: the zero of the sensor is in doubt."),
    "submerged": _tells("The flume is submerged; the published correction was applied."),
    "near transition": _tells(
        "Submergence lies between the transition limits of two publications: whether a correction "
        "is due is not settled."
    ),
    "submerged beyond correction": _spoils(
        "Submergence is above the limit of every published correction: no measurement."
    ),
    "drowned": _spoils(
        "The tailwater stands above the crest: outside the standard, corrected approximately."
    ),
    "partly contracted": _spoils(
        "The head is too large for this notch in this channel to count as fully contracted."
    ),
    "head above a third of the crest": _spoils(
        "The head exceeds a third of the crest length, the limit of this equation."
    ),
    "head to crest height too large": _spoils(
        "The head is too large for the height of the crest above the channel floor."
    ),
    "side contraction too small": _spoils(
        "The notch is too close to the channel walls for this equation, yet not full width."
    ),
    "crest below published size": _spoils("The crest is shorter or lower than the method allows."),
    "angle outside published range": _spoils(
        "The notch angle is outside 20 to 100 degrees; the nearest published coefficient was used."
    ),
    "contraction assumed": _tells(
        "Channel width or crest height is not stated; full contraction was assumed."
    ),
    "head to throat length too large": _spoils(
        "The throat is too short for this head: streamlines at the critical section are curved."
    ),
    "head to throat width too large": _spoils("The head exceeds three times the throat width."),
    "approach too fast": _spoils(
        "The throat contracts the approach too little: Froude number or area ratio is too high."
    ),
    "limits not stated": _tells("No limits were given with the coefficients of this device."),
    "outside rating table": _spoils(
        "The level is beyond the ends of the rating table; the end segment was prolonged."
    ),
    "surcharged": _tells("The pipe is full and under pressure: the whole section was taken."),
    "surcharged, slope unknown": _spoils(
        "The pipe is full: its friction slope is no longer its invert slope."
    ),
    "near full": _spoils(
        "The pipe is more than 0.82 full: one discharge belongs to two depths, waves may close it."
    ),
    "below sediment": _spoils("The level is not above the stated sediment."),
    "reverse flow": _tells("The velocity is negative: water ran backwards."),
    "no velocity": _tells("Water stands in the section and the velocity reads zero."),
    "below blanking distance": _spoils(
        "The surface is closer to the sensor than its blanking distance: the echo is not its own."
    ),
    "beyond the datum": _spoils("The echo comes from farther away than the datum."),
}


@dataclass(frozen=True)
class Rule:
    """One requirement on the installation."""

    subject: str
    text: str
    source: str


@dataclass(frozen=True)
class Accuracy:
    """One published accuracy statement."""

    cause: str
    relative: float
    confidence: str
    shape: str
    source: str
    grade: str = ""


@dataclass(frozen=True)
class DeviceNotes:
    """What a reader must know about a device beside its discharge."""

    datum: str
    head_limits: tuple[float, float] | None
    rules: tuple[Rule, ...]
    accuracy: tuple[Accuracy, ...]
    sources: tuple[str, ...]
    equation: str
    trend_grade: bool = False
    remarks: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class Device:
    """A flow element or conduit; subclasses hold the equations.

    Subclasses state `method`, the `columns` a record must hold, the `optional_columns` it may
    hold, and which column is the level. `scale_causes` maps an uncertain cause to the exponent of
    (1 + error) on the discharge; `shape_causes` maps a cause to the field it perturbs.
    """

    method: ClassVar[str] = ""
    columns: ClassVar[tuple[str, ...]] = ("head",)
    optional_columns: ClassVar[tuple[str, ...]] = ()
    level_column: ClassVar[str | None] = "head"

    @property
    def notes(self) -> DeviceNotes:
        """Datum, limits, installation, accuracy and sources [-]."""
        raise NotImplementedError

    @property
    def scale_causes(self) -> Mapping[str, float]:
        """Cause to exponent of (1 + error) on the discharge [-]."""
        return {"discharge coefficient": 1.0}

    @property
    def shape_causes(self) -> Mapping[str, str]:
        """Cause to the name of the field it perturbs [text]."""
        return {}

    def rating(self, level: Any) -> Any:
        """Value of the rating curve.

        Units: returns [m3/s].

        level: Head or depth over the datum; NaN gives NaN, not positive gives 0.
        """
        raise NotImplementedError

    def carrier(self, **readings: Any) -> Any:
        """What multiplies the rating.

        Units: **readings [SI].

        float or array: 1 unless the device says otherwise.
        """
        return 1.0

    def discharge(self, **readings: Any) -> Any:
        """Discharge of readings.

        Units: **readings [SI]; returns [m3/s].
        """
        level = readings[self.level_column] if self.level_column else readings[self.columns[0]]
        carrier, rating = self.carrier(**readings), self.rating(level)
        return rating if isinstance(carrier, float) and carrier == 1.0 else carrier * rating

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Which readings lie outside what is published.

        Units: **readings [SI].
        """
        level = np.asarray(readings[self.level_column], dtype=float)
        found = {"negative level": level < 0}
        limits = self.notes.head_limits
        if limits is not None:
            slack = 1e-9 * max(limits[1], 1e-3) if np.isfinite(limits[1]) else 0.0
            found["below head limit"] = (level > 0) & (level < limits[0] - slack)
            found["above head limit"] = level > limits[1] + slack
        return found

    def head_for(self, discharge: Any) -> Any:
        """Level that gives a discharge, without tailwater.

        Units: discharge [m3/s]; returns [m].
        """
        wanted = np.asarray(discharge, dtype=float)
        if np.any(wanted < 0):
            raise OutOfRange("a negative discharge has no level; check the sign of flow")
        low, high = np.zeros_like(wanted), np.full_like(wanted, self._first_bracket())
        for _ in range(40):
            short = self.rating(high) < wanted
            if not np.any(short):
                break
            high = np.where(short, 2 * high, high)
        else:
            raise OutOfRange(f"no level of this {self.method} gives that discharge; check flow")
        for _ in range(50):  # to 1e-15 of the bracket
            middle = 0.5 * (low + high)
            below = self.rating(middle) < wanted
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return np.where(np.isnan(wanted), np.nan, 0.5 * (low + high))[()]

    def replace(self, **dims: Any) -> Any:
        """The same device with other dimensions.

        Units: **dims [SI].
        """
        return dataclasses.replace(self, **dims)

    def _first_bracket(self) -> float:
        limits = self.notes.head_limits
        return limits[1] if limits is not None and np.isfinite(limits[1]) else 1.0


def check_positive(device: Device, *names: str) -> None:
    """Refuse sizes that are not positive."""
    for name in names:
        size = getattr(device, name)
        if size is not None and not size > 0:
            raise OutOfRange(
                f"{name} of the {device.method} is {size:g}; it must be greater than zero"
            )
