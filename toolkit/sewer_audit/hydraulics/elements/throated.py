"""Long-throated flumes with a rectangular or a U-shaped throat (ISO 4359)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, ClassVar

import numpy as np

from sewer_audit import spoken
from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.devices import Accuracy, Device, DeviceNotes, check_positive
from sewer_audit.hydraulics.elements.critical import UThroat, boundary_coefficient, critical_flow
from sewer_audit.hydraulics.kernels import evaluate
from sewer_audit.hydraulics.notes import accuracy_of, make_notes
from sewer_audit.units import GRAVITY


def smaller_root(share: np.ndarray) -> np.ndarray:
    """The smaller root of x = 1 + 4/27 a^2 x^3, which is 3/a sin(asin(a)/3).

    share: The a, between 0 and 1, where the approach itself turns critical; held at 1 beyond.
    array of the same shape: The root, from 1 to 3/2.
    """
    held = np.clip(share, 1e-9, 1.0)  # below it the root is 1 to the last digit
    return 3 * np.sin(np.arcsin(held) / 3) / held


SERIES_TO = 0.5
"""The a^2 of the approach up to which x^3 is a polynomial; the published range ends below [-]."""


@lru_cache(maxsize=64)
def approach_series(share: float) -> np.ndarray:
    """Polynomial, in r, of the x^3 that solves x = 1 + 4/27 share^2 r x^3, exact to 1e-13.

    array: Coefficients from the constant on, for r from 0 to 1, or to where share^2 r is 0.5.
    """
    from numpy.polynomial import Chebyshev, Polynomial

    def cube(ratio: np.ndarray) -> np.ndarray:
        return smaller_root(share * np.sqrt(ratio)) ** 3

    most = min(1.0, SERIES_TO / share**2)
    return Chebyshev.interpolate(cube, 20, [0.0, most]).trim(3e-14).convert(kind=Polynomial).coef


class _LongThroated(Device):
    """What rectangular and U-throats share."""

    throat_length: float
    approach_width: float
    hump: float

    @property
    def throat(self) -> float:
        """Throat width, or diameter of the U [m]."""
        raise NotImplementedError

    def _check(self) -> None:
        check_positive(self, "throat_length", "approach_width")
        if self.hump < 0:
            raise OutOfRange("hump is the height of the throat floor over the approach; 0 or more")
        if not self.throat <= 1.05 * self.approach_width:  # an uncertain width may overlap
            raise OutOfRange(
                f"a throat of {self.throat:g} m does not fit an approach of "
                f"{self.approach_width:g} m; check the widths"
            )
        if self.throat == self.approach_width and self.hump == 0:
            raise OutOfRange(
                "a throat as wide as its approach needs a hump; without contraction "
                "there is no critical flow"
            )
        if not self.throat_length < 100 * self.throat:
            raise OutOfRange("throat_length is more than 100 throat widths; check it")

    @property
    def head_limits(self) -> tuple[float, float]:
        """Published limits of the head [m]."""
        low = max(0.05, 0.05 * self.throat_length)
        return low, max(min(2.0, 0.5 * self.throat_length), low)

    def discharge_coefficient(self, head: Any) -> Any:
        """CD of the boundary layer [-]."""
        return boundary_coefficient(self.throat_length, self.throat, head)

    def approach_coefficient(self, head: Any) -> Any:
        """Cv of the approach velocity, solved [-]."""
        head = np.asarray(head, dtype=float)
        held = np.where(head > 0, head, 1.0)
        speed = self.rating(held) / (self.approach_width * (held + self.hump))
        return ((1 + speed**2 / (2 * GRAVITY * held)) ** 1.5 + 0.0 * head)[()]

    def coefficient_uncertainty(self, head: Any) -> Any:
        """Published half width of the coefficient at 95 %: 1 + 20 (Cv - CD) percent, as a ratio.

        References
        ----------
        ISO 4359:1983 (from memory).
        """
        gap = self.approach_coefficient(head) - self.discharge_coefficient(head)
        return 0.01 * (1 + 20 * gap)

    def _notes(self, equation: str) -> DeviceNotes:
        low, high = self.head_limits
        width = float(self.coefficient_uncertainty(math.sqrt(low * high)))
        accuracy: tuple[Accuracy, ...] = tuple(
            replace(
                each,
                relative=width,
                source=f"{each.source}, at the geometric middle of the head limits",
            )
            for each in accuracy_of("long-throated")
        )
        sources = ("ISO 4359:1983 and 2013 (from memory)",)
        datum = "floor of the throat"
        return make_notes(("long-throated",), datum, (low, high), sources, equation, accuracy)

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Range, throat proportions and approach [-]."""
        found = super().flags(**readings)
        head = np.asarray(readings["head"], dtype=float)
        held = np.where(head > 0, head, np.nan)
        depth = held + self.hump
        speed = self.rating(held) / (self.approach_width * depth)
        with np.errstate(invalid="ignore"):
            found["head to throat length too large"] = held > 0.5 * self.throat_length * (1 + 1e-9)
            fast = speed > 0.5 * np.sqrt(GRAVITY * depth)
            share = self.throat_area(held) / (self.approach_width * depth)
            found["approach too fast"] = fast | (share > 0.7)
        return found

    def throat_area(self, head: Any) -> Any:
        """Area of the throat up to the upstream level [m2]."""
        raise NotImplementedError


