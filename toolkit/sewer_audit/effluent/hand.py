"""Volumes from a few readings by hand, with an interval that says how little they prove.

A ruler reading stands for its moment only. The mean of the readings of a period stands for the
period as far as they fall into every kind of hour; hours that were never looked at may have any
flow between nothing and the highest that was read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.effluent.check import check_against_brute_force
from sewer_audit.effluent.defaults import SETTING, CauseSet
from sewer_audit.effluent.integrate import Stretch
from sewer_audit.effluent.model import EffluentModel, Independent
from sewer_audit.effluent.periods import Periods
from sewer_audit.effluent.readings.quality import gap_frame
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.effluent.shared import (
    acting_causes,
    record_rating,
    record_table,
    zero_sensitivity,
)
from sewer_audit.effluent.volumes import EffluentVolumes
from sewer_audit.effluent.zero import zero_path
from sewer_audit.errors import Flag, InputRefused, Problem
from sewer_audit.uncertainty import Cause, Draws

FEWEST = 4
"""Visits below which the scatter of the flow cannot be told: its t-variance is infinite [-]."""
APART = 3 * 3600.0
"""Readings closer together than this are one look at the flow (judgement) [s]."""
UNSEEN = "hours never looked at"
NOT_OF_A_RULER = ("gauge datum", "clock", "hand reading", SETTING)


@dataclass(frozen=True)
class HandSampling:
    """How hand readings stand for service periods.

    Units: pieces [s]; spread [m3]; quality [s].
    """

    pieces: tuple[Stretch, ...]
    spread: Independent
    unseen: Cause
    quality: pd.DataFrame
    flags: tuple[Flag, ...]


def hand_volumes(
    series: DischargeSeries,
    device: Any,
    periods: Periods,
    causes: CauseSet,
    draws: Draws,
    allow_missing: bool = False,
) -> EffluentVolumes:
    """Volume of each service period from readings by hand.

    Units: series [SI]; periods [UTC]; causes [SI]; returns [m3].

    Raises
    ------
    InputRefused
        If there are too few readings, or a period has none and that was not allowed.
    """
    sampling = hand_sampling(series, periods, allow_missing)
    causes = _of_a_ruler(causes, sampling.unseen)
    spans = periods.seconds(series.epoch)
    ends = min(series.time[0], spans.min()), max(series.time[-1], spans.max())
    zero = zero_path([], float(ends[0]), float(ends[1]), causes)
    edges = zero.edges if zero is not None else np.array(ends)
    rating = record_rating(series, device, causes, zero)
    table = record_table(series, rating, causes, zero, sampling.pieces, edges)
    acting, additive = acting_causes(series, table, sampling.pieces, spans, causes)
    count = len(spans)
    model = EffluentModel(
        table,
        np.array([piece.period for piece in sampling.pieces]),
        np.array([piece.interval for piece in sampling.pieces]),
        count,
        zero.offset if zero is not None else None,
        acting,
        causes.scales,
        additive,
        (sampling.spread,),
        np.zeros(count),
        np.zeros(count),
    )
    check = check_against_brute_force(model, rating, series, sampling.pieces, edges, draws)
    return EffluentVolumes(
        model.draw(draws),
        model,
        sampling.quality,
        gap_frame([[]] * count, periods, series),
        causes,
        check,
        np.zeros(count),
        zero_sensitivity(model),
        zero,
        sampling.flags,
        np.zeros((count, 2)),
    )


def _of_a_ruler(causes: CauseSet, unseen: Cause) -> CauseSet:
    """Causes without drift and noise of an instrument, with what was never looked at."""
    shared = {n: c for n, c in causes.shared.items() if n not in NOT_OF_A_RULER}
    return replace(
        causes,
        drift=None,
        noise=None,
        shared=shared | {UNSEEN: unseen},
        scales={**causes.scales, UNSEEN: 1.0},
    )


def hand_sampling(
    series: DischargeSeries, periods: Periods, allow_missing: bool = False
) -> HandSampling:
    """Weights of hand readings and what their small number leaves open.

    Units: series [SI]; periods [UTC]; returns [SI].

    Notes
    -----
    Readings within three hours of each other are one look. With N looks of standard deviation s
    and n of them in a period of length T, u = T s sqrt((N - 1)/(N - 3)) / sqrt(n). Of the 48 kinds
    of hour (hour of the day, working day or weekend) the share w, by how often they come, was never
    looked at, not even in the hour beside; there the flow is uniform between zero and the highest
    reading q_max, so all volumes are multiplied by (1 - w) + w (q_max / q_mean) U with U uniform
    between 0 and 1.

    References
    ----------
    JCGM 101:2008, 6.4.9 (variance of the t-distribution); JCGM 100:2008, 4.2.3. The kinds of hour
    and the uniform flow in hours never looked at are a judgement of this toolkit, no source.
    """
    spans = periods.seconds(series.epoch)
    look = np.concatenate([[0], np.cumsum(_new_looks(series.time))])
    means = np.bincount(look, series.discharge) / np.bincount(look)
    if len(means) < FEWEST:
        _refuse_few(series, len(means))
    count = len(means)
    scatter = float(means.std(ddof=1) * np.sqrt((count - 1) / (count - 3)))
    pieces, spreads, problems = [], [], []
    for place, (start, end) in enumerate(spans):
        inside = np.flatnonzero((series.time >= start) & (series.time < end))
        if not len(inside) and end > start and not allow_missing:
            problems.append(_nothing(series, periods.names[place]))
        looks = len(np.unique(look[inside])) if len(inside) else 1
        chosen = inside if len(inside) else np.arange(len(series.time))
        weights = _even(look[chosen]) * (end - start)
        pieces.append(Stretch(place, 0, int(chosen[0]), weights, float(end - start)))
        spreads.append((end - start) * scatter / np.sqrt(looks))
    if problems:
        raise InputRefused(problems)
    share = _unseen_share(series, periods.zone)
    quality = _quality(series, pieces, spans, periods)
    return HandSampling(
        tuple(pieces),
        _few_looks(np.array(spreads), quality["estimated_m3"].to_numpy()),
        _unseen(share, means),
        quality,
        (_flag(series, count, share),),
    )


def _new_looks(time: np.ndarray) -> np.ndarray:
    """Whether each reading but the first begins another look at the flow."""
    new, last = np.zeros(len(time) - 1, dtype=int), time[0]
    for place, moment in enumerate(time[1:]):
        if moment - last >= APART:
            new[place], last = 1, moment
    return new


def _even(look: np.ndarray) -> np.ndarray:
    """Weights that give every look the same part, shared by its readings; together one."""
    _, place, size = np.unique(look, return_inverse=True, return_counts=True)
    return 1.0 / (len(size) * size[place])


def local_times(series: DischargeSeries, zone: str) -> pd.DatetimeIndex:
    """Local times of the readings.

    Parameters
    ----------
    series : DischargeSeries
        Readings [s].
    """
    stamps = series.epoch + pd.to_timedelta(series.time, unit="s")
    return pd.DatetimeIndex(stamps).tz_convert(zone)


def hours_looked_at(local: pd.DatetimeIndex) -> set[tuple[bool, int]]:
    """Kinds of hour that hold a reading, or lie beside one that does.

    Returns
    -------
    set of (bool, int)
        Weekend or not, and hour of the day; at most 48 [-].
    """
    return {
        (bool(day >= 5), (int(hour) + beside) % 24)
        for day, hour in zip(local.day_of_week, local.hour, strict=True)
        for beside in (-1, 0, 1)
    }


def _unseen_share(series: DischargeSeries, zone: str) -> float:
    """Share of the week's hours of a kind never looked at, nor the hour beside it."""
    seen = hours_looked_at(local_times(series, zone))
    return 1.0 - sum(2 / 168 if weekend else 5 / 168 for weekend, _ in seen)


