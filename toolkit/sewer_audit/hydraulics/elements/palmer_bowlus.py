"""Palmer-Bowlus flumes from measured throat geometry, by critical-depth theory."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from sewer_audit import spoken
from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.conduits.sections import CircularSection
from sewer_audit.hydraulics.devices import Device, DeviceNotes, check_positive
from sewer_audit.hydraulics.elements.critical import TrapezoidThroat, critical_flow
from sewer_audit.hydraulics.kernels import evaluate
from sewer_audit.hydraulics.notes import make_notes
from sewer_audit.units import GRAVITY


@dataclass(frozen=True)
class PalmerBowlusFlume(Device):
    """A throat of trapezoidal shape set into a circular pipe.

    Units: diameter [m]; floor_width [m].

    Notes
    -----
    h + Q^2/(2 g Aa^2) = yc + A/(2 T), Q = sqrt(g A^3/T): critical flow in the throat, approach in
    the part-full pipe. The throat is narrowed and its floor raised by a displacement thickness of
    0.003 throat lengths.

    References
    ----------
    EPA-600/2-84-186 and ASTM D5390 (principle; no public rating equation exists); displacement
    thickness of ISO 4359 (from memory).
    """

    diameter: float
    floor_width: float
    wall_slope: float
    hump: float
    throat_length: float

    method: ClassVar[str] = "palmer-bowlus flume"
    shape_causes: ClassVar[Mapping[str, str]] = {
        "throat width": "floor_width",
        "diameter": "diameter",
    }

    def __post_init__(self) -> None:
        check_positive(self, "diameter", "floor_width", "throat_length")
        if self.wall_slope < 0 or self.hump < 0:
            raise OutOfRange("wall_slope and hump are 0 or more; check the throat's drawing")
        if not self.hump < self.diameter:
            raise OutOfRange("the throat floor lies above the pipe; check hump and diameter")
        if self.throat.floor <= 0:
            raise OutOfRange(
                "the boundary layer fills the throat; check floor_width, throat_length"
            )
        heads = np.linspace(0.05, 0.9, 18) * (self.diameter - self.hump)
        if np.any(self.throat.area(heads) > 0.98 * self._approach(heads)):
            raise OutOfRange("the throat is no narrower than the pipe; check floor_width and hump")

    @property
    def layer(self) -> float:
        """Displacement thickness [m]."""
        return 0.003 * self.throat_length

    @property
    def throat(self) -> TrapezoidThroat:
        """Throat inside its boundary layer [m]."""
        loss = 2 * self.layer * (math.hypot(1.0, self.wall_slope) - self.wall_slope)
        return TrapezoidThroat(self.floor_width - loss, self.wall_slope)

    @property
    def notes(self) -> DeviceNotes:
        return make_notes(
            ("palmer-bowlus",),
            "floor of the throat, not the invert of the pipe",
            (0.05 * self.diameter, 0.9 * self.diameter - self.hump),
            (
                "critical-depth theory on measured throat geometry, principle of EPA-600/2-84-186 "
                "and ASTM D5390 (no public rating equation exists)",
                "head limits 0.05 and 0.9 diameters: judgement",
            ),
            "h + Q^2/(2 g Aa^2) = yc + A/(2T), Q = sqrt(g A^3/T), solved "
            f"({spoken.equation_units()})",
        )

    def _approach(self, head: Any) -> Any:
        depth = np.maximum(np.asarray(head, dtype=float), 0.0) + self.hump
        return CircularSection(self.diameter).area(depth)

    def rating(self, level: Any) -> Any:
        """Discharge at a head over the throat floor [m3/s]."""

        def kernel(head: np.ndarray, out: np.ndarray) -> None:
            out[:] = critical_flow(self.throat, head - self.layer, self._approach(head))

        return evaluate(kernel, level)

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Range, full approach pipe, approach Froude number [-]."""
        found = super().flags(**readings)
        head = np.asarray(readings["head"], dtype=float)
        found["surcharged, slope unknown"] = head + self.hump >= self.diameter
        held = np.where(head > 0, head, np.nan)
        section = CircularSection(self.diameter)
        area, width = self._approach(held), section.width(held + self.hump)
        with np.errstate(invalid="ignore", divide="ignore"):
            froude = self.rating(held) / area / np.sqrt(GRAVITY * area / width)
            found["approach too fast"] = froude > 0.5
        return found
