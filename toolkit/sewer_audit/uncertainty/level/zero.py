"""What hand readings at visits say about the zero of a level instrument.

The zero offset is what has to be added to the instrument's level. It starts from a stated spread,
grows between visits, and is set anew where a visit re-zeroes the instrument. Hand readings have
errors of their own, one per reading and one shared by all (the staff gauge). All this is linear and
normal, so the readings turn the stated spreads into a narrower joint distribution exactly.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import ndtr, ndtri

from sewer_audit import spoken
from sewer_audit.errors import AuditError, Flag
from sewer_audit.uncertainty.level.conditioning import Conditioned, condition

GROWTHS = ("random walk", "steady")
DAY = 86_400.0


@dataclass(frozen=True)
class Visit:
    """A hand reading of the level beside the instrument's.

    difference: Hand less instrument before anything was adjusted [m]. rezeroed: whether the
    instrument was then set to the hand reading.
    """

    time: float
    difference: float
    standard: float = 0.001
    rezeroed: bool = False
    label: str = ""


@dataclass(frozen=True)
class Step:
    """A moment at which the zero may have moved without a hand reading beside it.

    standard: of how far it moved [m]. since: the moment itself, where it is not known, lies
    anywhere between this instant and `time`. cleaned: what had grown steadily since the cleaning
    before was taken off; `standard` is then that of the growth, alike from one cleaning to the
    next.

    Notes
    -----
    A step of standard uncertainty s at a moment uniform over a span T moves the zero over a part t
    of it by a variance of s^2 t / T, without correlation between disjoint parts: in mean and
    covariance it is a random walk.

    References
    ----------
    Any text on stochastic processes.
    """

    time: float
    standard: float
    since: float | None = None
    cleaned: bool = False


@dataclass(frozen=True)
class ZeroModel:
    """What is known about the zero before the visits are looked at; spreads in [m].

    drift_standard: of the growth over `drift_span` [s]. growth: "random walk", whose variance grows
    with time, or "steady", one straight line per interval between visits. shared_standard: of the
    error all hand readings share, the datum of the staff gauge. setting_standard: of the act of
    re-zeroing, display resolution included.
    """

    start_standard: float
    start_mean: float = 0.0
    drift_standard: float = 0.0
    drift_span: float = 30 * DAY
    growth: str = "random walk"
    shared_standard: float = 0.0
    setting_standard: float = 0.0

    def __post_init__(self) -> None:
        spreads = (
            self.start_standard,
            self.drift_standard,
            self.shared_standard,
            self.setting_standard,
        )
        if not all(math.isfinite(spread) and spread >= 0 for spread in spreads):
            raise AuditError(f"standard uncertainties {spreads}; finite and zero or more")
        if not self.drift_span > 0:
            raise AuditError(f"drift span {self.drift_span!r} s; above zero, for example 30 days")
        if self.growth not in GROWTHS:
            raise AuditError(f"growth {self.growth!r}; known are {', '.join(GROWTHS)}")

    def growth_standard(self, duration: float) -> float:
        """Standard uncertainty [m] of the growth over a duration [s]."""
        share = duration / self.drift_span
        return self.drift_standard * (math.sqrt(share) if self.growth == "random walk" else share)


@dataclass(frozen=True)
class ZeroPosterior:
    """Zero offset at both ends of every interval between visits.

    Parameters
    ----------
    edges : array (intervals + 1,)
        Begin of the record, visits, end of the record [s].
    mean, covariance : array (2 * intervals,) and its square
        Correction to add to the level at start and end of each interval, in turn [m, m2].
    wander : array (intervals,)
        Standard uncertainty of the time mean of the offset within an interval about the straight
        line between its ends [m].
    innovations : array (visits,)
        Each visit's surprise, standard normal if the stated spreads are right [-].
    statistic, probability : float
        Sum of their squares, chi-square with one degree of freedom per visit; chance of as much
        [-].
    shared_mean : float
        Best value of the error all hand readings share, after the visits [m].
    surprises : array (visits,)
        Each visit's difference less what those before it let expect [m].
    parts : mapping of str to float
        Variance of the mean offset over all intervals by what it comes from [m2].
    likelihood : float
        Logarithm of the probability density of the hand readings, but for a constant [-].
    """

    edges: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray
    wander: np.ndarray
    innovations: np.ndarray
    statistic: float
    probability: float
    flags: tuple[Flag, ...]
    shared_mean: float = 0.0
    surprises: np.ndarray = field(default_factory=lambda: np.zeros(0))
    likelihood: float = 0.0
    parts: Mapping[str, float] = field(default_factory=dict)

    @property
    def standard(self) -> np.ndarray:
        """Standard uncertainty at start and end of each interval, in turn [m]."""
        return np.sqrt(np.clip(np.diag(self.covariance), 0.0, None))


def condition_zero(
    visits: Sequence[Visit],
    start: float,
    end: float,
    model: ZeroModel,
    coverage: float = 0.95,
    nodes: Sequence[float] = (),
    steps: Sequence[Step] = (),
) -> ZeroPosterior:
    """Zero offsets of a record after its visits.

    Parameters
    ----------
    visits : sequence of Visit
        In order of time; those before or after the record count too [m].
    start, end : float
        Begin and end of the record [s].
    model : ZeroModel
        What is known without the visits [m].
    coverage : float
        One minus the risk that any visit is flagged although all spreads are right [-].
    nodes : sequence of float
        Further instants, such as meter reads, at which the offset is wanted; they end an interval
        as a visit does, so that a random walk is right within each of them [s].
    steps : sequence of Step
        Moments at which the zero may have moved by an amount nobody read; one that falls on a visit
        counts as before it [m].

    Raises
    ------
    AuditError
        If the visits are not in order of time, the record has no length or a visit leaves no room
        for any error.

    Notes
    -----
    Hand less instrument = offset before the visit + shared error + error of this reading. After
    re-zeroing the offset is -(shared error + error of this reading) + error of setting, so a poor
    hand reading is carried on into the next interval. Otherwise it runs on unchanged.
    Within an interval a random walk strays from the straight line between its ends; its time mean
    strays by sqrt(variance of the growth / 12).

    References
    ----------
    JCGM 100:2008, F.2.4.5 (uncertainty of a correction); Brownian bridge: time mean has variance
    s^2 T / 12 (integral of t (1 - t) type covariance, any text on stochastic processes).
    """
    times = np.array([visit.time for visit in visits], dtype=float)
    if np.any(np.diff(times) <= 0):
        raise AuditError("the visits are not in order of time, or two share one instant")
    if not end > start:
        raise AuditError("the record ends before it starts")
    begin, finish = min(start, *times[:1], start), max(end, *times[-1:], end)
    moved: dict[float, list[Step]] = {}
    for step in steps:
        moment = _before_visit(step.time, times)
        if step.since is None and begin < moment < finish:
            moved.setdefault(moment, []).append(step)
    inner = {float(node) for node in (*nodes, *moved) if begin < node < finish}
    events = sorted([(t, k) for k, t in enumerate(times)] + [(t, -1) for t in inner - {*times}])
    edges = np.array([begin, *(time for time, _ in events), finish])
    spans = np.diff(edges)
    grown = np.array([model.growth_standard(float(span)) for span in spans])
    for step in steps:
        if step.since is not None:
            inside = np.minimum(edges[1:], step.time) - np.maximum(edges[:-1], step.since)
            share = np.maximum(inside, 0.0) / max(step.time - step.since, 1.0)
            grown = np.hypot(grown, step.standard * np.sqrt(share))
    parts = _Parts.of(edges, events, visits, model, grown, moved)
    observed = np.array([visit.difference for visit in visits])
    joint = np.diag(parts.variance)
    result = condition(parts.mean, joint, parts.readings, observed)
    wander = grown / math.sqrt(12) if model.growth == "random walk" else np.zeros(len(spans))
    return ZeroPosterior(
        edges,
        parts.offsets @ result.mean,
        parts.offsets @ result.covariance @ parts.offsets.T,
        wander,
        result.innovations,
        result.statistic,
        result.probability,
        _flags(visits, result, coverage),
        float(result.mean[1]),
        result.innovations * result.scales,
        -0.5 * result.statistic - float(np.log(result.scales).sum()),
        _sources(parts, joint, spans, len(visits), wander),
    )


def _sources(
    parts: _Parts, joint: np.ndarray, spans: np.ndarray, visits: int, wander: np.ndarray
) -> dict[str, float]:
    """What the variance of the mean offset comes from, after the visits.

    The error that is left is a linear combination of the independent errors, so its variance is
    the sum of theirs.
    """
    weights = np.repeat(spans / spans.sum(), 2) / 2
    left = weights @ parts.offsets
    if visits:
        across = joint @ parts.readings.T
        left = left - np.linalg.solve(parts.readings @ across, across.T @ left) @ parts.readings
    each = left**2 * parts.variance
    ends = np.cumsum([1, 1, visits, visits, len(spans)])
    names = ("zero error", "gauge datum", "hand reading", "setting of the zero", "zero drift")
    names = (*names, "steps")
    found = dict(zip(names, (float(part.sum()) for part in np.split(each, ends)), strict=True))
    found["zero drift"] += float(np.sum((wander * spans / spans.sum()) ** 2))
    return found


def _before_visit(time: float, visits: np.ndarray) -> float:
    """The instant of a step; a second earlier where a visit has the same."""
    return float(time) - (1.0 if np.any(visits == time) else 0.0)


@dataclass(frozen=True)
class _Parts:
    """Independent errors behind the offsets, and how offsets and readings are made of them.

    Order: start, shared hand error, reading of each visit, setting of each visit, growth of each
    interval (random walk) or of each time between visits (steady), growth between cleanings, steps.
    """

    mean: np.ndarray
    variance: np.ndarray
    offsets: np.ndarray
    readings: np.ndarray

    @classmethod
    def of(
        cls,
        edges: np.ndarray,
        events: Sequence[tuple[float, int]],
        visits: Sequence[Visit],
        model: ZeroModel,
        grown: np.ndarray,
        moved: Mapping[float, Sequence[Step]],
    ) -> _Parts:
        count = len(visits)
        unread = [step for each in moved.values() for step in each if not step.cleaned]
        places = {id(step): place for place, step in enumerate(unread)}
        mean, variance = _errors(visits, model, len(grown), unread)
        size, growth = len(variance), 2 + 2 * count
        crust, first = growth + len(grown), growth + len(grown) + 1
        offsets, readings = np.zeros((2 * len(grown), size)), np.zeros((count, size))
        course = _Crust.of(edges, moved)
        here = np.zeros(size)
        here[0], here[crust] = 1.0, course.at_start
        for interval in range(len(grown)):
            offsets[2 * interval] = here
            here = here.copy()
            here[growth] += grown[interval]
            here[crust] += course.grows[interval]
            offsets[2 * interval + 1] = here
            time, visit = events[interval] if interval < len(events) else (math.nan, -1)
            here = here.copy()
            for step in moved.get(time, ()):
                if step.cleaned:
                    here[crust] -= course.taken[time]
                else:
                    here[first + places[id(step)]] = 1.0
            if model.growth == "random walk" or visit >= 0:
                growth += 1
            if visit >= 0:
                readings[visit] = here
                readings[visit, [1, 2 + visit]] += 1.0
                if visits[visit].rezeroed:
                    here = np.zeros(size)
                    here[[1, 2 + visit]] = -1.0
                    here[2 + count + visit] = 1.0
        return cls(mean, variance, offsets, readings)


@dataclass(frozen=True)
class _Crust:
    """What grows between cleanings, as a multiple of one common unit [m]."""

    at_start: float
    grows: np.ndarray
    taken: Mapping[float, float]

    @classmethod
    def of(cls, edges: np.ndarray, moved: Mapping[float, Sequence[Step]]) -> _Crust:
        sizes = {
            time: max(step.standard for step in each if step.cleaned)
            for time, each in sorted(moved.items())
            if any(step.cleaned for step in each)
        }
        if not sizes:
            return cls(0.0, np.zeros(len(edges) - 1), {})
        times, amounts = np.array([*sizes]), np.array([*sizes.values()])
        usual = float(np.median(np.diff(times))) if len(times) > 1 else 0.0
        first = max(times[0] - edges[0], usual)
        rates = np.array([*amounts, np.median(amounts)])
        rates /= [first, *np.diff(times), usual or first]
        which = np.searchsorted(times, edges[:-1], side="right")
        start = float(amounts[0] - (times[0] - edges[0]) * rates[0])
        return cls(start, np.diff(edges) * rates[which], sizes)


def _errors(
    visits: Sequence[Visit], model: ZeroModel, intervals: int, unread: Sequence[Step]
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of the independent errors; growths are in units of their spread."""
    readings = [visit.standard**2 for visit in visits]
    settings = [model.setting_standard**2 if visit.rezeroed else 0.0 for visit in visits]
    start = [model.start_standard**2, model.shared_standard**2]
    steps = [step.standard**2 for step in unread]
    variance = np.array([*start, *readings, *settings, *np.ones(intervals + 1), *steps])
    mean = np.zeros(len(variance))
    mean[0] = model.start_mean
    return mean, variance