def _unseen(share: float, means: np.ndarray) -> Cause:
    half = share * float(means.max()) / (2 * float(means.mean())) if means.mean() > 0 else 0.0
    return Cause(
        UNSEEN,
        half / np.sqrt(3.0),
        value=half - share if half else 0.0,
        shape="rectangular",
        persistence="whole record",
        source=f"{spoken.percent(share, 0)} of the kinds of hour of a week were never looked at; "
        "there the flow is taken as anything from zero to the highest reading (judgement)",
        default=True,
    )


def _few_looks(spread: np.ndarray, volume: np.ndarray) -> Independent:
    relative = spread / np.where(volume > 0, volume, np.inf)
    cause = Cause(
        "few readings by hand",
        float(np.sqrt(np.mean(relative**2))),
        persistence="each reading",
        source="scatter of the readings over the number of them, widened for how few they are",
        default=True,
    )
    return Independent(cause, spread)


def _quality(
    series: DischargeSeries, pieces: Sequence[Stretch], spans: np.ndarray, periods: Periods
) -> pd.DataFrame:
    length = spans[:, 1] - spans[:, 0]
    estimated = [float(piece.weights @ series.discharge[piece.readings]) for piece in pieces]
    longest = []
    for start, end in spans:
        inside = series.time[(series.time > start) & (series.time < end)]
        longest.append(float(np.diff(np.concatenate([[start], inside, [end]])).max()))
    nothing = np.zeros(len(spans))
    return pd.DataFrame(
        {
            "invoice": periods.names,
            "seconds": length,
            "measured_s": nothing,
            "interpolated_s": nothing,
            "estimated_s": length,
            "record_coverage": np.full(len(spans), np.nan),
            "longest_gap_s": longest,
            "estimated_m3": estimated,
        }
    )


def _flag(series: DischargeSeries, looks: int, share: float) -> Flag:
    return Flag(
        "hand-readings",
        f"{series.name}: {len(series.time)} readings by hand, {looks} looks at least three hours "
        f"apart, stand for the whole of the service periods; {spoken.percent(share, 0)} of the "
        "kinds of hour of a week were never looked at. The interval carries all of that; no "
        "part of a period counts as covered.",
        {"readings": len(series.time), "looks": looks, "hours_never_looked_at": share},
    )


def _refuse_few(series: DischargeSeries, looks: int) -> Any:
    raise InputRefused(
        Problem(
            series.name,
            f"{looks} looks at the flow at least three hours apart: its scatter cannot be told",
            f"Take {FEWEST} or more, at different hours and on different days; one reading alone "
            "is answered by 'sewer-audit discharge'",
            column="time",
            code="few hand readings",
        )
    )


def _nothing(series: DischargeSeries, invoice: str) -> Problem:
    return Problem(
        series.name,
        f"no reading by hand in the service period of invoice {invoice}",
        "Leave the invoice out, or, where there is no reading of it, write "
        "allow_missing_periods = true under [effluent]: it is estimated and marked",
        column="time",
        code="period-without-record",
    )
