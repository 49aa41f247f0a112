"""Wetted area, perimeter and width of partly full sections, exact by geometry."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sewer_audit.errors import OutOfRange
from sewer_audit.hydraulics.kernels import evaluate


class Section:
    """A cross-section; subclasses hold the geometry.

    Depths are counted from the lowest point; below zero they count as zero, above the crown as
    full. All methods take and return floats or arrays of one shape.
    """

    name = "section"
    closed = True

    @property
    def height(self) -> float:
        """Depth at which the section is full [m]."""
        raise NotImplementedError

    def area(self, depth: Any) -> Any:
        """Wetted area [m2]."""
        raise NotImplementedError

    def perimeter(self, depth: Any) -> Any:
        """Wetted perimeter [m]."""
        raise NotImplementedError

    def width(self, depth: Any) -> Any:
        """Width of the water surface [m]."""
        raise NotImplementedError

    def conveyance(self, depth: Any, factor: float = 1.0) -> Any:
        """Area times hydraulic radius to the power 2/3, times a factor [m8/3]."""

        def kernel(depths: np.ndarray, out: np.ndarray) -> None:
            area = self.area(depths)
            np.divide(area, np.maximum(self.perimeter(depths), 1e-12), out=out)
            np.log(out, out=out)
            out *= 2 / 3
            np.exp(out, out=out)
            out *= area
            out *= factor

        return evaluate(kernel, depth)

    def _held(self, depth: Any) -> np.ndarray:
        return np.minimum(np.maximum(np.asarray(depth, dtype=float), 0.0), self.height)


SHALLOW = 1e-3
"""Filling of a circle below which angle less sine is summed as a series [-]."""


@dataclass(frozen=True)
class CircularSection(Section):
    """A circular pipe.

    Parameters
    ----------
    diameter : float
        Inside diameter [m].
    """

    diameter: float
    name = "circular"

    def __post_init__(self) -> None:
        _positive(self.diameter, "diameter")

    @property
    def height(self) -> float:
        """Diameter [m]."""
        return self.diameter

    def area(self, depth: Any) -> Any:
        factor = self.diameter**2 / 4

        def kernel(depths: np.ndarray, out: np.ndarray, *blocks: np.ndarray) -> None:
            self._segment(depths, out, *blocks)
            out *= factor

        return evaluate(kernel, depth, spare=3)

    def perimeter(self, depth: Any) -> Any:
        return (2 * self.diameter * np.arcsin(np.sqrt(self._filling(depth))))[()]

    def width(self, depth: Any) -> Any:
        filling = self._filling(depth)
        return (2 * self.diameter * np.sqrt(filling * (1 - filling)))[()]

    def conveyance(self, depth: Any, factor: float = 1.0) -> Any:
        """Area times hydraulic radius to the power 2/3, times a factor [m8/3].

        With A = D^2 d/4, d = t - sin t cos t, and a wetted perimeter D t it is, but for powers of
        the diameter, the cube root of d^5/t^2.
        """
        whole = factor * self.diameter ** (8 / 3) / 4 ** (5 / 3)

        def kernel(depths: np.ndarray, out: np.ndarray, *blocks: np.ndarray) -> None:
            half, fourth, _ = blocks
            self._segment(depths, out, *blocks)
            np.multiply(out, out, out=fourth)
            fourth *= fourth
            out *= fourth
            half *= half
            out /= half
            np.cbrt(out, out=out)
            out *= whole

        return evaluate(kernel, depth, spare=3)

    def _filling(self, depth: Any) -> np.ndarray:
        return self._held(depth) / self.diameter

    def _segment(
        self, depths: np.ndarray, out: np.ndarray, half: np.ndarray, *spare: np.ndarray
    ) -> None:
        """Write half the central angle t (1e-150 or more), and t - sin t cos t.

        Angle and sine come from the same rounded cosine, so that their difference errs no more
        than a filling wrong in its last digit; where that is much, a series is summed instead.
        """
        cosine, block = spare
        np.multiply(depths, -2 / self.diameter, out=cosine)
        cosine += 1.0
        least, most = cosine.min(), cosine.max()
        if not (least >= -1 and most <= 1):  # the extremes are read quicker; NaN comes here too
            np.maximum(cosine, -1.0, out=cosine)
            np.minimum(cosine, 1.0, out=cosine)
        np.arccos(cosine, out=half)
        np.subtract(1.0, cosine, out=out)
        np.add(cosine, 1.0, out=block)
        out *= block
        np.sqrt(out, out=out)
        out *= cosine
        np.subtract(half, out, out=out)
        if not most <= 1 - 2 * SHALLOW:
            here = np.flatnonzero(cosine > 1 - 2 * SHALLOW)
            filling = np.maximum(depths[here], 0.0) / self.diameter
            angle = 2 * np.arcsin(np.sqrt(filling))
            out[here], half[here] = _series(angle), np.maximum(angle, 1e-150)


def _series(angle: np.ndarray) -> np.ndarray:
    """Angle t less sin t cos t, for t below 0.1, where the difference cancels."""
    square = angle * angle
    series = np.ones_like(square)
    for odd in (11, 9, 7, 5):
        series = 1 - 4 * square / (odd * (odd - 1)) * series
    return 2 / 3 * angle * square * series


@dataclass(frozen=True)
class RectangularSection(Section):
    """A rectangular channel or covered conduit.

    Units: breadth [m]; wall [m].
    """

    breadth: float
    wall: float
    covered: bool = False
    name = "rectangular"

    def __post_init__(self) -> None:
        _positive(self.breadth, "width")
        _positive(self.wall, "height")

    @property
    def closed(self) -> bool:
        """Whether a roof closes it [-]."""
        return self.covered

    @property
    def height(self) -> float:
        """Height of the walls [m]."""
        return self.wall

    def area(self, depth: Any) -> Any:
        return (self.breadth * self._held(depth))[()]

    def perimeter(self, depth: Any) -> Any:
        """Wetted perimeter, the roof included where it is touched [m]."""
        held = self._held(depth)
        roof = self.breadth * (held >= self.wall) if self.covered else 0.0
        return (np.where(held > 0, self.breadth, 0.0) + 2 * held + roof)[()]

    def width(self, depth: Any) -> Any:
        return np.where(self._held(depth) > 0, self.breadth, 0.0)[()]


@dataclass(frozen=True)
class EggSection(Section):
    """An egg-shaped sewer of the standard form, two thirds as wide as high.

    Units: rise [m].

    Notes
    -----
    With the width W = 2/3 of the height: crown radius W/2, invert radius W/4, sides of radius
    3/2 W about centres at the level W. The three arcs meet in common tangents.
    """

    rise: float
    name = "egg-shaped"

    def __post_init__(self) -> None:
        _positive(self.rise, "height")

    @property
    def height(self) -> float:
        """Inside height [m]."""
        return self.rise

    def _parts(self, depth: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        level = self._held(depth) / (self.rise / 1.5)
        return np.clip(level, 0, 0.1), np.clip(level, 0.1, 1.0), np.clip(level, 1.0, 1.5)

    def area(self, depth: Any) -> Any:
        invert, side, crown = self._parts(depth)
        total = _arc_area(invert - 0.25, 0.25) - _arc_area(-0.25, 0.25)
        total = total + _arc_area(side - 1, 1.5) - _arc_area(-0.9, 1.5) - 2 * (side - 0.1)
        total = total + _arc_area(crown - 1, 0.5) - _arc_area(0.0, 0.5)
        return (total * (self.rise / 1.5) ** 2)[()]

    def perimeter(self, depth: Any) -> Any:
        invert, side, crown = self._parts(depth)
        total = 0.5 * (np.arcsin(np.clip((invert - 0.25) / 0.25, -1, 1)) + math.pi / 2)
        total = total + 3 * (np.arcsin((side - 1) / 1.5) - math.asin(-0.6))
        total = total + np.arcsin(np.clip((crown - 1) / 0.5, -1, 1))
        return (total * self.rise / 1.5)[()]

    def width(self, depth: Any) -> Any:
        unit = self.rise / 1.5
        level = self._held(depth) / unit
        invert = 2 * np.sqrt(np.maximum(0.0625 - (level - 0.25) ** 2, 0))
        side = 2 * (np.sqrt(2.25 - (level - 1) ** 2) - 1)
        crown = 2 * np.sqrt(np.maximum(0.25 - (level - 1) ** 2, 0))
        return (np.where(level < 0.1, invert, np.where(level < 1, side, crown)) * unit)[()]


def _arc_area(level: Any, radius: float) -> Any:
    """Twice the integral of sqrt(radius^2 - y^2) from 0 to the level."""
    level = np.clip(level, -radius, radius)
    return level * np.sqrt(radius**2 - level**2) + radius**2 * np.arcsin(level / radius)


@dataclass(frozen=True)
class TabulatedSection(Section):
    """A section surveyed as widths at depths, straight between them.

    Units: depths [m]; widths [m].

    depths: Increasing, from 0 at the lowest point to the crown.
    """

    depths: tuple[float, ...]
    widths: tuple[float, ...]
    name = "surveyed"

    def __post_init__(self) -> None:
        depths, widths = np.asarray(self.depths), np.asarray(self.widths)
        if len(depths) < 2 or len(depths) != len(widths):
            raise OutOfRange("a surveyed section needs two points or more, each depth: width")
        if depths[0] != 0 or np.any(np.diff(depths) <= 0):
            raise OutOfRange("depths of a surveyed section start at 0 and increase; sort them")
        if np.any(widths < 0) or not np.any(widths > 0):
            raise OutOfRange("widths of a surveyed section are not negative; check the points")

    @property
    def closed(self) -> bool:
        """Whether the section closes at its top [-]."""
        return self.widths[-1] == 0

    @property
    def height(self) -> float:
        """Greatest depth [m]."""
        return self.depths[-1]

    def width(self, depth: Any) -> Any:
        return np.interp(self._held(depth), self.depths, self.widths)[()]

    def area(self, depth: Any) -> Any:
        held, place, knots, widths = self._place(depth)
        steps = np.diff(knots) * (widths[1:] + widths[:-1]) / 2
        below = np.concatenate([[0.0], np.cumsum(steps)])
        here = np.interp(held, knots, widths)
        return (below[place] + (held - knots[place]) * (widths[place] + here) / 2)[()]

    def perimeter(self, depth: Any) -> Any:
        held, place, knots, widths = self._place(depth)
        slant = 2 * np.hypot(np.diff(knots), np.diff(widths) / 2)
        below = widths[0] + np.concatenate([[0.0], np.cumsum(slant)])
        part = (held - knots[place]) / np.diff(knots)[place]
        return np.where(held > 0, below[place] + part * slant[place], 0.0)[()] + 0.0 * held

    def _place(self, depth: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        held = self._held(depth)
        knots, widths = np.asarray(self.depths, float), np.asarray(self.widths, float)
        place = np.clip(np.searchsorted(knots, held, side="right") - 1, 0, len(knots) - 2)
        return held, place, knots, widths


def _positive(size: float, name: str) -> None:
    if not size > 0:
        raise OutOfRange(f"{name} of the section is {size:g}; it must be greater than zero")
