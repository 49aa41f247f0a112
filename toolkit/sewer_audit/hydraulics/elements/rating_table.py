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
    scale_causes: ClassVar[Mapping[str, float]] = {"rating table": 1.0}

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
    def notes(self) -> DeviceNotes:
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

    def rating(self, level: Any) -> Any:
        """Discharge at a level; beyond its ends the table is prolonged [m3/s].

        References
        ----------
        Fritsch and Butland 1984, SIAM J. Sci. Stat. Comput. 5 (from memory): a cubic that never
        overshoots its points.
        """
        from scipy.interpolate import PchipInterpolator  # not for every command

        level = np.asarray(level, dtype=float)
        wet = level > 0
        knots, values = self._points
        if self.interpolation == "linear":
            value = self._prolonged(level, np.interp(level, knots, values))
        else:
            argument = np.log(np.where(wet, level, 1.0))
            held = np.clip(argument, knots[0], knots[-1])
            value = np.exp(self._prolonged(argument, PchipInterpolator(knots, values)(held)))
        return (np.where(wet, value, 0.0) + 0.0 * level)[()]

    def _prolonged(self, argument: np.ndarray, within: np.ndarray) -> np.ndarray:
        """Values within the table, and straight on from its last segment beyond each end."""
        knots, values = self._points
        first, last = (np.diff(values) / np.diff(knots))[[0, -1]]
        below = np.minimum(argument - knots[0], 0.0)
        above = np.maximum(argument - knots[-1], 0.0)
        return within + first * below + last * above

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Beyond the ends of the table [-]."""
        level = np.asarray(readings["head"], dtype=float)
        ends = (self.levels[0] * (1 - 1e-9), self.levels[-1] * (1 + 1e-9))
        return {
            "negative level": level < 0,
            "outside rating table": ((level > 0) & (level < ends[0])) | (level > ends[1]),
        }
