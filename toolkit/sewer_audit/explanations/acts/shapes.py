"""Shapes in time that any cause can take: none is the only one that may drift."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sewer_audit.explanations.observations import Observations

WEIGHTS = {"constant": 0.4, "step": 0.25, "ramp": 0.15, "one period": 0.1, "season": 0.1}
"""Prior weight of a shape among those a cause can take (judgement) [-]."""
ONSETS = 24
"""Dates from which a step is tried, evenly over the record [-]."""
RAMPS = (0.0, 0.15, 0.3)
"""Share of the record after which a drift begins [-]."""
SEASONS = 8
"""Peaks of a season tried, evenly over the year [-]."""
LENGTHS, STRETCHES = (1, 2, 3, 4, 5), 6
"""Intervals in a row that are looked at as one stretch, and how many stretches are tried [-]."""
INSIDE = 8
"""Instants at which a shape is taken in each interval [-]."""


@dataclass(frozen=True)
class Profile:
    """How strongly a cause acts over time, between 0 and 1.

    Units: first, last [d].
    """

    shape: str
    label: str
    weight: float
    first: float = 0.0
    last: float = np.inf

    def over(self, observed: Observations) -> np.ndarray:
        """Mean over every interval.

        Units: returns [-].
        """
        share = (np.arange(INSIDE) + 0.5) / INSIDE
        starts, lengths = observed.starts, observed.lengths
        return self.at(starts[:, None] + share * lengths[:, None], observed.year_zero).mean(axis=1)

    def at(self, time: np.ndarray, year_zero: float = 0.0) -> np.ndarray:
        """Between 0 and 1 at instants.

        Units: time [d]; year_zero, the day of the year at time 0 [d]; returns [-].
        """
        if self.shape == "ramp":
            return np.clip((time - self.first) / (self.last - self.first), 0.0, 1.0)
        if self.shape == "season":
            angle = 2 * np.pi * (time + year_zero - self.first) / 365.25
            return np.maximum(np.cos(angle), 0.0)
        return ((time >= self.first) & (time < self.last)).astype(float)


def profiles(observed: Observations, shapes: Sequence[str]) -> list[Profile]:
    """Every form in time of a cause, with prior weights that add up to 1."""
    total = sum(WEIGHTS[shape] for shape in shapes)
    found = []
    for shape in shapes:
        each = _MAKERS[shape](observed)
        found += [
            Profile(p.shape, p.label, p.weight * WEIGHTS[shape] / total, p.first, p.last)
            for p in each
        ]
    whole = sum(each.weight for each in found)
    return [Profile(p.shape, p.label, p.weight / whole, p.first, p.last) for p in found]


def _constant(observed: Observations) -> list[Profile]:
    return [Profile("constant", "", 1.0, -np.inf)]


def _steps(observed: Observations) -> list[Profile]:
    """From a date on: evenly spread, and where the record itself seems to change."""
    first, last = observed.span
    even = np.linspace(first, last, min(ONSETS, 2 * observed.count) + 2)[1:-1]
    onsets = [*even, *observed.changes, *_parting(observed)]
    return [
        Profile("step", f"from {_day(observed, onset)} on", 1 / len(onsets), float(onset))
        for onset in onsets
    ]


def _ramps(observed: Observations) -> list[Profile]:
    first, last = observed.span
    return [
        Profile(
            "ramp",
            f"more and more from {_day(observed, first + share * (last - first))} on",
            1 / len(RAMPS),
            first + share * (last - first),
            last,
        )
        for share in RAMPS
    ]


def _periods(observed: Observations) -> list[Profile]:
    """One invoice, or the stretches in which the two estimates part most."""
    blocks = observed.invoice_blocks
    found = [
        Profile("one period", f"in invoice {place + 1} alone", 1 / len(blocks), first, last)
        for place, (first, last) in enumerate(blocks)
    ]
    for first, last in _stretches(observed):
        label = f"from {_day(observed, first)} to {_day(observed, last)}"
        found.append(Profile("one period", label, 1 / len(blocks), first, last))
    return found


def _course(observed: Observations) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Begin, end and relative difference of the intervals that are compared."""
    known = np.flatnonzero(observed.compared)
    usual = np.median(np.abs(observed.balance_mean[known])) + 1e-12
    size = np.maximum(np.abs(observed.balance_mean[known]), 0.2 * usual)
    away = (observed.effluent_mean[known] - observed.balance_mean[known]) / size
    starts = observed.starts[known]
    return starts, starts + observed.lengths[known], np.clip(away, -3, 3)


def _parting(observed: Observations) -> list[float]:
    """Instants after which the two estimates part most from what they did before [d]."""
    starts, _, away = _course(observed)
    count = len(away)
    if count < 6:
        return []
    at = np.arange(1, count)
    total = np.cumsum(away)
    before, after = total[at - 1] / at, (total[-1] - total[at - 1]) / (count - at)
    jump = np.abs(after - before) * np.sqrt(at * (count - at) / count)
    best = at[np.argsort(-jump)[:2]]
    return [
        float(starts[k] + share * (starts[k] - starts[k - 1]))
        for k in best
        for share in (-0.67, -0.33, 0.0, 0.33)
    ]


def _stretches(observed: Observations) -> list[tuple[float, float]]:
    """Few intervals in a row in which the two estimates part most from all others [d]."""
    starts, ends, away = _course(observed)
    count = len(away)
    if observed.count == len(observed.invoice_blocks) or count < 8:
        return []
    apart = away - np.median(away)
    scored = []
    for length in LENGTHS:
        for first in range(count - length + 1):
            mean = apart[first : first + length].mean()
            scored.append((abs(mean) * np.sqrt(length), first, first + length))
    scored.sort(reverse=True)
    return [(float(starts[a]), float(ends[b - 1])) for _, a, b in scored[:STRETCHES]]


def _seasons(observed: Observations) -> list[Profile]:
    if observed.span[1] - observed.span[0] < 180.0:
        return []
    return [
        Profile(
            "season",
            f"with the season, peak at {100 * place / SEASONS:.0f} % of the year",
            1 / SEASONS,
            365.25 * place / SEASONS,
        )
        for place in range(SEASONS)
    ]


def _day(observed: Observations, time: float) -> str:
    """A date where the observations know it, else the invoice."""
    if observed.epoch is not None:
        import pandas as pd

        return str((observed.epoch + pd.Timedelta(days=float(time))).date())
    blocks = observed.invoice_blocks
    place = sum(first <= time for first, _ in blocks)
    return f"invoice {max(place, 1)}"


_MAKERS = {
    "constant": _constant,
    "step": _steps,
    "ramp": _ramps,
    "one period": _periods,
    "season": _seasons,
}
