"""Cipolletti (trapezoidal thin-plate) weir."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from sewer_audit import spoken
from sewer_audit.hydraulics.devices import DeviceNotes, check_positive
from sewer_audit.hydraulics.elements.drowned import ThinPlateWeir
from sewer_audit.hydraulics.kernels import three_halves
from sewer_audit.hydraulics.notes import make_notes
from sewer_audit.spoken import FOOT

COEFFICIENT = 3.367 * math.sqrt(FOOT)
"""3.367 in feet and seconds, here in SI [m0.5/s]."""


@dataclass(frozen=True)
class CipollettiWeir(ThinPlateWeir):
    """A trapezoidal thin-plate weir with sides of 1 horizontal to 4 vertical.

    References
    ----------
    USBR Water Measurement Manual ch. 7 sect. 12, eq. 7-7 (read).
    """

    crest_length: float
    crest_height: float | None = None
    channel_width: float | None = None

    method: ClassVar[str] = "cipolletti weir"
    scale_causes: ClassVar[Mapping[str, float]] = {
        "discharge coefficient": 1.0,
        "crest length": 1.0,
    }

    def __post_init__(self) -> None:
        check_positive(self, "crest_length", "crest_height", "channel_width")

    @property
    def notes(self) -> DeviceNotes:
        return make_notes(
            ("cipolletti", "thin-plate"),
            "crest of the weir",
            (0.2 * FOOT, max(self.crest_length / 3, 0.061)),
            (
                "USBR Water Measurement Manual ch. 7 sect. 12 (read); head limits 0.2 ft and a "
                "third of the crest (from memory)",
            ),
            f"Q = {spoken.power_law(COEFFICIENT, 1.5, 5, 1):g} L h^1.5 ({spoken.equation_units()})",
        )

    def rating(self, level: Any) -> Any:
        """Free discharge at a head over the crest [m3/s]."""
        return three_halves(level, COEFFICIENT * self.crest_length)

    def contraction(self, head: np.ndarray) -> dict[str, np.ndarray]:
        """Head over crest length, crest height and the distance of the walls."""
        found = {"head above a third of the crest": head > self.crest_length / 3 * (1 + 1e-9)}
        if self.crest_height is not None:
            found["head to crest height too large"] = head > self.crest_height / 2
        if self.channel_width is not None:
            side = (self.channel_width - self.crest_length - head / 2) / 2
            found["side contraction too small"] = (head > 0) & (side < 2 * head)
        return found
