"""Rectangular thin-plate weirs: Kindsvater-Carter, Rehbock, and Francis for comparison."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np

from sewer_audit import spoken
from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.devices import Accuracy, DeviceNotes, check_positive
from sewer_audit.hydraulics.elements.drowned import ThinPlateWeir
from sewer_audit.hydraulics.kernels import evaluate
from sewer_audit.hydraulics.notes import accuracy_of, make_notes
from sewer_audit.hydraulics.tables import rows_of
from sewer_audit.units import GRAVITY

HEAD_CORRECTION = 0.001
"""Head correction of Kindsvater and Carter [m]."""
REHBOCK_CORRECTION = 0.0012
"""Head correction of Rehbock [m]."""


@dataclass(frozen=True)
class RectangularWeir(ThinPlateWeir):
    """A rectangular thin-plate weir, contracted or full width.

    References
    ----------
    Kindsvater and Carter 1959, Bos 1989, ISO 1438 (from memory); head correction read in USBR
    Water Measurement Manual ch. 7 sect. 6; Rehbock 1929 as in ISO 1438 (from memory).
    """

    crest_length: float
    channel_width: float | None = None
    crest_height: float | None = None
    formula: str = "kindsvater-carter"

    method: ClassVar[str] = "rectangular weir"
    scale_causes: ClassVar[Mapping[str, float]] = {
        "discharge coefficient": 1.0,
        "crest length": 1.0,
    }

    def __post_init__(self) -> None:
        check_positive(self, "crest_length", "channel_width", "crest_height")
        if self.formula not in ("kindsvater-carter", "rehbock"):
            raise OutOfRange(
                f"formula {self.formula!r} is not known; write kindsvater-carter or rehbock"
            )
        if self.channel_width is not None and self.crest_length > self.channel_width * 1.001:
            raise OutOfRange(
                f"a crest of {self.crest_length:g} m does not fit a channel of "
                f"{self.channel_width:g} m; check crest_length and channel_width"
            )
        if self.formula == "rehbock" and (self.share < 0.999 or self.crest_height is None):
            raise OutOfRange(
                "Rehbock holds for full-width weirs of known crest height; "
                "state channel_width equal to crest_length, and crest_height"
            )

    @property
    def share(self) -> float:
        """Crest length over channel width; 0 where the width is not stated [-]."""
        return 0.0 if self.channel_width is None else min(1, self.crest_length / self.channel_width)

    @property
    def coefficients(self) -> tuple[float, float, float]:
        """Alpha [-], beta [-] and width correction [m], straight-line interpolation."""
        rows = rows_of("rectangular_weir")
        shares = [row["share"] for row in rows]
        alpha, beta, width = (
            float(np.interp(self.share, shares, [row[name] for row in rows]))
            for name in ("alpha", "beta", "width_correction_m")
        )
        return alpha, beta, width

    def coefficient_uncertainty(self, head: Any) -> Any:
        """Published half width of the coefficient at 95 %, by head over crest height.

        References
        ----------
        ISO 1438, Kindsvater-Carter (from memory).
        """
        if self.crest_height is None:
            return np.full(np.shape(head), 0.015)[()]
        share = np.asarray(head, dtype=float) / self.crest_height
        return np.select([share < 1.0, share <= 1.5], [0.015, 0.02], 0.03)[()]

    @property
    def notes(self) -> DeviceNotes:
        highest = self.crest_length if self.crest_height is None else 2.5 * self.crest_height
        if self.formula == "rehbock":
            highest = min(0.75, self.crest_height)
        low, high = limits = (0.03, max(highest, 0.031))
        width = float(self.coefficient_uncertainty(math.sqrt(low * high)))
        accuracy: tuple[Accuracy, ...] = tuple(
            replace(each, relative=width) for each in accuracy_of("rectangular-weir")
        )
        alpha, beta, correction = self.coefficients
        equation = (
            f"Q = 2/3 sqrt(2g) ({alpha:.3f} {beta:+.4f} h/p) "
            f"(L {spoken.length(correction, 2, True)}) (h + {spoken.length(0.001, 2)})^1.5"
        )
        source = "Kindsvater and Carter 1959 as in Bos 1989 and ISO 1438 (from memory)"
        if self.formula == "rehbock":
            more = spoken.length(0.0012, 2)
            equation = f"Q = 2/3 sqrt(2g) (0.602 + 0.083 h/p) b (h + {more})^1.5"
            source = "Rehbock 1929 as in ISO 1438 (from memory)"
        families = ("rectangular-weir", "thin-plate")
        return make_notes(families, "crest of the weir", limits, (source,), equation, accuracy)

    def rating(self, level: Any) -> Any:
        """Free discharge at a head over the crest [m3/s]."""
        alpha, beta, width = self.coefficients
        correction = HEAD_CORRECTION
        if self.formula == "rehbock":
            alpha, beta, width, correction = 0.602, 0.083, 0.0, REHBOCK_CORRECTION
        factor = 2 / 3 * math.sqrt(2 * GRAVITY) * (self.crest_length + width)
        slope = 0.0 if self.crest_height is None else factor * beta / self.crest_height

        def kernel(head: np.ndarray, out: np.ndarray, root: np.ndarray) -> None:
            np.add(head, correction, out=out)
            np.maximum(out, 0.0, out=out)
            np.sqrt(out, out=root)
            out *= root
            np.multiply(head, slope, out=root)
            root += alpha * factor
            out *= root
            out[head <= 0] = 0.0

        return evaluate(kernel, level, spare=1)

    def contraction(self, head: np.ndarray) -> dict[str, np.ndarray]:
        """Head over crest height, smallest sizes and the distance of the walls."""
        found = {}
        rehbock = self.formula == "rehbock"
        small = self.crest_length < (0.30 if rehbock else 0.15)
        if self.crest_height is not None:
            most = 1.0 if rehbock else 2.5
            found["head to crest height too large"] = head > most * self.crest_height
            small = small or self.crest_height < 0.10
        found["crest below published size"] = (head > 0) & small
        if self.channel_width is not None and self.share < 0.999:
            side = (self.channel_width - self.crest_length) / 2
            found["side contraction too small"] = (head > 0) & (side < 0.10)
        return found
