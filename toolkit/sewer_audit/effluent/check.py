"""Brute force on a sample of the record: how far the fast scheme may be trusted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sewer_audit.effluent.integrate import Stretch
from sewer_audit.effluent.model import EffluentModel
from sewer_audit.effluent.rating import UncertainRating
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.uncertainty import Draws


@dataclass(frozen=True)
class SelfCheck:
    """Largest disagreement between the fast scheme and brute force."""

    draws: int
    stretches: int
    largest: float


def check_against_brute_force(
    model: EffluentModel,
    rating: UncertainRating,
    series: DischargeSeries,
    pieces: Sequence[Stretch],
    interval_edges: np.ndarray,
    draws: Draws,
    sample: int = 12,
) -> SelfCheck:
    """Recompute a sample of draws reading by reading.

    Units: series [SI]; interval_edges [s].
    """
    first = replace(draws, count=min(sample, draws.count))  # fewer draws begin as more do
    offsets = model.draw_offsets(first)
    errors = {name: first.of(cause, key=name) for name, cause in model.causes.items()}
    fast = model._factors(errors, first.count)
    chosen = np.unique(np.linspace(0, len(pieces) - 1, 4).astype(int))
    largest = 0.0
    for stretch in chosen:
        piece = pieces[stretch]
        offset = model._offset(int(stretch), piece.interval, offsets, len(fast))
        table = model.table.at(int(stretch), offset, errors)
        for draw in range(len(fast)):
            ends = None
            if offsets is not None:
                ends = offsets[draw, 2 * piece.interval : 2 * piece.interval + 2]
            of_draw = {name: float(error[draw]) for name, error in errors.items()}
            slow = _one(model, rating, series, piece, interval_edges, ends, of_draw)
            if slow:
                largest = max(largest, abs(table[draw] * fast[draw, stretch] / slow - 1))
    return SelfCheck(len(fast), len(chosen), float(largest))


def _one(
    model: EffluentModel,
    rating: UncertainRating,
    series: DischargeSeries,
    piece: Stretch,
    interval_edges: np.ndarray,
    ends: np.ndarray | None,
    errors: Mapping[str, float],
) -> float:
    """Volume of one stretch for one draw, reading by reading."""
    where = piece.readings
    here = series.level[where]
    if ends is not None:
        begin, end = interval_edges[piece.interval], interval_edges[piece.interval + 1]
        passed = (series.time[where] - begin) / (end - begin)
        here = here + ends[0] * (1 - passed) + ends[1] * passed
    carrier = series.carrier if np.isscalar(series.carrier) else series.carrier[where]
    tail = None if series.tail is None else series.tail[where]
    few = replace(series, carrier=carrier, tail=tail)
    known = (*model.table.factors, *model.table.joint)
    value = rating.flow(few, here, {k: v for k, v in errors.items() if k in known})
    scale = np.prod([(1 + errors[name]) ** power for name, power in model.scales.items()] or [1.0])
    return float(piece.weights @ value * scale)
