"""The zero of the level instrument between visits, from hand readings."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from sewer_audit.effluent.defaults import HAND, OTHER_HOURS, SETTING, UNREAD_DRIFT, CauseSet
from sewer_audit.effluent.model import ZeroOffset
from sewer_audit.effluent.rating import sound_steepness
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.errors import Flag
from sewer_audit.uncertainty import Cause, Step, Visit, ZeroModel, ZeroPosterior, condition_zero

HAND_READING = "hand reading"
FEWEST = 3
"""Visits from which their scatter says something of the readings [-]."""
MOST = 64.0
CLEARLY = 2.0
"""Logarithm of the odds from which on a scatter of the readings explains the visits better
(judgement): what moved and was not read is the dearer mistake [-]."""
ABOUT = 600.0
"""To either side of a visit, the record that tells how the level moved about it [s]."""
LOOKS_APART = 60.0
"""Between the hand reading and the look at the display (judgement) [s]."""
THIRD = 8.0
"""Visits within so many hours of the day see one kind of air only (judgement) [h]."""


@dataclass(frozen=True)
class ZeroPath:
    """Zero offset at the ends of every visit interval, with what the visits taught.

    Units: offset [m]; posterior [m]; visits [m]; air_shift [m]; steps [m].

    steps: What was done to the instrument unread, and what explains visits that contradict.
    scaled: Cause to the factor by which the visits show it larger than stated.
    parts: Cause to its part of the variance of the mean offset [m2].
    """

    edges: np.ndarray
    offset: ZeroOffset
    posterior: ZeroPosterior
    flags: tuple[Flag, ...]
    visited: bool = False
    visits: tuple[Visit, ...] = ()
    air_shift: float = 0.0
    steps: tuple[Step, ...] = ()
    growth: str = "random walk"
    scaled: Mapping[str, float] = field(default_factory=dict)
    parts: Mapping[str, float] = field(default_factory=dict)

    def listed(self, causes: CauseSet) -> CauseSet:
        """Causes with what explains the visits where they contradict what was stated.

        Units: causes [m]; returns [m].
        """
        shared, drift = dict(causes.shared), causes.drift
        said = "the visits scatter so; more than stated"
        for step in self.steps:
            if step.since is not None:
                label = next(v.label for v in self.visits if v.time == step.time)
                name = f"zero moved before {label or f'{step.time:.0f} s'}"
                source = "difference at that visit; it happened at an unknown moment since the last"
                shared[name] = Cause(
                    name, step.standard, unit="m", persistence="between visits", source=source
                )
        if drift is not None and "zero drift" in self.scaled:
            larger = drift.scaled(self.scaled["zero drift"])
            drift = replace(larger, source=said, default=False, grade="")
        if HAND_READING in shared and HAND_READING in self.scaled:
            larger = shared[HAND_READING].scaled(self.scaled[HAND_READING])
            shared[HAND_READING] = replace(larger, source=said, default=False, grade="")
        return replace(causes, drift=drift, shared=shared)

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
        factor = self.scaled.get(HAND_READING, 1.0)
        known = [replace(visit, standard=factor * visit.standard) for visit in self.visits]
        visits = sorted([*known, *further], key=lambda visit: visit.time)
        return zero_path(
            visits,
            float(self.edges[0]),
            float(self.edges[-1]),
            causes,
            air_shift=self.air_shift,
            nodes=[*self.edges[1:-1], *nodes],
            steps=self.steps,
            growth=self.growth if not visits else "random walk",
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
    growth: str = "random walk",
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
    growth : str
        "random walk" or "steady", as `ZeroModel` has it [text].

    Notes
    -----
    The begin of a record is no visit: of an instrument that nobody reads half of the variance that
    drift leaves at the end is there at the begin, unless the case states its zero.

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
        growth=growth,
        shared_standard=_standard(causes, "gauge datum"),
        setting_standard=_standard(causes, SETTING),
    )
    if not visits and causes.zero.default:  # unread before the record as during it
        half = math.sqrt(0.5) * model.growth_standard(end - start)
        model = replace(
            model,
            start_standard=math.hypot(model.start_standard, half),
            drift_standard=math.sqrt(0.5) * model.drift_standard,
        )
    record = _Record(tuple(visits), start, end, model, coverage, tuple(nodes), tuple(steps))
    posterior, scaled = record.posterior(), {}
    if visits and posterior.probability < 1 - coverage:
        told = posterior
        found, steps, scaled = record.explained()
        posterior = replace(
            found,
            flags=told.flags,
            innovations=told.innovations,
            statistic=told.statistic,
            probability=told.probability,
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
        growth,
        scaled,
        _parts(posterior, causes, model.start_standard),
    )


def _parts(posterior: ZeroPosterior, causes: CauseSet, start: float) -> dict[str, float]:
    """Parts of the variance of the mean offset, with those of the air by their own names."""
    parts, zero = dict(posterior.parts), causes.zero
    own = (zero.standard / start) ** 2 if zero is not None and start else 1.0
    parts["air temperature"] = parts["zero error"] * (1 - own)
    parts["zero error"] *= own
    parts[OTHER_HOURS] = _standard(causes, OTHER_HOURS) ** 2
    return parts


def _standard(causes: CauseSet, name: str) -> float:
    return causes.shared[name].standard if name in causes.shared else 0.0


@dataclass(frozen=True)
class _Record:
    """The visits of a record under one model of the zero, to be tried with other spreads.

    Units: start, end, nodes [s].
    """

    visits: tuple[Visit, ...]
    start: float
    end: float
    model: ZeroModel
    coverage: float
    nodes: tuple[float, ...]
    steps: tuple[Step, ...]

    def posterior(
        self, readings: float = 1.0, drift: float = 1.0, more: Sequence[Step] = ()
    ) -> ZeroPosterior:
        """With hand readings or the drift so many times as uncertain, and with further steps."""
        visits = [replace(visit, standard=readings * visit.standard) for visit in self.visits]
        model = replace(self.model, drift_standard=drift * self.model.drift_standard)
        steps = (*self.steps, *more)
        return condition_zero(visits, self.start, self.end, model, self.coverage, self.nodes, steps)

    def explained(self) -> tuple[ZeroPosterior, tuple[Step, ...], dict[str, float]]:
        """What explains visits that contradict each other best, by the likelihood of the visits.

        Either the zero moved between two visits, or it drifts faster than stated, or (from three
        visits on, and only where the readings clearly say so) the hand readings scatter more. Each
        free figure costs half the logarithm of the number of visits.

        References
        ----------
        G. Schwarz, Annals of Statistics 6 (1978) 461 (from memory).
        """
        count = len(self.visits)
        moves, moved = self._moves()
        tried: list[Any] = [(moved, len(moves), 0.0, (*self.steps, *moves), {})]
        factor, found = self._grown(lambda factor: self.posterior(drift=factor))
        tried.append((found, 1, 0.0, self.steps, {"zero drift": factor}))
        if count >= FEWEST:
            factor, found = self._grown(lambda factor: self.posterior(readings=factor))
            tried.append((found, 1, CLEARLY, self.steps, {HAND_READING: factor}))
        scores = [
            found.likelihood - figures * np.log(count) / 2 - handicap
            for found, figures, handicap, *_ in tried
        ]
        found, _, _, steps, scaled = tried[int(np.argmax(scores))]
        return found, steps, scaled

    def _moves(self) -> tuple[list[Step], ZeroPosterior]:
        """Steps at unknown moments before the visits that surprise most, until none does."""
        moves: list[Step] = []
        found = self.posterior()
        while found.probability < 1 - self.coverage and len(moves) < len(self.visits):
            taken = {step.time for step in moves}
            order = np.argsort(-np.abs(found.innovations))
            place = next(k for k in order if self.visits[k].time not in taken)
            before = self.visits[place - 1].time if place else min(self.start, self.visits[0].time)
            size = abs(float(found.surprises[place]))
            moves.append(Step(self.visits[place].time, size, before))
            found = self.posterior(more=moves)
        return moves, found

    def _grown(self, of: Callable[[float], ZeroPosterior]) -> tuple[float, ZeroPosterior]:
        """The smallest factor by which the visits scatter as expected."""
        low, high, count = 1.0, 1.0, len(self.visits)
        while of(high).statistic > count and high < MOST:
            low, high = high, 2 * high
        for _ in range(12):
            middle = (low + high) / 2
            low, high = (middle, high) if of(middle).statistic > count else (low, middle)
        return high, of(high)


@dataclass(frozen=True)
class LevelAbout:
    """What the record shows about a visit.

    Units: recorded, moved, standard [m].

    recorded: Level at that moment, between its neighbours; NaN where the record has none.
    moved: From the lowest to the highest level about it; NaN where the record has none.
    standard: How far the level moves between two looks, as a standard uncertainty.
    """

    recorded: float
    moved: float
    standard: float


def level_about(series: DischargeSeries, second: float) -> LevelAbout:
    """How the level moved about a visit, by the record, and what that makes of a comparison there.

    Parameters
    ----------
    series : DischargeSeries
        Accepted readings [m].
    second : float
        Instant of the visit [s].

    Notes
    -----
    Hand and instrument are read a minute apart (judgement). Over a lag L the mean square change of
    the level is D, from the readings about the visit, or from all where there are none; over a
    minute it is D 60 s / L, as of steps and of a random walk. Of water that rises evenly that is
    more than it does, which errs to the side of a wider zero.

    References
    ----------
    Judgement; the increment of a random walk, any text on stochastic processes.
    """
    usual = float(np.median(np.diff(series.time)))
    near = np.abs(series.time - second) <= max(ABOUT, usual) + 1.0
    time, level = series.time[near], series.level[near]
    squares, lags = _changes(time, level, usual)
    if not lags:
        squares, lags = _changes(series.time, series.level, usual)
    standard = float(np.sqrt(squares / lags * LOOKS_APART)) if lags else 0.0
    if len(time) < 2:
        return LevelAbout(float("nan"), float("nan"), standard)
    between = time[0] <= second <= time[-1]
    recorded = float(np.interp(second, time, level)) if between else float("nan")
    return LevelAbout(recorded, float(np.ptp(level)), standard)


def _changes(time: np.ndarray, level: np.ndarray, usual: float) -> tuple[float, float]:
    """Sums of squared changes and of their lags, over readings at least one look apart."""
    apart = max(int(np.ceil(LOOKS_APART / usual)), 1)
    lag = time[apart:] - time[:-apart]
    close = lag <= 2 * apart * usual
    return float(((level[apart:] - level[:-apart])[close] ** 2).sum()), float(lag[close].sum())


def air_shift(series: DischargeSeries, causes: CauseSet) -> float:
    """Standard uncertainty of a level from temperature and humidity of the air on the echo's path.

    Parameters
    ----------
    series : DischargeSeries
        Readings, whose mean level stands for all [SI].

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


def as_visited(causes: CauseSet, visits: Sequence[Visit]) -> tuple[CauseSet, str]:
    """Causes with the drift of an instrument that is read or not, and how its zero grows.

    Parameters
    ----------
    causes : CauseSet
        With the drift of one that is looked after [m].
    visits : sequence of Visit
        Hand readings [m].

    Returns
    -------
    CauseSet
        A drift the case states is kept [m].
    str
        As `ZeroModel` has it [text].
    """
    if visits:
        return causes, "random walk"
    if causes.drift is not None and causes.drift.default:
        causes = replace(causes, drift=UNREAD_DRIFT)
    return causes, "steady"


def visits_look_round(visits: Sequence[Visit], hours: Sequence[float]) -> bool:
    """Whether hand readings were taken at hours so far apart that they see warm and cold air.

    Parameters
    ----------
    visits : sequence of Visit
        Hand readings [m].
    hours : sequence of float
        Local hour of the day of each [h].
    """
    if not visits:
        return True
    sorted_hours = np.sort(np.asarray(hours, dtype=float) % 24)
    gaps = np.diff([*sorted_hours, sorted_hours[0] + 24])
    return bool(24 - gaps.max() > THIRD)
