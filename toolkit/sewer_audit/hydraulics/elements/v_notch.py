"""Triangular thin-plate weir (V-notch) after Kindsvater and Shen."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, ClassVar

import numpy as np

from sewer_audit import spoken
from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.devices import DeviceNotes, check_positive
from sewer_audit.hydraulics.elements.drowned import ThinPlateWeir
from sewer_audit.hydraulics.kernels import evaluate
from sewer_audit.hydraulics.notes import make_notes
from sewer_audit.hydraulics.tables import rows_of
from sewer_audit.units import GRAVITY

LOWEST, HIGHEST = math.radians(20), math.radians(100)
"""Published range of the notch angle [rad] (ISO 1438:2017, contents list, read)."""
_SLACK = 1e-9


@cache
def v_notch_coefficients(angle: float) -> tuple[float, float]:
    """Effective discharge coefficient [-] and head correction [m] of a notch angle [rad].

    Outside 20 to 100 degrees the nearest end is used.

    References
    ----------
    Kindsvater and Shen; table ``v_notch.csv`` with a source in each row.
    """
    rows = rows_of("v_notch")
    angles = [math.radians(row["angle_deg"]) for row in rows]
    coefficient = np.interp(angle, angles, [row["coefficient"] for row in rows])
    correction = np.interp(angle, angles, [row["head_correction_m"] for row in rows])
    return float(coefficient), float(correction)


@dataclass(frozen=True)
class VNotchWeir(ThinPlateWeir):
    """A triangular thin-plate weir.

    Units: angle [rad].

    References
    ----------
    USBR Water Measurement Manual ch. 7 sect. 7 (read); ISO 1438 (limits from memory).
    """

    angle: float
    crest_height: float | None = None
    channel_width: float | None = None

    method: ClassVar[str] = "v-notch weir"
    exponent: ClassVar[float] = 2.5
    shape_causes: ClassVar[Mapping[str, str]] = {"notch angle": "angle"}

    def __post_init__(self) -> None:
        check_positive(self, "angle", "crest_height", "channel_width")
        if not self.angle < math.pi:
            raise OutOfRange(
                f"a notch angle of {math.degrees(self.angle):g} deg is none; "
                "the full angle lies between 20 and 100 deg"
            )

    @property
    def factor(self) -> float:
        """Discharge at an effective head of 1 m [m3/s]."""
        coefficient, _ = v_notch_coefficients(self.angle)
        return 8 / 15 * math.sqrt(2 * GRAVITY) * coefficient * math.tan(self.angle / 2)

    @property
    def notes(self) -> DeviceNotes:
        coefficient, correction = v_notch_coefficients(self.angle)
        return make_notes(
            ("v-notch", "thin-plate"),
            "vertex of the notch",
            (0.06, 0.381),
            (
                "Kindsvater-Shen form: USBR Water Measurement Manual ch. 7 sect. 7 (read)",
                *dict.fromkeys(row["source"] for row in rows_of("v_notch")),
                "limits: ISO 1438 and USBR (1.25 ft), from memory",
            ),
            f"Q = 8/15 sqrt(2g) {coefficient:.4f} tan({math.degrees(self.angle):g} deg/2) "
            f"(h + {spoken.length(correction, 2)})^2.5",
        )

    def rating(self, level: Any) -> Any:
        """Free discharge at a head over the vertex [m3/s]."""
        factor, correction = self.factor, v_notch_coefficients(self.angle)[1]

        def kernel(head: np.ndarray, out: np.ndarray, root: np.ndarray) -> None:
            np.add(head, correction, out=out)
            np.maximum(out, 0.0, out=out)
            np.sqrt(out, out=root)
            out *= out
            out *= root
            out *= factor
            out[head <= 0] = 0.0

        return evaluate(kernel, level, spare=1)

    def contraction(self, head: np.ndarray) -> dict[str, np.ndarray]:
        """Angle, head over crest height and over channel width."""
        wet = head > 0
        outside = not LOWEST - _SLACK <= self.angle <= HIGHEST + _SLACK
        found = {"angle outside published range": wet & outside}
        partly = np.zeros(head.shape, dtype=bool)
        if self.crest_height is not None:
            share = 0.4 if abs(self.angle - math.pi / 2) < 0.01 else 0.35
            partly |= head > share * self.crest_height
            found["crest below published size"] = wet & (self.crest_height < 0.09)
        if self.channel_width is not None:
            partly |= head > 0.2 * self.channel_width
        found["partly contracted"] = partly
        return found

    def head_for(self, discharge: Any) -> Any:
        """Head over the vertex that gives a free discharge [m]."""
        wanted = np.asarray(discharge, dtype=float)
        if np.any(wanted < 0):
            raise OutOfRange("a negative discharge has no level; check the sign of flow")
        head = (wanted / self.factor) ** 0.4 - v_notch_coefficients(self.angle)[1]
        return np.maximum(head, 0.0)[()]
