"""A user's rating table: monotone between its points, flagged beyond them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar

import numpy as np

from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.devices import Device, DeviceNotes, check_positive
from sewer_audit.hydraulics.notes import make_notes, stated_accuracy

__all__ = ["RatingTable", "monotone_slopes"]


def monotone_slopes(arguments: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Slopes of a cubic interpolation that never overshoots its points.

    References
    ----------
    Fritsch and Butland 1984, SIAM J. Sci. Stat. Comput. 5 (from memory).
    """
    step = np.diff(arguments)
    slope = np.diff(values) / step
    result = np.empty_like(values)
    result[0], result[-1] = slope[0], slope[-1]
    left, right = slope[:-1], slope[1:]
    first, second = 2 * step[1:] + step[:-1], step[1:] + 2 * step[:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (first + second) / (first / left + second / right)
    result[1:-1] = np.where(left * right > 0, mean, 0.0)
    return result


@dataclass(frozen=True)
class RatingTable(Device):
    """A table of levels and discharges with its provenance.

    Units: levels [m]; discharges [m3/s].

    levels: Increasing; a first point at 0 must have discharge 0.
    """

    levels: tuple[float, ...]
    discharges: tuple[float, ...]
    source: str
    interpolation: str = "log"
    accuracy: float | None = None
    datum: str = "as stated by the source of the table"
    family: str = "rating-table"

    method: ClassVar[str] = "rating table"

    def __post_init__(self) -> None:
        check_positive(self, "accuracy")
        if not self.source.strip():
            raise OutOfRange("a rating table needs its source; state who made it, when, for what")
        if self.interpolation not in ("log", "linear"):
            raise OutOfRange(
                f"interpolation {self.interpolation!r} is not known; write log or linear"
            )
        levels, discharges = np.asarray(self.levels, float), np.asarray(self.discharges, float)
        if len(levels) < 2 or len(levels) != len(discharges):
            raise OutOfRange("a rating table needs two points or more, each level: discharge")
        if not (np.all(np.diff(levels) > 0) and np.all(np.diff(discharges) > 0)):
            raise OutOfRange(
                "levels and discharges of a rating table must both increase; sort them"
            )
        if levels[0] < 0 or discharges[0] < 0 or (levels[0] == 0) != (discharges[0] == 0):
            raise OutOfRange("a rating table starts above zero, or at level 0 with discharge 0")
        if self.interpolation == "log" and np.count_nonzero(levels) < 2:
            raise OutOfRange("log interpolation needs two points above zero; add one")

    @property
    def scale_causes(self) -> Mapping[str, float]:
        """An error of the table multiplies [-]."""
        return {"rating table": 1.0}

    @property
    def notes(self) -> DeviceNotes:
        """Datum, limits, installation, accuracy and sources [-]."""
        families = tuple(dict.fromkeys(("rating-table", self.family)))
        between = "monotone cubic in the logarithms" if self.interpolation == "log" else "straight"
        return make_notes(
            families,
            self.datum,
            (self.levels[0], self.levels[-1]),
            (self.source,),
            f"{len(self.levels)} points, {between} between them",
            stated_accuracy("rating-table", self.accuracy, self.source),
        )

    @cached_property
    def _points(self) -> tuple[np.ndarray, np.ndarray]:
        levels, discharges = np.asarray(self.levels, float), np.asarray(self.discharges, float)
        if self.interpolation == "linear":
            origin = [] if levels[0] == 0 else [0.0]
            return np.concatenate([origin, levels]), np.concatenate([origin, discharges])
        kept = levels > 0
        return np.log(levels[kept]), np.log(discharges[kept])

    @cached_property
    def _slopes(self) -> np.ndarray:
        return monotone_slopes(*self._points)

    def rating(self, level: Any) -> Any:
        """Discharge at a level; beyond its ends the table is prolonged [m3/s]."""
        level = np.asarray(level, dtype=float)
        wet = level > 0
        if self.interpolation == "linear":
            return (np.where(wet, self._straight(level), 0.0) + 0.0 * level)[()]
        value = np.exp(self._cubic(np.log(np.where(wet, level, 1.0))))
        return (np.where(wet, value, 0.0) + 0.0 * level)[()]

    def _straight(self, level: np.ndarray) -> np.ndarray:
        knots, values = self._points
        place = np.clip(np.searchsorted(knots, level, side="right") - 1, 0, len(knots) - 2)
        slope = np.diff(values) / np.diff(knots)
        return values[place] + slope[place] * (level - knots[place])

    def _cubic(self, argument: np.ndarray) -> np.ndarray:
        knots, values = self._points
        place = np.clip(np.searchsorted(knots, argument, side="right") - 1, 0, len(knots) - 2)
        step = np.diff(knots)[place]
        part = (argument - knots[place]) / step
        t = np.clip(part, 0.0, 1.0)
        low, high = values[place], values[place + 1]
        begin, end = self._slopes[place] * step, self._slopes[place + 1] * step
        cubic = (
            low * (1 + 2 * t) * (1 - t) ** 2
            + begin * t * (1 - t) ** 2
            + high * t**2 * (3 - 2 * t)
            - end * t**2 * (1 - t)
        )
        return cubic + begin * np.minimum(part, 0.0) + end * np.maximum(part - 1.0, 0.0)

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Beyond the ends of the table [-]."""
        level = np.asarray(readings["head"], dtype=float)
        ends = (self.levels[0] * (1 - 1e-9), self.levels[-1] * (1 + 1e-9))
        return {
            "negative level": level < 0,
            "outside rating table": ((level > 0) & (level < ends[0])) | (level > ends[1]),
        }
