"""Cipolletti (trapezoidal thin-plate) weir."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from sewer_audit import spoken
from sewer_audit.hydraulics.devices import Device, DeviceNotes, check_positive
from sewer_audit.hydraulics.elements.drowned import drowned_share
from sewer_audit.hydraulics.kernels import three_halves
from sewer_audit.hydraulics.notes import make_notes

__all__ = ["CipollettiWeir"]

COEFFICIENT = 3.367 * math.sqrt(0.3048)
"""3.367 in feet and seconds, here in SI [m0.5/s]."""


@dataclass(frozen=True)
class CipollettiWeir(Device):
    """A trapezoidal thin-plate weir with sides of 1 horizontal to 4 vertical.

    References
    ----------
    USBR Water Measurement Manual ch. 7 sect. 12, eq. 7-7 (read).
    """

    crest_length: float
    crest_height: float | None = None
    channel_width: float | None = None

    method: ClassVar[str] = "cipolletti weir"
    optional_columns: ClassVar[tuple[str, ...]] = ("downstream_head",)

    def __post_init__(self) -> None:
        check_positive(self, "crest_length", "crest_height", "channel_width")

    @property
    def scale_causes(self) -> Mapping[str, float]:
        """Coefficient, and crest length: proportional [-]."""
        return {"discharge coefficient": 1.0, "crest length": 1.0}

    @property
    def notes(self) -> DeviceNotes:
        """Datum, limits, installation, accuracy and sources [-]."""
        return make_notes(
            ("cipolletti", "thin-plate"),
            "crest of the weir",
            (0.2 * 0.3048, max(self.crest_length / 3, 0.061)),
            (
                "USBR Water Measurement Manual ch. 7 sect. 12 (read); head limits 0.2 ft and a "
                "third of the crest (from memory)",
            ),
            f"Q = {spoken.power_law(COEFFICIENT, 1.5, 5, 1):g} L h^1.5 ({spoken.equation_units()})",
        )

    def rating(self, level: Any) -> Any:
        """Free discharge at a head over the crest [m3/s]."""
        return three_halves(level, COEFFICIENT * self.crest_length)

    def carrier(self, **readings: Any) -> Any:
        """Drowned over free discharge, 1 without a downstream head [-]."""
        return drowned_share(readings, 1.5)

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Range, contraction and tailwater [-]."""
        found = super().flags(**readings)
        head = np.asarray(readings["head"], dtype=float)
        wet = head > 0
        found["head above a third of the crest"] = head > self.crest_length / 3 * (1 + 1e-9)
        if self.crest_height is not None:
            found["head to crest height too large"] = head > self.crest_height / 2
        if self.channel_width is not None:
            side = (self.channel_width - self.crest_length - head / 2) / 2
            found["side contraction too small"] = wet & (side < 2 * head)
        unknown = self.channel_width is None or self.crest_height is None
        found["contraction assumed"] = wet & unknown
        if readings.get("downstream_head") is not None:
            found["drowned"] = np.asarray(readings["downstream_head"], dtype=float) > 0
        return found
