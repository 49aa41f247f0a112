"""Flumes whose coefficients the user brings, with the document they come from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from sewer_audit import spoken
from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.devices import Device, DeviceNotes, check_positive
from sewer_audit.hydraulics.elements.drowned import submergence
from sewer_audit.hydraulics.kernels import power_law
from sewer_audit.hydraulics.notes import make_notes, stated_accuracy


def _check_source(device: Any) -> None:
    check_positive(device, "coefficient", "exponent", "accuracy")
    if not device.source.strip():
        raise OutOfRange(
            f"a {device.method} needs the source of its coefficients; "
            "state document, edition and table"
        )


@dataclass(frozen=True)
class TrapezoidalFlume(Device):
    """A flume with a power law stated by the user, such as a small trapezoidal one.

    Units: coefficient [m3/s]; head_low, head_high [m].

    coefficient: Discharge at a head of 1 m.
    """

    coefficient: float
    exponent: float
    source: str
    head_low: float | None = None
    head_high: float | None = None
    accuracy: float | None = None

    method: ClassVar[str] = "trapezoidal flume"

    def __post_init__(self) -> None:
        _check_source(self)
        check_positive(self, "head_low", "head_high")

    @property
    def notes(self) -> DeviceNotes:
        stated = self.head_low is not None and self.head_high is not None
        return make_notes(
            ("user-flume", "trapezoidal"),
            "as stated by the source of the coefficients",
            (self.head_low, self.head_high) if stated else None,
            (self.source,),
            f"Q = {spoken.power_law(self.coefficient, self.exponent, 5):g} h^{self.exponent:g} "
            f"({spoken.equation_units()})",
            stated_accuracy("user-flume", self.accuracy, self.source),
        )

    def rating(self, level: Any) -> Any:
        """Discharge at a head [m3/s]."""
        return power_law(level, self.coefficient, self.exponent)

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Range, if it was stated [-]."""
        found = super().flags(**readings)
        if self.notes.head_limits is None:
            found["limits not stated"] = np.asarray(readings["head"], dtype=float) > 0
        return found


@dataclass(frozen=True)
class CutthroatFlume(Device):
    """A cutthroat flume with coefficients stated by the user.

    Units: length [m]; coefficient [m(1.975 - n) m3/s].

    Notes
    -----
    Q = K W^1.025 Ha^n; submerged Q = Ks W^1.025 (Ha - Hb)^n / (-log10 S)^ns.

    References
    ----------
    Form and limits read in a procedure filed with the State of Colorado (DRMS 1018152, p. 95).
    """

    throat: float
    length: float
    coefficient: float
    exponent: float
    source: str
    submerged_coefficient: float | None = None
    submerged_exponent: float | None = None
    transition: float | None = None
    accuracy: float | None = None

    method: ClassVar[str] = "cutthroat flume"
    scale_causes: ClassVar[Mapping[str, float]] = {
        "discharge coefficient": 1.0,
        "throat width": 1.025,
    }
    optional_columns: ClassVar[tuple[str, ...]] = ("downstream_head",)

    def __post_init__(self) -> None:
        _check_source(self)
        submerged = (self.submerged_coefficient, self.submerged_exponent, self.transition)
        check_positive(self, "throat", "length", "submerged_coefficient", "submerged_exponent")
        if any(each is None for each in submerged) and any(each is not None for each in submerged):
            raise OutOfRange(
                "submerged_coefficient, submerged_exponent and transition belong together; "
                "state all three or none"
            )
        if self.transition is not None and not 0 < self.transition < 0.9:
            raise OutOfRange("transition is a submergence between 0 and 90 %; check it")

    @property
    def notes(self) -> DeviceNotes:
        return make_notes(
            ("user-flume", "cutthroat"),
            "level floor of the flume",
            (0.0, 0.33 * self.length),
            (self.source,),
            f"Q = {spoken.power_law(self.coefficient, self.exponent, 5, 1.025):g} "
            f"{spoken.plain_length(self.throat):g}^1.025 Ha^{self.exponent:g} "
            f"({spoken.equation_units()})",
            stated_accuracy("user-flume", self.accuracy, self.source),
        )

    def rating(self, level: Any) -> Any:
        """Free discharge at an upstream head [m3/s]."""
        return power_law(level, self.coefficient * self.throat**1.025, self.exponent)

    def carrier(self, **readings: Any) -> Any:
        """Submerged over free discharge, 1 without coefficients or downstream head [-]."""
        if self.transition is None or readings.get("downstream_head") is None:
            return 1.0
        share = submergence(readings["head"], readings["downstream_head"])
        held = np.clip(share, self.transition, 0.95)
        ratio = (
            self.submerged_coefficient
            / self.coefficient
            * (1 - held) ** self.exponent
            / (-np.log10(held)) ** self.submerged_exponent
        )
        ratio = np.where(share <= self.transition, 1.0, np.minimum(ratio, 1.0))
        return (ratio + 0.0 * share)[()]

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Range and submergence [-]."""
        found = super().flags(**readings)
        if readings.get("downstream_head") is not None:
            share = submergence(readings["head"], readings["downstream_head"])
            begins = 0.9 if self.transition is None else self.transition
            found["submerged"] = share > begins
            found["submerged beyond correction"] = share > 0.9
        return found
