"""What every flow element has in common: a rating, its validity, its notes.

A device turns readings into discharge as ``carrier(readings) * rating(level)``. The rating is a
smooth function of one level; whatever else acts (velocity, a submergence correction, the flow a
full-pipe meter reports) is the carrier. Outside its published limits a device still computes, and
says so by a flag: validity is data, not an exception.
"""

from __future__ import annotations

import csv
import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import Any, ClassVar

import numpy as np

from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.kernels import level_at


@dataclass(frozen=True)
class FlagMeaning:
    """What a flag on a reading says."""

    text: str
    spoils: bool


def _flag_meanings() -> dict[str, FlagMeaning]:
    text = resources.files("sewer_audit.hydraulics").joinpath("flags.csv").read_text("utf-8")
    return {
        row["flag"]: FlagMeaning(row["text"], row["spoils"] == "yes")
        for row in csv.DictReader(text.splitlines())
    }


FLAG_MEANINGS = _flag_meanings()


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
    (1 + error) on the discharge; `shape_causes` maps a cause to the field it perturbs. Readings,
    levels and sizes are in SI.
    """

    method: ClassVar[str] = ""
    columns: ClassVar[tuple[str, ...]] = ("head",)
    optional_columns: ClassVar[tuple[str, ...]] = ()
    level_column: ClassVar[str | None] = "head"
    scale_causes: ClassVar[Mapping[str, float]] = {"discharge coefficient": 1.0}
    shape_causes: ClassVar[Mapping[str, str]] = {}

    @property
    def notes(self) -> DeviceNotes:
        """Datum, limits, installation, accuracy and sources [-]."""
        raise NotImplementedError

    def rating(self, level: Any) -> Any:
        """Value of the rating curve [m3/s] at a level; NaN gives NaN, not positive gives 0."""
        raise NotImplementedError

    def carrier(self, **readings: Any) -> Any:
        """What multiplies the rating: 1 unless the device says otherwise."""
        return 1.0

    def discharge(self, **readings: Any) -> Any:
        """Discharge of readings [m3/s]."""
        level = readings[self.level_column] if self.level_column else readings[self.columns[0]]
        carrier, rating = self.carrier(**readings), self.rating(level)
        return rating if isinstance(carrier, float) and carrier == 1.0 else carrier * rating

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Which readings lie outside what is published."""
        level = np.asarray(readings[self.level_column], dtype=float)
        found = {"negative level": level < 0}
        limits = self.notes.head_limits
        if limits is not None:
            slack = 1e-9 * max(limits[1], 1e-3) if np.isfinite(limits[1]) else 0.0
            found["below head limit"] = (level > 0) & (level < limits[0] - slack)
            found["above head limit"] = level > limits[1] + slack
        return found

    def head_for(self, discharge: Any) -> Any:
        """Level [m] that gives a discharge, without tailwater."""
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
        return level_at(self.rating, wanted, low, high)

    def replace(self, **dims: Any) -> Any:
        """The same device with other dimensions."""
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
