"""Parshall flumes from 1 inch to 50 feet and the metric sizes, free and submerged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, ClassVar

import numpy as np

from sewer_audit import spoken
from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.devices import Device, DeviceNotes
from sewer_audit.hydraulics.elements.drowned import submergence
from sewer_audit.hydraulics.kernels import power_law
from sewer_audit.hydraulics.notes import make_notes
from sewer_audit.hydraulics.tables import rows_of
from sewer_audit.spoken import FOOT

CUBIC_FOOT = FOOT**3
HIGHEST_CORRECTION = 0.90
"""Submergence above which no correction is a measurement [-] (encyclopedia article, read)."""
_HELD = 0.94
"""Submergence beyond which the correction is held; near 0.95 the direct form turns upward [-]."""
_SAME_SIZE = 0.0015
"""Relative difference up to which a throat counts as a standard size [-]."""


@dataclass(frozen=True)
class ParshallSize:
    """One standard size.

    Units: coefficient [m3/s].

    coefficient: Discharge at a head of 1 m. direct: C1 (foot and second), n1, n2 and transition
    of the 1967 report.
    """

    label: str
    throat: float
    coefficient: float
    exponent: float
    head_limits: tuple[float, float]
    transition: float
    direct: tuple[float, float, float, float] | None
    metric: bool
    source: str


@cache
def parshall_sizes() -> tuple[ParshallSize, ...]:
    """Every standard size, foot series first.

    Returns
    -------
    tuple of ParshallSize
        22 foot sizes and 13 metric ones [-].
    """
    feet = tuple(_foot_size(row) for row in rows_of("parshall"))
    six_inch = next(size for size in feet if size.label == "6 in")
    metric = tuple(
        ParshallSize(
            row["label"],
            row["throat_m"],
            row["coefficient"],
            row["exponent"],
            (row["head_low_m"], row["head_high_m"]),
            row["transition"],
            six_inch.direct if row["label"] == "0.152 m" else None,
            True,
            row["source"],
        )
        for row in rows_of("parshall_metric")
    )
    return feet + metric


def _foot_size(row: Mapping[str, Any]) -> ParshallSize:
    return ParshallSize(
        row["label"],
        row["throat_ft"] * FOOT,
        row["coefficient"] * CUBIC_FOOT / FOOT ** row["exponent"],
        row["exponent"],
        (row["head_low_ft"] * FOOT, row["head_high_ft"] * FOOT),
        row["transition"],
        tuple(row[f"direct_{name}"] for name in ("c1", "n1", "n2", "transition")),
        False,
        row["source"],
    )


@cache
def parshall_size(throat: float) -> ParshallSize:
    """The standard size of a throat width.

    ParshallSize: The size within 0.15 %; foot and metric sizes are different flumes.
    """
    sizes = parshall_sizes()
    nearest = min(sizes, key=lambda size: abs(size.throat - throat))
    if not abs(throat / nearest.throat - 1) <= _SAME_SIZE:
        raise OutOfRange(
            f"a throat of {throat:g} m is no standard Parshall size; sizes are "
            f"{', '.join(size.label for size in sizes)}; enter another flume as a rating table "
            "with its source"
        )
    return nearest


def submerged_ratio_direct(size: ParshallSize, head: Any, submergence: Any) -> Any:
    """Submerged over free discharge by the direct equation of 1967.

    submergence: Hb over Ha; held at 0.94 beyond it. float or array: Ratio, 1 up to the
    transition and never above 1.

    Notes
    -----
    Q = C1 (Ha - Hb)^n1 / (-(log10 S + 0.0044))^n2, in feet and cubic feet per second.

    References
    ----------
    Utah Water Research Laboratory, report WG31-3, Part 2, 1967 (coefficients from memory).
    """
    if size.direct is None:
        raise OutOfRange(f"no direct submergence coefficients exist for the {size.label} flume")
    c1, n1, n2, transition = size.direct
    head, submergence = np.asarray(head, dtype=float), np.asarray(submergence, dtype=float)
    held = np.clip(submergence, transition, _HELD)
    feet = np.maximum(head, 1e-9) / FOOT
    with np.errstate(over="ignore"):
        submerged = c1 * (feet * (1 - held)) ** n1 / (-(np.log10(held) + 0.0044)) ** n2
    free = size.coefficient / CUBIC_FOOT * (feet * FOOT) ** size.exponent
    ratio = np.minimum(submerged / free, 1.0)
    return np.where(submergence <= transition, 1.0, ratio)[()] + 0.0 * submergence


def submerged_ratio_subtractive(size: ParshallSize, head: Any, submergence: Any) -> Any:
    """Submerged over free discharge by Parshall's correction, throats of 1 to 8 ft.

    size: A size from 0.30 m to 8 ft. submergence: Hb over Ha; held at 0.94 beyond it. float or
    array: Ratio, 1 up to the transition, between 0 and 1.

    Notes
    -----
    QE = W^0.815 {[Ha/((1.8/S)^1.8 - 2.45)]^(4.57 - 3.14 S) + 0.093 S}, in feet and cubic feet per
    second, is taken off the free discharge. At the transition the fit starts with a step of up to
    four percent; it is the published joint and is not smoothed.

    References
    ----------
    Parshall 1936 and 1953; same form in ISO 9826:1992 (from memory).
    """
    if not 0.2999 <= size.throat <= 8.001 * FOOT:
        raise OutOfRange(
            f"the subtractive correction is published for 1 to 8 ft, not for {size.label}; "
            "use submergence=direct"
        )
    head, submergence = np.asarray(head, dtype=float), np.asarray(submergence, dtype=float)
    held = np.clip(submergence, size.transition, _HELD)
    feet = np.maximum(head, 1e-9) / FOOT
    inner = feet / ((1.8 / held) ** 1.8 - 2.45)
    loss = (size.throat / FOOT) ** 0.815 * (inner ** (4.57 - 3.14 * held) + 0.093 * held)
    free = size.coefficient / CUBIC_FOOT * (feet * FOOT) ** size.exponent
    ratio = np.clip(1 - loss / free, 0.0, 1.0)
    return np.where(submergence <= size.transition, 1.0, ratio)[()] + 0.0 * submergence


@dataclass(frozen=True)
class ParshallFlume(Device):
    """A Parshall flume of a standard size.

    References
    ----------
    USBR Water Measurement Manual, 3rd ed. 2001, ch. 8; Bos 1989 (ILRI 20), Table 7.4;
    ISO 9826:1992 (from memory).
    """

    throat: float
    submergence: str = ""

    method: ClassVar[str] = "parshall flume"
    scale_causes: ClassVar[Mapping[str, float]] = {
        "discharge coefficient": 1.0,
        "throat width": 1.0,
    }
    optional_columns: ClassVar[tuple[str, ...]] = ("downstream_head",)

    def __post_init__(self) -> None:
        parshall_size(self.throat)
        if self.submergence not in ("", "direct", "subtractive"):
            raise OutOfRange(
                f"submergence method {self.submergence!r} is not known; write direct or subtractive"
            )
        if self.submergence == "direct" and self.size.direct is None:
            raise OutOfRange(
                f"no direct submergence coefficients exist for the {self.size.label} flume; "
                "leave submergence out"
            )
        if self.submergence == "subtractive":
            submerged_ratio_subtractive(self.size, 1.0, 0.0)

    @property
    def size(self) -> ParshallSize:
        """Standard size [-]."""
        return parshall_size(self.throat)

    @property
    def correction(self) -> str:
        """Correction in use: "direct", "subtractive", or "none" where none is published [text]."""
        if self.submergence:
            return self.submergence
        if self.size.direct is not None:
            return "direct"
        return "subtractive" if self.size.throat >= 0.2999 else "none"

    @property
    def transition(self) -> float:
        """Submergence at which the correction in use begins [-]."""
        return self.size.direct[3] if self.correction == "direct" else self.size.transition

    @property
    def notes(self) -> DeviceNotes:
        size = self.size
        return make_notes(
            ("parshall",),
            "crest: the level floor of the converging section",
            size.head_limits,
            (size.source,),
            f"Q = {spoken.power_law(size.coefficient, size.exponent)} Ha^{size.exponent:g} "
            f"({spoken.equation_units()})",
        )

    def rating(self, level: Any) -> Any:
        """Free discharge at an upstream head [m3/s]."""
        return power_law(level, self.size.coefficient, self.size.exponent)

    def carrier(self, **readings: Any) -> Any:
        """Submerged over free discharge, 1 without a downstream head [-]."""
        downstream = readings.get("downstream_head")
        if downstream is None or self.correction == "none":
            return 1.0
        ratio = submergence(readings["head"], downstream)
        formula = (
            submerged_ratio_direct if self.correction == "direct" else submerged_ratio_subtractive
        )
        return formula(self.size, readings["head"], ratio)

    def other_correction(self, head: Any, downstream_head: Any) -> Any:
        """Discharge by the other published correction, None where there is no other [m3/s]."""
        other = {"direct": "subtractive", "subtractive": "direct"}.get(self.correction)
        try:
            flume = self.replace(submergence=other or "direct")
        except OutOfRange:
            return None
        return (
            None if other is None else flume.discharge(head=head, downstream_head=downstream_head)
        )

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Range flags, and how far the flume is submerged [-]."""
        found = super().flags(**readings)
        downstream = readings.get("downstream_head")
        if downstream is None:
            return found
        ratio = submergence(readings["head"], downstream)
        limits = [self.size.transition, self.transition]
        highest = HIGHEST_CORRECTION if self.correction != "none" else self.transition
        found["submerged"] = ratio > self.transition
        found["near transition"] = (ratio > min(limits)) & (ratio <= max(limits))
        found["submerged beyond correction"] = ratio > highest + 1e-9
        return found

    def head_for(self, discharge: Any) -> Any:
        """Upstream head that gives a free discharge [m]."""
        wanted = np.asarray(discharge, dtype=float)
        if np.any(wanted < 0):
            raise OutOfRange("a negative discharge has no level; check the sign of flow")
        return power_law(wanted / self.size.coefficient, 1.0, 1 / self.size.exponent)
