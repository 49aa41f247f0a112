"""Critical flow in a throat of any shape, the approach velocity solved and not assumed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sewer_audit.units import GRAVITY


class Throat:
    """Cross-section of a throat, open at the top.

    All methods take depths over the throat floor, not negative, and return arrays of that shape.
    """

    def area(self, depth: np.ndarray) -> np.ndarray:
        """Wetted area [m2]."""
        raise NotImplementedError

    def width(self, depth: np.ndarray) -> np.ndarray:
        """Width of the water surface [m]."""
        raise NotImplementedError

    def spread(self, depth: np.ndarray) -> np.ndarray:
        """Change of the width with depth [-]."""
        raise NotImplementedError


@dataclass(frozen=True)
class UThroat(Throat):
    """A half circle with vertical walls above it.

    Units: diameter [m].
    """

    diameter: float

    def area(self, depth: np.ndarray) -> np.ndarray:
        radius = self.diameter / 2
        low = np.minimum(depth, radius)
        quarter = np.arcsin(np.sqrt(low / self.diameter))
        root = np.sqrt(low * (self.diameter - low)) / self.diameter
        segment = self.diameter**2 / 2 * (quarter - root * (1 - 2 * low / self.diameter))
        return segment + self.diameter * np.maximum(depth - radius, 0.0)

    def width(self, depth: np.ndarray) -> np.ndarray:
        low = np.minimum(depth, self.diameter / 2)
        return 2 * np.sqrt(low * (self.diameter - low))

    def spread(self, depth: np.ndarray) -> np.ndarray:
        low = np.minimum(depth, self.diameter / 2)
        return 2 * (self.diameter - 2 * low) / np.maximum(self.width(low), 1e-300)


@dataclass(frozen=True)
class TrapezoidThroat(Throat):
    """A flat floor between straight walls; vertical walls make it a rectangle.

    Units: floor [m].

    floor: Width of the floor, 0 for a triangle.
    """

    floor: float
    slope: float = 0.0

    def area(self, depth: np.ndarray) -> np.ndarray:
        return (self.floor + self.slope * depth) * depth

    def width(self, depth: np.ndarray) -> np.ndarray:
        return self.floor + 2 * self.slope * depth

    def spread(self, depth: np.ndarray) -> np.ndarray:
        return np.full(np.shape(depth), 2 * self.slope)


def critical_flow(
    throat: Throat, level: Any, approach_area: Any, coefficient: Any = 1.0
) -> np.ndarray:
    """Discharge [m3/s] that makes a throat critical at a level in an approach [m2].

    Notes
    -----
    h + Q^2/(2 g Aa^2) = yc + A/(2 T) with Q = C sqrt(g A^3/T), solved for the critical depth yc by
    Newton steps kept inside a shrinking bracket.

    References
    ----------
    Specific energy and critical flow: Chow 1959, ch. 3 and 4; ISO 4359 for its use in flumes (from
    memory).
    """
    level, approach = np.broadcast_arrays(
        np.asarray(level, float), np.asarray(approach_area, float)
    )
    coefficient = np.broadcast_to(np.asarray(coefficient, float), level.shape)
    wet = level > 1e-9  # a nanometre is dry
    head = np.where(wet, level, 1.0)
    inverse = np.where(wet, coefficient / np.where(approach > 0, approach, 1.0), 0.0) ** 2
    low, high = np.zeros_like(head), head.copy()
    depth = 0.7 * head
    for _ in range(60):
        area, width = throat.area(depth), throat.width(depth)
        spread = throat.spread(depth)
        mean = area / width
        kinetic = inverse * area**2 * mean / 2
        miss = depth + mean / 2 - kinetic - head
        low = np.where(miss < 0, depth, low)
        high = np.where(miss < 0, high, depth)
        bend = 1 - mean * spread / width
        slope = 1 + bend / 2 - inverse * area**2 * (2 + bend) / 2
        with np.errstate(divide="ignore", invalid="ignore"):
            step = depth - miss / slope
        inside = (step >= low) & (step <= high)
        following = np.where(inside, step, 0.5 * (low + high))
        moved = np.abs(following - depth) > 1e-13 * head
        depth = following
        if not np.any(moved & wet):
            break
    area, width = throat.area(depth), throat.width(depth)
    discharge = coefficient * np.sqrt(GRAVITY * area**3 / width)
    return np.where(wet, discharge, 0.0) + 0.0 * level


def boundary_coefficient(length: float, width: float, level: Any) -> Any:
    """Discharge coefficient of a long throat [m]; 0 where the level is in its boundary layer.

    Notes
    -----
    CD = (1 - 0.006 L/b) (1 - 0.003 L/h)^1.5.

    References
    ----------
    ISO 4359:1983 and 2013 (from memory).
    """
    level = np.asarray(level, dtype=float)
    thin = np.maximum(1 - 0.003 * length / np.where(level > 0, level, math.inf), 0.0)
    return ((1 - 0.006 * length / width) * thin * np.sqrt(thin) + 0.0 * level)[()]
