"""Manning from depth and slope in a partly full conduit: trend grade, never a measurement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar

import numpy as np

from sewer_audit import spoken
from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.conduits.sections import CircularSection, Section
from sewer_audit.hydraulics.conduits.widths import OnSection
from sewer_audit.hydraulics.devices import Device, DeviceNotes, check_positive
from sewer_audit.hydraulics.kernels import level_at
from sewer_audit.hydraulics.notes import make_notes
from sewer_audit.hydraulics.tables import rows_of
from sewer_audit.units import from_si

UNIQUE_FILLING = 0.82
"""Filling of a circular pipe above which one discharge belongs to two depths [-] (computed)."""


@dataclass(frozen=True)
class Roughness:
    """Manning roughness of a material.

    Units: minimum, normal, maximum [s/m1/3].
    """

    material: str
    minimum: float
    normal: float
    maximum: float
    source: str
    grade: str = ""


def roughness_of(material: str) -> Roughness:
    """Manning roughness of a material and condition.

    Units: returns [s/m1/3].

    References
    ----------
    Chow 1959, Table 5-6 (read in the source of the PyPI library fluids 1.3.1).
    """
    for row in rows_of("roughness"):
        if row["material"].lower() == material.strip().lower():
            return Roughness(**row)
    known = "; ".join(row["material"] for row in rows_of("roughness"))
    raise OutOfRange(f"roughness {material!r} is neither a number nor one of: {known}")


def roughness_ratio(filling: Any) -> Any:
    """Roughness of a partly full circular pipe over that of the full pipe.

    float or array: Ratio, straight between the points of the table, 1.22 below the first.

    References
    ----------
    ASCE sewer design manual, hydraulic-elements chart (from memory).
    """
    rows = rows_of("roughness_variation")
    points = [row["filling"] for row in rows]
    return np.interp(np.asarray(filling, dtype=float), points, [r["ratio"] for r in rows])[()]


@dataclass(frozen=True)
class ManningConduit(OnSection, Device):
    """A conduit whose discharge is computed from depth, slope and roughness.

    Parameters
    ----------
    section : Section
        Cross-section [m].
    slope : float
        Slope of the invert, taken as that of the energy line [-].
    roughness : float
        Manning's n, of the full section where it varies [s/m1/3].
    variation : str
        "constant", or "with depth" for a circular pipe [text].
    roughness_source : str
        Where the roughness comes from [text].

    References
    ----------
    Chow 1959, Open-Channel Hydraulics, ch. 5 and 6 (from memory).
    """

    section: Section
    slope: float
    roughness: float
    variation: str = "constant"
    roughness_source: str = "stated by the user"

    method: ClassVar[str] = "manning"
    columns: ClassVar[tuple[str, ...]] = ("depth",)
    level_column: ClassVar[str | None] = "depth"
    scale_causes: ClassVar[Mapping[str, float]] = {"roughness": -1.0, "slope": 0.5}

    def __post_init__(self) -> None:
        check_positive(self, "slope", "roughness")
        if self.variation not in ("constant", "with depth"):
            raise OutOfRange(
                f"variation {self.variation!r} is not known; write constant or with depth"
            )
        if self.variation == "with depth" and not isinstance(self.section, CircularSection):
            raise OutOfRange("the variation of roughness with depth is known for circular pipes")

    @property
    def notes(self) -> DeviceNotes:
        sources = (
            "Manning equation: Chow 1959 (from memory); section by exact geometry",
            f"roughness {self.roughness:g}: {self.roughness_source}",
        )
        if self.variation == "with depth":
            sources += ("variation: ASCE sewer design manual (from memory)",)
        share = UNIQUE_FILLING if self.section.closed else 1.0
        one = spoken.power_law(1.0, 2 / 3, lengths=2)  # 1 in SI, 1.486 in feet
        factor = "" if one == 1 else f"{one:g} "
        return make_notes(
            ("manning",),
            "invert: the lowest point of the section",
            (0.0, share * self.section.height),
            sources,
            f"Q = {factor}A R^(2/3) {self.slope:g}^0.5 / {self.roughness:g} "
            f"({spoken.equation_units()})",
            trend_grade=True,
        )

    def rating(self, level: Any) -> Any:
        """Discharge of uniform flow at a depth; the full section above the crown [m3/s]."""
        smooth = self.section.conveyance(level, self.slope**0.5 / self.roughness)
        if self.variation == "constant":
            return smooth
        held = np.clip(np.asarray(level, dtype=float) / self.section.height, 0.0, 1.0)
        return smooth / roughness_ratio(held)

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Full or nearly full, or below the invert [-]."""
        depth = np.asarray(readings["depth"], dtype=float)
        height = self.section.height
        found = {"negative level": depth < 0}
        if not self.section.closed:
            found["above head limit"] = depth > height
            return found
        found["near full"] = (depth > UNIQUE_FILLING * height) & (depth < height)
        found["surcharged, slope unknown"] = depth >= height
        return found

    @cached_property
    def _peak(self) -> tuple[float, float, float]:
        """Depth and discharge at the largest discharge, and the discharge when full."""
        depths = np.linspace(0.0, self.section.height, 4001)
        flows = self.rating(depths)
        top = int(np.argmax(flows))
        return float(depths[top]), float(flows[top]), float(flows[-1])

    def head_for(self, discharge: Any) -> Any:
        """Depth of uniform flow that gives a discharge.

        Units: discharge [m3/s]; returns [m].

        Raises
        ------
        OutOfRange
            If a discharge is negative, or belongs to two depths or to none.
        """
        wanted = np.asarray(discharge, dtype=float)
        depth, most, full = self._peak
        if np.any(wanted < 0):
            raise OutOfRange("a negative discharge has no depth; check the sign of flow")
        if np.any(wanted > most):
            raise OutOfRange(
                f"uniform flow in this section carries at most {_both(most)}; check flow"
            )
        if np.any(wanted >= full * (1 + 1e-12)):
            raise OutOfRange(
                f"discharges from {_both(full)} (full) to {_both(most)} belong to two depths, "
                "above about 0.82 full in a circular pipe; measure the depth"
            )
        return level_at(self.rating, wanted, np.zeros_like(wanted), np.full_like(wanted, depth))


def _both(flow: float) -> str:
    """A discharge in SI and in a trade unit."""
    return f"{flow:.5g} m3/s = {from_si(flow, 'gpm', 'discharge'):.5g} US gpm"
