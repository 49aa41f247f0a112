"""What in a record and its volumes is no measurement, told as flags the gate acts on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.effluent.integrate import Stretch
from sewer_audit.effluent.readings.gaps import GapFill
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.errors import Flag
from sewer_audit.records.clock.steps import usual_steps

__all__ = ["NO_LIMITS", "Limits", "bridge_error", "fitness_flags", "hidden_events", "open_time"]

USUAL = 1.5
"""An interval of so many usual ones lost a reading [-]."""
OUTSIDE = 0.25
"""Share of a volume read outside the published range, other than above it, from which on the record
is taken as mostly outside (judgement: 20 % of error in it reach 5 % of the whole) [-]."""
LOSSES, AT_PEAKS, LOST = 8, 0.85, 0.005
"""Losses at high flow: how many, mean rank of the flow beside them, and the share of time lost from
which on it matters (judgement) [-]."""
GAPS, EVENT, ABOVE = 5, 28800.0, 2.0
"""Gaps from which on chance is no reason; how long an event lasts [s]; its flow over the highest
hour of the record (judgement) [-]."""


@dataclass(frozen=True)
class Limits:
    """What the decision rule asks of a record, and whether the case says what its rows are."""

    coverage: float = 0.0
    tolerance: float = 0.05
    said: bool = True


NO_LIMITS = Limits()


def open_time(series: DischargeSeries, spans: np.ndarray) -> np.ndarray:
    """Time in every span on which no reading was accepted.

    Units: spans [s]; returns [s].
    """
    step = np.diff(series.time)
    if not len(step):
        return np.zeros(len(spans))
    if series.width is None:
        begin, open_part = series.time[:-1], step
        some = np.flatnonzero(step > USUAL * usual_steps(step)[0])
    else:
        begin = series.time[:-1] + series.width[:-1] / 2
        open_part = step - (series.width[:-1] + series.width[1:]) / 2
        some = np.flatnonzero(open_part > 0.5 * float(np.median(series.width)))
    if not len(some):
        return np.zeros(len(spans))
    ends = np.column_stack([begin[some], begin[some] + open_part[some]]).ravel()
    passed = np.repeat(np.concatenate([[0.0], np.cumsum(open_part[some])]), 2)[1:-1]
    return np.diff(np.interp(spans, ends, passed), axis=1)[:, 0]


def bridge_error(
    series: DischargeSeries, spans: np.ndarray, per_second: float, longest_bridge: float
) -> np.ndarray:
    """What joining readings across short losses leaves uncertain, from hold-out gaps of an hour.

    Units: spans [s]; per_second [m3/s]; longest_bridge [s]; returns [m3].
    """
    step = np.diff(series.time)
    usual = usual_steps(step)[0]
    short = np.where((step > USUAL * usual) & (step <= longest_bridge + usual), step, 0.0)
    sums = np.concatenate([[0.0], np.cumsum(short**2)])
    place = np.searchsorted(series.time, spans).clip(0, len(sums) - 1)
    return per_second * np.sqrt(sums[place[:, 1]] - sums[place[:, 0]])


def fitness_flags(
    series: DischargeSeries,
    pieces: Sequence[Stretch],
    spans: np.ndarray,
    quality: pd.DataFrame,
    volumes: np.ndarray,
    limits: Limits,
) -> list[Flag]:
    """Which volumes carry no verdict, and why.

    Units: series [SI]; pieces [s]; spans [s]; quality [s]; volumes [m3].
    """
    names = quality["invoice"].tolist()
    found = [
        Flag(
            "coverage-below-the-rule",
            f"Invoice {row.invoice}: accepted readings cover {spoken.percent(row.record_coverage)} "
            f"of the service period; the rule asks for {spoken.percent(limits.coverage, 0)}. No "
            "verdict rests on the record there.",
            {"invoice": row.invoice, "coverage": row.record_coverage},
        )
        for row in quality.itertuples()
        if row.record_coverage < limits.coverage
    ]
    mean = volumes.mean(axis=0)
    some = np.abs(mean) > 1e-3 * np.abs(mean).max(initial=0.0)  # else noise about nothing
    below = [names[k] for k in np.flatnonzero(((volumes < 0).mean(axis=0) > 0.025) & some)]
    if below:
        found.append(
            Flag(
                "effluent-below-zero",
                f"{series.name}: the effluent volume of {', '.join(below)} may be below nothing "
                "(more than 2.5 % of the draws are); a sign, a zero or a column is wrong.",
                {"invoices": below},
            )
        )
    found += _outside(series, pieces, names, limits)
    return found + _at_peaks(series, spans, names)


def hidden_events(
    series: DischargeSeries,
    names: Sequence[str],
    fills: Sequence[Sequence[GapFill]],
    most: float,
    volumes: np.ndarray,
    limits: Limits,
) -> list[Flag]:
    """Gaps so many and so long that an event in each would decide the volume.

    Units: series [SI]; fills [m3]; most [m3/s]; volumes [m3].

    Notes
    -----
    A storm or a wash-down that drowns the logger starts at usual flow and is over before it comes
    back, so the readings around the gaps say nothing of it. It is taken to last no longer than
    eight hours and to reach twice the highest hour of the record (judgement).
    """
    if len({fill.start for each in fills for fill in each}) < GAPS:
        return []
    mean, more = volumes.mean(axis=0), np.zeros(len(names))
    for place, each in enumerate(fills):
        for fill in each:
            known = 1 - 2 * fill.unseen / max(fill.volume + fill.unseen, 1e-12)
            share = min(EVENT / (fill.end - fill.start), 1.0) * max(known, 0.0)
            ran = ABOVE * most * (fill.end - fill.start) - fill.volume
            more[place] += share * max(ran, 0.0)
    told = [names[place] for place in np.flatnonzero(more > limits.tolerance * np.abs(mean))]
    if not told:
        return []
    return [
        Flag(
            "gaps-may-hide-events",
            f"{series.name}: nothing says why the record is silent so often. High flow in each gap "
            f"(twice the highest hour of the record, for up to {EVENT / 3600:.0f} h) would add up "
            f"to {spoken.volume(float(more.max()))}, more than the tolerance, in "
            f"{', '.join(told)}. No verdict rests on the record there unless the balance agrees.",
            {"invoices": told, "m3": float(more.max())},
        )
    ]


def _outside(
    series: DischargeSeries, pieces: Sequence[Stretch], names: list[str], limits: Limits
) -> list[Flag]:
    """Volumes whose readings lie outside what is published for the device."""
    flow = np.abs(series.discharge)
    others = np.zeros(len(flow), dtype=bool)
    for name in ("below head limit", "surcharged", "submerged beyond correction", "drowned"):
        others |= np.asarray(series.spoiled.get(name, False), dtype=bool)
    above = np.asarray(series.spoiled.get("above head limit", np.zeros(len(flow))), dtype=bool)
    total, shares = np.zeros(len(names)), np.zeros((2, len(names)))
    for piece in pieces:
        volume = piece.weights * flow[piece.readings]
        total[piece.period] += volume.sum()
        for row, where in enumerate((above, others)):
            shares[row, piece.period] += volume[where[piece.readings]].sum()
    shares = np.divide(shares, total, out=np.zeros_like(shares), where=total > 0)
    found = []
    for code, share, limit, words in (
        ("above-published-limit", shares[0], limits.tolerance, "above the highest published head"),
        ("mostly-outside-the-range", shares[1], OUTSIDE, "outside the range of the method"),
    ):
        places = np.flatnonzero(share > limit)
        if len(places):
            told = [names[place] for place in places]
            found.append(
                Flag(
                    code,
                    f"{series.name}: up to {spoken.percent(float(share.max()))} of the volume of "
                    f"{', '.join(told)} comes from readings {words}. No verdict rests on it.",
                    {"invoices": told, "share": float(share.max())},
                )
            )
    return found


def _at_peaks(series: DischargeSeries, spans: np.ndarray, names: list[str]) -> list[Flag]:
    """Losses that come at high flow, so that the readings around them say too little."""
    step = np.diff(series.time)
    if len(step) < 100:
        return []
    wide = np.flatnonzero(step > USUAL * usual_steps(step)[0])
    lost = open_time(series, spans)
    share = lost / np.maximum(spans[:, 1] - spans[:, 0], 1.0)
    if len(wide) < LOSSES or not (share > LOST).any():
        return []
    order = np.sort(series.discharge)
    beside = np.concatenate([series.discharge[wide], series.discharge[wide + 1]])
    below = np.searchsorted(order, beside, "left") + np.searchsorted(order, beside, "right")
    rank = float(below.mean() / (2 * len(order)))
    if rank < AT_PEAKS:
        return []
    told = [names[place] for place in np.flatnonzero(share > LOST)]
    return [
        Flag(
            "losses-at-high-flow",
            f"{series.name}: {len(wide)} losses of readings come at high flow (the flow beside "
            f"them exceeds {spoken.percent(rank, 0)} of all readings in the mean): peaks are "
            f"missing in {', '.join(told)}, and nothing says how high they were. No verdict "
            "rests on the record there.",
            {"invoices": told, "losses": len(wide), "rank": rank},
        )
    ]
