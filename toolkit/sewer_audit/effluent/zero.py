"""The zero of the level instrument between visits, from hand readings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sewer_audit.effluent.defaults import HAND, OTHER_HOURS, SETTING, CauseSet
from sewer_audit.effluent.model import ZeroOffset
from sewer_audit.effluent.rating import sound_steepness
from sewer_audit.effluent.series import DischargeSeries
from sewer_audit.errors import Flag
from sewer_audit.uncertainty import Step, Visit, ZeroModel, ZeroPosterior, condition_zero

__all__ = ["ZeroPath", "air_shift", "visits_look_round", "zero_path"]

FEWEST = 3
"""Visits from which their scatter says something of the readings [-]."""
MOST = 64.0
THIRD = 8.0
"""Visits within so many hours of the day see one kind of air only (judgement) [h]."""


@dataclass(frozen=True)
class ZeroPath:
    """Zero offset at the ends of every visit interval, with what the visits taught.

    Units: offset [m]; posterior [m]; visits [m]; air_shift [m].
    """

    edges: np.ndarray
    offset: ZeroOffset
    posterior: ZeroPosterior
    flags: tuple[Flag, ...]
    visited: bool = False
    visits: tuple[Visit, ...] = ()
    air_shift: float = 0.0
    steps: tuple[Step, ...] = ()

    def with_more(
        self, causes: CauseSet, instants: Sequence[float] = (), nodes: Sequence[float] = ()
    ) -> ZeroPath | None:
        """The same zero under other causes, after further visits that bring no surprise.

        Units: causes [m]; instants [s]; returns [m].
        """
        ends = np.repeat(self.edges, 2)[1:-1]
        expected = self.offset.mean + self.posterior.shared_mean
        taken = {visit.time for visit in self.visits}
        usual = float(np.median([v.standard for v in self.visits])) if self.visits else HAND
        further = [
            Visit(time, float(np.interp(time, ends, expected)), usual, False, "further")
            for time in instants
            if time not in taken
        ]
        visits = sorted([*self.visits, *further], key=lambda visit: visit.time)
        return zero_path(
            visits,
            float(self.edges[0]),
            float(self.edges[-1]),
            causes,
            air_shift=self.air_shift,
            nodes=[*self.edges[1:-1], *nodes],
            steps=self.steps,
        )


def zero_path(
    visits: Sequence[Visit],
    start: float,
    end: float,
    causes: CauseSet,
    coverage: float = 0.95,
    air_shift: float = 0.0,
    nodes: Sequence[float] = (),
    steps: Sequence[Step] = (),
) -> ZeroPath | None:
    """Zero offsets of a record after its visits.

    Parameters
    ----------
    visits : sequence of Visit
        Hand readings less the instrument's, in order of time [m].
    start, end : float
        First and last instant the record is integrated at [s].
    causes : CauseSet
        Zero error, drift and gauge datum [m].
    coverage : float
        One minus the risk of flagging any visit wrongly [-].
    air_shift : float
        Standard uncertainty of the level from the air temperature; with visits it is part of the
        zero offset they correct [m].
    nodes : sequence of float
        Instants of the meter reads; they end an interval as a visit does, so that what the zero
        did in one service period is not spread over its neighbours [s].
    steps : sequence of Step
        What was done to the instrument without a hand reading [m].

    Returns
    -------
    ZeroPath or None
        None for a method without a level [m].

    Notes
    -----
    Between two edges (visits and nodes) the offset is taken as a straight line; what a random walk
    strays from it is added at both ends as one further error, s^2 T / 12.

    References
    ----------
    JCGM 100:2008, F.2.4.5; Brownian bridge, any text on stochastic processes.
    """
    if causes.zero is None:
        return None
    model = ZeroModel(
        start_standard=float(np.hypot(causes.zero.standard, air_shift if visits else 0.0)),
        start_mean=causes.zero.value,
        drift_standard=causes.drift.standard if causes.drift is not None else 0.0,
        shared_standard=_standard(causes, "gauge datum"),
        setting_standard=_standard(causes, SETTING),
    )

    def conditioned(factor: float) -> ZeroPosterior:
        read = [replace(visit, standard=factor * visit.standard) for visit in visits]
        return condition_zero(read, start, end, model, coverage, nodes, steps)

    posterior = conditioned(1.0)
    if len(visits) >= FEWEST and posterior.probability < 1 - coverage:
        scatter = conditioned(_factor(conditioned, len(visits)))
        posterior = replace(
            scatter,
            flags=posterior.flags,
            innovations=posterior.innovations,
            statistic=posterior.statistic,
            probability=posterior.probability,
        )
    covariance = posterior.covariance + np.kron(np.diag(posterior.wander**2), np.ones((2, 2)))
    covariance = covariance + _standard(causes, OTHER_HOURS) ** 2
    offset = ZeroOffset(
        posterior.mean,
        covariance,
        f"{len(visits)} visits" if visits else "stated zero error and drift; no visit",
    )
    return ZeroPath(
        posterior.edges,
        offset,
        posterior,
        posterior.flags,
        bool(visits),
        tuple(visits),
        air_shift,
        tuple(steps),
    )


def _standard(causes: CauseSet, name: str) -> float:
    return causes.shared[name].standard if name in causes.shared else 0.0


def _factor(conditioned: Callable[[float], ZeroPosterior], count: int) -> float:
    """How many times as uncertain the hand readings are, so that they scatter as expected."""
    low, high = 1.0, 1.0
    while conditioned(high).statistic > count and high < MOST:
        low, high = high, 2 * high
    for _ in range(12):
        middle = (low + high) / 2
        low, high = (middle, high) if conditioned(middle).statistic > count else (low, middle)
    return high


def air_shift(series: DischargeSeries, causes: CauseSet) -> float:
    """Standard uncertainty of a level from temperature and humidity of the air on the echo's path.

    Parameters
    ----------
    series : DischargeSeries
        Readings, whose mean level stands for all [SI].
    causes : CauseSet
        Those of the air [SI].

    Returns
    -------
    float
        Zero without an echo [m].

    Notes
    -----
    A level is wrong by its distance times the relative error of the speed of sound.

    References
    ----------
    Speed of sound in an ideal gas; ISO 9613-1:1993, reference form.
    """
    if series.reference_distance is None:
        return 0.0
    distance = series.reference_distance - float(series.level.mean())
    steepness = sound_steepness(series.air_temperature, series.humidity)
    parts = [
        distance * steepness[name] * causes.shared[name].standard
        for name in steepness
        if name in causes.shared
    ]
    return float(np.hypot.reduce([0.0, *parts]))


def visits_look_round(visits: Sequence[Visit], hours: Sequence[float]) -> bool:
    """Whether hand readings were taken at hours so far apart that they see warm and cold air.

    Parameters
    ----------
    visits : sequence of Visit
        Hand readings [m].
    hours : sequence of float
        Local hour of the day of each [h].

    Returns
    -------
    bool
        True if no visit was made, or if they spread over more than a third of the day [-].
    """
    if not visits:
        return True
    sorted_hours = np.sort(np.asarray(hours, dtype=float) % 24)
    gaps = np.diff([*sorted_hours, sorted_hours[0] + 24])
    return bool(24 - gaps.max() > THIRD)
