"""Evaluate the record a few times, not a few thousand.

The volume of a stretch depends on the shared zero offset through the rating curve only:
``F(e) = sum_i w_i c_i rating(level_i + e)``. Readings are first deposited on a fine grid of levels
(each to its two neighbours, so that the first moment is kept), which makes a year or three years
the same small matrix; F is then tabulated on many offsets and interpolated for every draw. Other
causes multiply: exact factors for scale causes, a polynomial for causes that bend the rating.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sewer_audit.effluent.integrate import Stretch

GRID_STEP = 1e-4
"""Spacing of the level grid [m]; the deposit errs by rating'' step^2/8 at the most."""
MOST_LEVELS = 20_000
OFFSETS = 129
"""Offsets at which F is tabulated [-]."""

Rating = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class BentRating:
    """A cause that changes the rating curve otherwise than by a factor.

    Units: rating [m3/s]; standard [SI]; value [SI].
    """

    rating: Callable[[np.ndarray, float], np.ndarray]
    standard: float
    value: float = 0.0


@dataclass(frozen=True)
class LevelGrid:
    """Readings of every stretch condensed on a grid of levels.

    Units: levels [m]; weights [s]; late [s].
    """

    levels: np.ndarray
    weights: np.ndarray
    late: np.ndarray


@dataclass(frozen=True)
class OffsetTable:
    """Volume of every stretch as a function of its causes.

    Units: offsets [m]; volumes [m3]; spans [SI]; noise_bias [m3/m2].

    factors: Cause to polynomial coefficients (stretches, degree + 1) of a relative factor.
    spans: Cause to the error that the polynomial's argument 1 stands for.
    """

    offsets: np.ndarray
    volumes: np.ndarray
    lateness: np.ndarray
    factors: Mapping[str, np.ndarray]
    spans: Mapping[str, float]
    noise_bias: np.ndarray

    @property
    def joint(self) -> tuple[str, ...]:
        """Causes that act together with the zero offset [text]."""
        return ()

    def at(
        self, stretch: int, offset: np.ndarray, errors: Mapping[str, np.ndarray] | None = None
    ) -> np.ndarray:
        """Volume of one stretch for many zero offsets.

        Units: offset [m]; returns [m3].
        """
        last = len(self.offsets) - 1
        place = (offset - self.offsets[0]) * (last / (self.offsets[-1] - self.offsets[0]))
        np.clip(place, 0.0, last, out=place)
        cell = np.minimum(place.astype(np.intp), last - 1)
        place -= cell
        row = self.volumes[stretch]
        return row[cell] + place * np.diff(row)[cell]

    def factor(self, cause: str, error: np.ndarray) -> np.ndarray:
        """Relative factor of a bending cause.

        Units: error [SI].
        """
        scaled = np.asarray(error) / self.spans[cause]
        powers = scaled[:, None] ** np.arange(self.factors[cause].shape[1])
        return powers @ self.factors[cause].T


def deposit(
    level: np.ndarray,
    carrier: np.ndarray | float,
    pieces: Sequence[Stretch],
    time: np.ndarray,
    interval_edges: np.ndarray,
) -> LevelGrid:
    """Condense the readings of every stretch on a grid of levels.

    Units: pieces [s]; time [s]; interval_edges [s]; returns [s].
    """
    low, high = float(level.min()), float(level.max())
    step = max(GRID_STEP, (high - low) / MOST_LEVELS)
    count = int(np.ceil((high - low) / step)) + 2
    weights = np.zeros((len(pieces), count))
    late = np.zeros_like(weights)
    for row, piece in enumerate(pieces):
        where = piece.readings
        position = (level[where] - low) / step
        cell = position.astype(np.int64)
        share = position - cell
        weight = piece.weights * (carrier if np.isscalar(carrier) else carrier[where])
        begin, end = interval_edges[piece.interval], interval_edges[piece.interval + 1]
        passed = (time[where] - begin) / (end - begin)
        for target, amount in ((weights, weight), (late, weight * passed)):
            upper = amount * share
            target[row] = np.bincount(cell, amount - upper, count)
            target[row] += np.bincount(cell + 1, upper, count)
    used = np.flatnonzero(np.any(weights != 0, axis=0))
    return LevelGrid(low + step * used, weights[:, used], late[:, used])


def tabulate(
    grid: LevelGrid,
    rating: Rating,
    bent: Mapping[str, BentRating],
    lowest_offset: float,
    highest_offset: float,
) -> OffsetTable:
    """Tabulate the volume of every stretch over zero offsets and bending causes.

    Units: rating [m3/s]; lowest_offset, highest_offset [m]; returns [m3].
    """
    offsets = np.linspace(lowest_offset, max(highest_offset, lowest_offset + 1e-9), OFFSETS)
    values = np.stack([rating(grid.levels + offset) for offset in offsets], axis=1)
    middle = (lowest_offset + highest_offset) / 2
    small = 1e-4
    sides = [rating(grid.levels + middle + side) for side in (-small, 0.0, small)]
    slope = (sides[2] - sides[0]) / (2 * small)
    curvature = (sides[2] - 2 * sides[1] + sides[0]) / small**2
    steepness = grid.weights @ slope
    lateness = np.where(
        steepness != 0, (grid.late @ slope) / np.where(steepness != 0, steepness, 1.0), 0.5
    )
    factors, spans = {}, {}
    for name, cause in bent.items():
        factors[name], spans[name] = _polynomial(grid, rating, cause, middle)
    return OffsetTable(
        offsets,
        grid.weights @ values,
        lateness,
        factors,
        spans,
        0.5 * (grid.weights @ np.where(grid.levels + middle > 2 * small, curvature, 0.0)),
    )


def _polynomial(
    grid: LevelGrid, rating: Rating, cause: BentRating, offset: float
) -> tuple[np.ndarray, float]:
    """Degree-4 polynomial through five errors, relative to no error."""
    span = abs(cause.value) + 4 * cause.standard or 1.0
    nodes = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    level = grid.levels + offset
    base = grid.weights @ rating(level)
    rows = [grid.weights @ cause.rating(level, span * node) for node in nodes]
    safe = np.where(base != 0, base, 1.0)
    ratios = np.where(base != 0, np.stack(rows) / safe, 1.0)
    return np.linalg.solve(np.vander(nodes, increasing=True), ratios).T, span
