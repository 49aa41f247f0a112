"""What a logger record and readings by hand share on the way to a volume."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from sewer_audit.effluent.defaults import TAIL, CauseSet
from sewer_audit.effluent.integrate import Stretch
from sewer_audit.effluent.model import EffluentModel
from sewer_audit.effluent.rating import AIR, SOLIDS, UncertainRating
from sewer_audit.effluent.readings.drowned import drowned_table
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.effluent.table import OffsetTable, deposit, tabulate
from sewer_audit.effluent.zero import ZeroPath
from sewer_audit.uncertainty import Cause

FURTHEST = 6.0
"""Zero offsets are tabulated so many standard uncertainties to either side [-]."""
RAREST = 8.0
"""Solids are tabulated up to so many of their mean [-]."""


def record_rating(
    series: DischargeSeries, device: Any, causes: CauseSet, zero: ZeroPath | None
) -> UncertainRating:
    """The device with its uncertain sizes, as this record uses it.

    Units: series [SI]; causes [SI]; returns [m3/s].
    """
    relative = {name: causes.shared[name].unit == "1" for name in causes.sizes}
    limits = device.notes.head_limits
    known = limits is not None and limits[0] > 0
    pivot = float(np.sqrt(limits[0] * limits[1])) if known else 0.1
    return UncertainRating(
        device,
        causes.sizes,
        relative,
        pivot,
        series.reference_distance,
        series.air_temperature,
        float(series.level.mean()) if zero is not None and zero.visited else None,
        series.humidity,
    )


def record_table(
    series: DischargeSeries,
    rating: UncertainRating,
    causes: CauseSet,
    zero: ZeroPath | None,
    pieces: Sequence[Stretch],
    edges: np.ndarray,
) -> OffsetTable:
    """The record on a grid of levels, its volumes tabulated over zero offsets.

    Units: series [SI]; causes [SI]; returns [m3].
    """
    bending = [
        name
        for name in (*causes.sizes, "exponent", *AIR, *TAIL)
        if name in causes.shared and _acts(causes.shared[name])
    ]
    if series.reference_distance is None:
        bending = [name for name in bending if name not in AIR]
    low, high = 0.0, 0.0
    if zero is not None:
        reach = FURTHEST * np.sqrt(np.diag(zero.offset.covariance))
        low = float((zero.offset.mean - reach).min())
        high = float((zero.offset.mean + reach).max())
        if SOLIDS in causes.shared:  # they act as a zero that reads so much too high
            solids = causes.shared[SOLIDS]
            low -= abs(solids.value) + RAREST * solids.standard
            high += abs(solids.value) + RAREST * solids.standard  # evenly, about the usual zero
    spread = {
        name: (causes.shared[name].standard, causes.shared[name].value)
        for name in dict.fromkeys(bending)
    }
    if series.tail is not None:
        return drowned_table(series, rating, spread, pieces, edges, low, high)
    bent = {name: rating.bent(name, *figures) for name, figures in spread.items()}
    grid = deposit(series.level, series.carrier, pieces, series.time, edges)
    return tabulate(grid, lambda level: rating(level, {}), bent, low, high)


def _acts(cause: Cause) -> bool:
    """Whether a cause moves anything; one of no spread and no correction is listed only."""
    return cause.standard > 0 or cause.value != 0


def known_integral(values: np.ndarray, pieces: Sequence[Stretch], count: int) -> np.ndarray:
    """Time integral of something known at every reading, per period.

    Units: values [unit/s]; returns [unit].
    """
    total = np.zeros(count)
    for piece in pieces:
        total[piece.period] += float(piece.weights @ values[piece.readings])
    return total


def acting_causes(
    series: DischargeSeries,
    table: OffsetTable,
    pieces: Sequence[Stretch],
    spans: np.ndarray,
    causes: CauseSet,
) -> tuple[dict[str, Cause], dict[str, np.ndarray]]:
    """Shared causes that act on this record, and those of them that add a volume.

    Units: series [SI]; table [m3]; spans [s]; causes [SI]; returns [SI, m3/unit].
    """
    acting = {
        n: c
        for n, c in causes.shared.items()
        if n in (*causes.scales, *table.factors, *table.joint, SOLIDS)
    }
    additive = {}
    if "clock" in causes.shared:
        acting["clock"] = causes.shared["clock"]
        flow = np.interp(spans, series.time, series.discharge)
        additive["clock"] = flow[:, 1] - flow[:, 0]
    offset = causes.shared.get("velocity offset")
    if offset is not None and _acts(offset) and series.area is not None:
        acting["velocity offset"] = offset
        additive["velocity offset"] = known_integral(series.area, pieces, len(spans))
    return acting, additive


def zero_sensitivity(model: EffluentModel) -> np.ndarray:
    """Relative change of every volume per metre of zero error.

    Units: model [m3]; returns [1/m].
    """
    if model.zero is None:
        return np.zeros(model.periods)
    small = 5e-4
    mean = model.zero.mean
    moved = model.evaluate(np.stack([mean + small, mean - small]), {}, 2)
    usual = model.evaluate(None, {}, 1)[0]
    changed = (moved[0] - moved[1]) / (2 * small)
    return changed / np.where((usual == 0) & (changed == 0), 1.0, usual)
