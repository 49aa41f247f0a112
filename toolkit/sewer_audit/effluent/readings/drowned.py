"""A record with a second head: the submergence is worked out anew for every error of either head.

Readings are deposited on a grid of both heads, a millimetre apart, each to its four neighbours. The
volume of each stretch is then summed on a grid of errors: zero of the first head, zero of the
second, choice of the method; cubic splines join the zeros, straight lines the methods.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from sewer_audit.effluent.defaults import TAIL
from sewer_audit.effluent.integrate import Stretch
from sewer_audit.effluent.rating import UncertainRating
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.effluent.table import OFFSETS, OffsetTable

if TYPE_CHECKING:
    from scipy.sparse import csr_array

STEP = 1e-3
"""Spacing of the grid of both heads [m]."""
NODES = 25
"""Zero offsets of the first head that are summed [-]."""
TAILS, FINE = 9, 33
"""Zero errors of the second head that are summed, and that stand in the table [-]."""
METHODS = (-1.0, 0.0, 1.0)
REACH = 4.5
"""Errors of the second head are summed so many standard uncertainties to either side [-]."""
BENT = 4.0


@dataclass(frozen=True)
class DrownedTable(OffsetTable):
    """Volume of every stretch over the zeros of both heads and the choice of the method.

    Units: tails [m]; grid [m3]; stated [SI].
    """

    tails: np.ndarray | None = None
    grid: np.ndarray | None = None
    stated: tuple[float, float] = (0.0, 0.0)

    @property
    def joint(self) -> tuple[str, ...]:
        """Causes that act together with the zero offset [text]."""
        return TAIL

    def at(
        self, stretch: int, offset: np.ndarray, errors: Mapping[str, np.ndarray] | None = None
    ) -> np.ndarray:
        """Volume of one stretch for many errors of both heads and of the method.

        Units: offset [m]; errors [SI]; returns [m3].
        """
        errors = errors or {}
        given = [
            np.broadcast_to(errors.get(name, known), offset.shape)
            for name, known in zip(TAIL, self.stated, strict=True)
        ]
        axes = (self.offsets, self.tails, np.array(METHODS))
        places = [_place(axis, values) for axis, values in zip(axes, (offset, *given), strict=True)]
        total = np.zeros(len(offset))
        for corner in np.ndindex(2, 2, 2):
            weight = np.ones(len(offset))
            index = []
            for (cell, share), side in zip(places, corner, strict=True):
                weight = weight * (share if side else 1 - share)
                index.append(cell + side)
            total += weight * self.grid[stretch][tuple(index)]  # type: ignore[index]
        return total


def _place(axis: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cell of an even axis and how far into it, held at its ends."""
    place = np.clip((values - axis[0]) / (axis[1] - axis[0]), 0.0, len(axis) - 1.0)
    cell = np.minimum(place.astype(np.intp), len(axis) - 2)
    return cell, place - cell


def drowned_table(
    series: DischargeSeries,
    rating: UncertainRating,
    bent: Mapping[str, tuple[float, float]],
    pieces: Sequence[Stretch],
    edges: np.ndarray,
    low: float,
    high: float,
) -> DrownedTable:
    """Volumes of every stretch with the submergence of every reading.

    Units: series [SI]; edges [s]; low, high [m]; returns [m3].

    bent: Cause to its standard uncertainty and value.
    """
    from scipy.interpolate import CubicSpline  # a fifth of a second that few cases need

    high = max(high, low + 1e-9)
    heads, weights, late = _condensed(series, pieces, edges)
    cells = replace(series, level=heads[0], tail=heads[1])

    def flow(offset: float, errors: Mapping[str, float]) -> np.ndarray:
        return rating.flow(cells, heads[0] + offset, errors)

    nodes = np.linspace(low, high, NODES)
    standard, value = bent.get(TAIL[0], (0.0, 0.0))
    reach = max(REACH * standard, 1e-6)
    tails = value + np.linspace(-reach, reach, TAILS)
    few = np.array(
        [
            [[weights @ flow(e, {TAIL[0]: t, TAIL[1]: m}) for m in METHODS] for t in tails]
            for e in nodes
        ]
    )
    offsets, fine = np.linspace(low, high, OFFSETS), np.linspace(tails[0], tails[-1], FINE)
    grid = CubicSpline(tails, CubicSpline(nodes, few)(offsets), axis=1)(fine)
    stated = (value, bent.get(TAIL[1], (0.0, 0.0))[1])
    middle, small = (low + high) / 2, STEP
    known = dict(zip(TAIL, stated, strict=True))
    sides = [flow(middle + side, known) for side in (-small, 0.0, small)]
    slope, bend = (sides[2] - sides[0]) / (2 * small), sides[2] - 2 * sides[1] + sides[0]
    steep = weights @ slope
    lateness = np.where(steep != 0, (late @ slope) / np.where(steep != 0, steep, 1.0), 0.5)
    factors, spans = {}, {}
    for name, (each, known_value) in bent.items():
        if name not in TAIL:
            spans[name] = abs(known_value) + BENT * each or 1.0
            ends = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
            rows = np.stack(
                [weights @ flow(middle, {**known, name: spans[name] * end}) for end in ends]
            )
            ratios = np.where(rows[2] != 0, rows / np.where(rows[2] != 0, rows[2], 1.0), 1.0)
            factors[name] = np.linalg.solve(np.vander(ends, increasing=True), ratios).T
    bias = 0.5 * (weights @ bend) / small**2
    plain = np.moveaxis(grid[:, FINE // 2, 1], -1, 0)
    return DrownedTable(
        offsets, plain, lateness, factors, spans, bias, fine, np.moveaxis(grid, -1, 0), stated
    )


def _condensed(
    series: DischargeSeries, pieces: Sequence[Stretch], edges: np.ndarray
) -> tuple[np.ndarray, csr_array, csr_array]:
    """Both heads of every cell in use, and per stretch its weights, and those times lateness."""
    from scipy.sparse import csr_array

    tail = np.asarray(series.tail, dtype=float)
    places = [np.asarray(head, dtype=float) / STEP for head in (series.level, tail)]
    cells = [np.floor(place).astype(np.int64) for place in places]
    shares = [place - cell for place, cell in zip(places, cells, strict=True)]
    rows, keys, weights, passed = [], [], [], []
    for row, piece in enumerate(pieces):
        where = piece.readings
        begin, end = edges[piece.interval], edges[piece.interval + 1]
        lateness = (series.time[where] - begin) / (end - begin)
        for up, down in np.ndindex(2, 2):
            share = np.abs(1 - up - shares[0][where]) * np.abs(1 - down - shares[1][where])
            keys.append(np.stack([cells[0][where] + up, cells[1][where] + down]))
            weights.append(piece.weights * share)
            passed.append(piece.weights * share * lateness)
            rows.append(np.full(len(lateness), row))
    used, column = np.unique(np.concatenate(keys, axis=1), axis=1, return_inverse=True)
    place = (np.concatenate(rows), column.ravel())
    shape = (len(pieces), used.shape[1])
    made = [csr_array((np.concatenate(each), place), shape=shape) for each in (weights, passed)]
    return used * STEP, made[0], made[1]
