"""Area-velocity: wetted area from depth, times the mean velocity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from sewer_audit import spoken
from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.conduits.sections import Section
from sewer_audit.hydraulics.conduits.widths import OnSection
from sewer_audit.hydraulics.devices import Device, DeviceNotes, check_positive
from sewer_audit.hydraulics.kernels import level_at
from sewer_audit.hydraulics.notes import make_notes


@dataclass(frozen=True)
class AreaVelocity(OnSection, Device):
    """A depth and a velocity sensor in a conduit.

    Units: sediment [m].

    References
    ----------
    Continuity; wetted area by exact geometry. ISO 748 and ISO 15769 on the velocity (from memory).
    """

    section: Section
    velocity_factor: float = 1.0
    sediment: float = 0.0

    method: ClassVar[str] = "area velocity"
    columns: ClassVar[tuple[str, ...]] = ("depth", "velocity")
    level_column: ClassVar[str | None] = "depth"
    scale_causes: ClassVar[Mapping[str, float]] = {"velocity factor": 1.0}

    def __post_init__(self) -> None:
        check_positive(self, "velocity_factor")
        if not 0 <= self.sediment < self.section.height:
            raise OutOfRange("sediment must be 0 or more and lower than the section is high")

    @property
    def notes(self) -> DeviceNotes:
        return make_notes(
            ("area-velocity",),
            "invert: the lowest point of the section",
            (self.sediment, self.section.height),
            ("continuity, wetted area by exact geometry; ISO 748, ISO 15769 (from memory)",),
            f"Q = {self.velocity_factor:g} v A(y), {self.section.name} section "
            f"({spoken.equation_units()}, {spoken.equation_units().split(', ')[1]}/s)",
        )

    def rating(self, level: Any) -> Any:
        """Wetted area over the sediment; the full section above the crown [m2]."""
        area = self.section.area(level)
        if self.sediment == 0:
            return area
        return np.maximum(area - self.section.area(self.sediment), 0.0)[()]

    def carrier(self, **readings: Any) -> Any:
        """Mean velocity [m/s]."""
        return np.asarray(readings["velocity"], dtype=float)[()] * self.velocity_factor

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Surcharged, silted, running backwards or without velocity [-]."""
        depth = np.asarray(readings["depth"], dtype=float)
        velocity = np.asarray(readings["velocity"], dtype=float)
        return {
            "negative level": depth < 0,
            "below sediment": (depth >= 0) & (depth <= self.sediment) & (self.sediment > 0),
            "surcharged": depth >= self.section.height,
            "reverse flow": velocity < 0,
            "no velocity": (velocity == 0) & (depth > self.sediment),
        }

    def head_for(self, discharge: Any) -> Any:
        """No depth follows from a discharge alone."""
        raise OutOfRange("area-velocity gives no depth from flow alone; state velocity as well")

    def depth_for(self, discharge: float, velocity: float) -> float:
        """Depth at which a discharge passes with a velocity.

        Units: discharge [m3/s]; velocity [m/s]; returns [m].
        """
        if not (velocity > 0 and discharge >= 0):
            raise OutOfRange("flow must not be negative and velocity must be positive")
        wanted = discharge / (velocity * self.velocity_factor)
        full = float(self.rating(self.section.height))
        if wanted >= full:
            raise OutOfRange(
                f"the full section passes {full * velocity * self.velocity_factor:.5g} m3/s at "
                "that velocity; from there on the depth is not unique"
            )
        return float(level_at(self.rating, wanted, self.sediment, self.section.height))