def _flags(visits: Sequence[Visit], result: Conditioned, coverage: float) -> tuple[Flag, ...]:
    if not visits:
        return ()
    flags = []
    each = coverage ** (1.0 / len(visits))
    limit = float(ndtri(0.5 + each / 2.0))
    for visit, surprise in zip(visits, result.innovations, strict=True):
        if abs(surprise) > limit:
            name = visit.label or f"at {visit.time:.0f} s"
            chance = 2.0 * float(ndtr(-abs(surprise)))
            flags.append(
                Flag(
                    "visit-contradicts-zero-uncertainty",
                    f"Visit {name}: hand less instrument is "
                    f"{spoken.length(visit.difference, 3, True)}, "
                    f"{abs(surprise):.1f} standard uncertainties from what the stated zero error, "
                    "drift and earlier visits allow. Widen them or find what happened.",
                    {
                        "visit": name,
                        "difference_m": visit.difference,
                        "surprise": float(surprise),
                        "limit": limit,
                        "probability": chance,
                    },
                )
            )
    if result.probability < 1.0 - coverage and not flags:
        flags.append(
            Flag(
                "visits-scatter-more-than-stated",
                f"The visits together scatter more than the stated zero error and drift allow "
                f"(chi-square {result.statistic:.1f} for {len(visits)} visits).",
                {"statistic": result.statistic, "probability": result.probability},
            )
        )
    return tuple(flags)