@dataclass(frozen=True)
class RectangularThroatedFlume(_LongThroated):
    """A long-throated flume with a rectangular throat.

    Units: throat_width [m].

    Notes
    -----
    Q = (2/3)^1.5 sqrt(g) CD Cv b h^1.5 with Cv^(2/3) - 1 = (2/(3 sqrt 3) CD Cv b h/(B (h + p)))^2.

    References
    ----------
    ISO 4359:1983 and 2013 (from memory).
    """

    throat_width: float
    throat_length: float
    approach_width: float
    hump: float = 0.0

    method: ClassVar[str] = "long-throated flume"
    shape_causes: ClassVar[Mapping[str, str]] = {"throat width": "throat_width"}

    def __post_init__(self) -> None:
        check_positive(self, "throat_width")
        self._check()

    @property
    def throat(self) -> float:
        """Throat width [m]."""
        return self.throat_width

    @property
    def head_limits(self) -> tuple[float, float]:
        low, high = super().head_limits
        return low, max(min(high, 3 * self.throat_width), low)

    @property
    def notes(self) -> DeviceNotes:
        return self._notes(
            f"Q = (2/3)^1.5 sqrt(g) CD Cv {spoken.plain_length(self.throat_width):g} h^1.5, "
            f"CD and Cv solved ({spoken.equation_units()})"
        )

    def throat_area(self, head: Any) -> Any:
        return self.throat_width * np.asarray(head, dtype=float)

    def rating(self, level: Any) -> Any:
        """Discharge at a head over the throat floor [m3/s]."""
        smooth = 1 - 0.006 * self.throat_length / self.throat_width
        layer = 0.003 * self.throat_length
        whole = (2 / 3) ** 1.5 * math.sqrt(GRAVITY) * self.throat_width * smooth
        # with thin = h - layer, CD^2 h^3 is smooth^2 thin^3, and the equation of Cv is
        # x = 1 + 4/27 a^2 x^3, Cv = x^1.5, a^2 = share^2 thin^3/(h (h + p)^2)
        share = self.throat_width * smooth / self.approach_width
        *rest, last = approach_series(share) * whole**2
        quickest = SERIES_TO / share**2

        def kernel(head: np.ndarray, out: np.ndarray, cube: np.ndarray, ratio: np.ndarray) -> None:
            np.maximum(head, layer, out=out)
            np.subtract(out, layer, out=cube)
            np.multiply(cube, cube, out=ratio)
            cube *= ratio
            np.add(out, self.hump, out=ratio)
            ratio *= ratio
            ratio *= out
            np.divide(cube, ratio, out=ratio)
            np.multiply(ratio, last, out=out)
            for coefficient in rest[:0:-1]:
                out += coefficient
                out *= ratio
            out += rest[0]
            if quickest < 1 and np.any(beyond := ratio > quickest):
                out[beyond] = whole**2 * smaller_root(share * np.sqrt(ratio[beyond])) ** 3
            out *= cube
            np.sqrt(out, out=out)

        return evaluate(kernel, level, spare=2)

    def flags(self, **readings: Any) -> dict[str, np.ndarray]:
        """Range, throat proportions and approach [-]."""
        found = super().flags(**readings)
        head = np.asarray(readings["head"], dtype=float)
        found["head to throat width too large"] = head > 3 * self.throat_width
        found["crest below published size"] = (head > 0) & (self.throat_width < 0.10)
        return found


@dataclass(frozen=True)
class UThroatedFlume(_LongThroated):
    """A long-throated flume with a U-shaped throat.

    Units: diameter [m].

    Notes
    -----
    Q = (2/3)^1.5 sqrt(g) CD Cv CU D h^1.5; shape factor CU and approach velocity come from solving
    critical flow in the U, so that no table of CU is read.

    References
    ----------
    ISO 4359:1983 and 2013 (from memory).
    """

    diameter: float
    throat_length: float
    approach_width: float
    hump: float = 0.0

    method: ClassVar[str] = "u-throated flume"
    shape_causes: ClassVar[Mapping[str, str]] = {"throat width": "diameter"}

    def __post_init__(self) -> None:
        check_positive(self, "diameter")
        self._check()

    @property
    def throat(self) -> float:
        """Diameter [m]."""
        return self.diameter

    @property
    def notes(self) -> DeviceNotes:
        return self._notes(
            f"Q = (2/3)^1.5 sqrt(g) CD Cv CU {spoken.plain_length(self.diameter):g} h^1.5, "
            f"all factors solved ({spoken.equation_units()})"
        )

    def throat_area(self, head: Any) -> Any:
        return UThroat(self.diameter).area(np.asarray(head, dtype=float))

    def rating(self, level: Any) -> Any:
        """Discharge at a head over the throat invert [m3/s]."""

        def kernel(head: np.ndarray, out: np.ndarray) -> None:
            approach = self.approach_width * (np.maximum(head, 0.0) + self.hump)
            coefficient = self.discharge_coefficient(head)
            out[:] = critical_flow(UThroat(self.diameter), head, approach, coefficient)

        return evaluate(kernel, level)
