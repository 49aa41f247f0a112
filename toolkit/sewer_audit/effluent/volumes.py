"""From a screened logger record to the volume of every service period, as draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.effluent.check import SelfCheck, check_against_brute_force
from sewer_audit.effluent.defaults import SUBMERGED, CauseSet
from sewer_audit.effluent.integrate import Stretch, find_gaps, stretches
from sewer_audit.effluent.model import EffluentModel, Independent
from sewer_audit.effluent.periods import Periods
from sewer_audit.effluent.rating import SOLIDS, UncertainRating
from sewer_audit.effluent.readings.fitness import (
    NO_LIMITS,
    Limits,
    bridge_error,
    fitness_flags,
    hidden_events,
)
from sewer_audit.effluent.readings.gap_intake import BETTER, intake_course
from sewer_audit.effluent.readings.gaps import (
    GapFill,
    HourlyRecord,
    fill_gap,
    highest_hour,
    hold_out_error,
    hourly_record,
    unseen_seconds,
)
from sewer_audit.effluent.readings.means import mean_correction
from sewer_audit.effluent.readings.noise import in_step, noise_volumes, sampling_error
from sewer_audit.effluent.readings.quality import gap_frame, period_quality, quality_flags
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.effluent.shared import (
    acting_causes,
    known_integral,
    record_rating,
    record_table,
    zero_sensitivity,
)
from sewer_audit.effluent.table import OffsetTable
from sewer_audit.effluent.zero import ZeroPath
from sewer_audit.errors import Flag, InputRefused, Problem
from sewer_audit.uncertainty import Cause, Draws

__all__ = ["EffluentVolumes", "Periods", "period_volumes"]


@dataclass(frozen=True)
class EffluentVolumes:
    """Effluent volume of every service period, its causes and its quality.

    Parameters
    ----------
    volumes : array (draws, periods)
        Draws of the volume [m3].
    model : EffluentModel
        The volume as a function of its causes [m3].
    quality : DataFrame
        One row per period: seconds by status, coverage, longest gap, estimated share [-].
    gaps : DataFrame
        Every gap with its estimated volume and standard uncertainty [m3].
    causes : CauseSet
        The causes with their sources [SI].
    check : SelfCheck
        Disagreement between the fast scheme and brute force [-].
    noise_bias : array (periods,)
        Volume that head noise in the record had added, removed here [m3].
    sensitivity : array (periods,)
        Relative change of the volume per metre of zero error [1/m].
    zero : ZeroPath or None
        What the visits say about the zero [m].
    flags : tuple of Flag
        What the reader must know [-].
    room : array (periods, 2)
        What the volume changes by if nothing, or the highest hour of the record, ran through the
        gaps [m3].
    """

    volumes: np.ndarray
    model: EffluentModel
    quality: pd.DataFrame
    gaps: pd.DataFrame
    causes: CauseSet
    check: SelfCheck
    noise_bias: np.ndarray
    sensitivity: np.ndarray
    zero: ZeroPath | None
    flags: tuple[Flag, ...]
    room: np.ndarray

    @property
    def reads_high(self) -> tuple[str, ...]:
        """What may have made the device read too high, as nothing excludes it [text]."""
        drifts = self.zero is not None and self.causes.drift is not None  # no ruler does
        unread = drifts and not self.zero.visited
        return tuple(name for name in (SUBMERGED, SOLIDS) if name in self.causes.shared) + (
            ("no hand reading",) if unread else ()
        )


def period_volumes(
    series: DischargeSeries,
    device: Any,
    periods: Periods,
    causes: CauseSet,
    zero: ZeroPath | None,
    draws: Draws,
    longest_bridge: float,
    allow_missing: bool = False,
    registers: Sequence[tuple[np.ndarray, np.ndarray]] = (),
    limits: Limits = NO_LIMITS,
) -> EffluentVolumes:
    """Volume of each service period with everything uncertain about it.

    Units: series [SI]; periods [UTC]; causes [SI]; returns [m3].

    Raises
    ------
    InputRefused
        If a period holds no accepted reading and that was not allowed.
    """
    spans = periods.seconds(series.epoch)
    edges = zero.edges if zero is not None else series.time[[0, -1]]
    pieces = stretches(series.time, spans, edges[1:-1], longest_bridge, series.width)
    _refuse_empty(pieces, periods, series, spans, allow_missing)
    rating = record_rating(series, device, causes, zero)
    table = record_table(series, rating, causes, zero, pieces, edges)
    bins = _hours_of_week(series, periods.zone)
    hours = hourly_record(series.time, series.discharge, longest_bridge, bins, series.width)
    hourly = hours.start + 3600.0 * np.arange(len(bins) + 1)
    with_intake = replace(hours, intake=intake_course(hourly, registers, bins))
    whole = find_gaps(series.time, spans.min(), spans.max(), longest_bridge, series.width)
    fills = [_fills(hours, with_intake, whole, span) for span in spans]
    quality = period_quality(series, pieces, spans, periods, fills)
    hidden = mean_correction(
        series, lambda level: rating(level, {}), limits.tolerance, said=limits.said
    )
    bridged = bridge_error(series, spans, hold_out_error(hours, 3600.0) / 3600.0, longest_bridge)
    unseen = [each for each in (hidden.cause, in_step(series, pieces)) if each is not None]
    model = _model(series, rating, table, pieces, spans, causes, zero, fills, unseen, bridged)
    check = check_against_brute_force(model, rating, series, pieces, edges, draws)
    volumes = model.draw(draws)
    flags = [*hidden.flags, *quality_flags(quality, check)]
    flags += fitness_flags(series, pieces, spans, quality, volumes, limits)
    most = highest_hour(hours)
    flags += hidden_events(series, periods.names, fills, most, volumes, limits)
    return EffluentVolumes(
        volumes,
        model,
        quality,
        gap_frame(fills, periods, series),
        causes,
        check,
        _per_period(model, table.noise_bias * model.noise_variance),
        zero_sensitivity(model),
        zero,
        tuple(flags),
        _room(fills, most),
    )


def _refuse_empty(
    pieces: Sequence[Stretch],
    periods: Periods,
    series: DischargeSeries,
    spans: np.ndarray,
    allow: bool,
) -> None:
    """Refuse periods no row of the record reaches; one whose rows were rejected has no coverage."""
    held = {piece.period for piece in pieces}
    lasting = np.flatnonzero(periods.lasting)
    empty = [periods.names[place] for place in lasting if place not in held]
    if held and series.lost is not None:
        rejected = {
            periods.names[place]
            for place in lasting
            if ((series.lost >= spans[place, 0]) & (series.lost < spans[place, 1])).any()
        }
        empty = [name for name in empty if name not in rejected]
    if empty and (not allow or not held):
        raise InputRefused(
            [
                Problem(
                    series.name,
                    f"no accepted reading in the service period of invoice {name}",
                    "Add the record of those days, leave the invoice out, or, where there is "
                    "none, write allow_missing_periods = true under [effluent]: it is estimated "
                    "and marked",
                    column="time",
                    code="period-without-record",
                )
                for name in empty
            ]
        )


def _model(
    series: DischargeSeries,
    rating: UncertainRating,
    table: OffsetTable,
    pieces: Sequence[Stretch],
    spans: np.ndarray,
    causes: CauseSet,
    zero: ZeroPath | None,
    fills: Sequence[Sequence[GapFill]],
    hidden: Sequence[Cause],
    bridged: np.ndarray,
) -> EffluentModel:
    count = len(spans)
    measured = known_integral(series.discharge, pieces, count)
    filled = np.array([sum(fill.volume for fill in each) for each in fills])
    spread = np.array([sum(f.standard_uncertainty**2 for f in each) for each in fills]) ** 0.5
    spread = np.hypot(spread, bridged)
    acting, additive = acting_causes(series, table, pieces, spans, causes)
    scales = dict(causes.scales)
    for cause in hidden:
        acting[cause.name], scales[cause.name] = cause, 1.0
    unseen = np.array([sum(fill.unseen for fill in each) for each in fills])
    if unseen.any():
        acting[UNSEEN], additive[UNSEEN] = _unseen_cause(), unseen
    if series.doubtful is not None and series.doubtful.any():
        acting[DOUBTFUL.name] = DOUBTFUL
        counts = np.where(series.doubtful, series.discharge, 0.0)
        additive[DOUBTFUL.name] = known_integral(counts, pieces, count)
    independent = [
        Independent(_gap_cause(spread, measured + filled), spread),
        sampling_error(series, pieces, spans),
    ]
    variance = 0.0
    if causes.noise is not None:
        up, down = (rating.flow(series, series.level + side, {}) for side in (1e-4, -1e-4))
        slope = (up - down) / 2e-4
        independent.append(noise_volumes(series, pieces, count, causes.noise, slope))
        variance = causes.noise.standard**2
    if causes.velocity_noise is not None and series.area is not None:
        slope = series.area * getattr(rating.device, "velocity_factor", 1.0)
        independent.append(noise_volumes(series, pieces, count, causes.velocity_noise, slope))
    return EffluentModel(
        table,
        np.array([piece.period for piece in pieces]),
        np.array([piece.interval for piece in pieces]),
        count,
        zero.offset if zero is not None else None,
        acting,
        scales,
        additive,
        tuple(independent),
        np.where(measured > 0, filled / np.where(measured > 0, measured, 1.0), 0.0),
        np.where(measured > 0, 0.0, filled),
        variance,
    )


UNSEEN = "hours the record never shows"
DOUBTFUL = Cause(
    "readings the record calls doubtful",
    0.10,
    persistence="whole record",
    source="judgement: a doubtful reading errs by some 10 % of its discharge, all alike",
    default=True,
)


def _unseen_cause() -> Cause:
    return Cause(
        UNSEEN,
        1 / np.sqrt(3.0),
        shape="rectangular",
        persistence="whole record",
        source="kinds of hour that are always lost may have any flow from nothing to the highest "
        "hour seen (judgement)",
        default=True,
    )


def _gap_cause(spread: np.ndarray, total: np.ndarray) -> Cause:
    relative = float(np.sqrt(np.mean((spread / np.where(total > 0, total, 1.0)) ** 2)))
    return Cause(
        "gap filling",
        relative,
        unit="1",
        persistence="each reading",
        source="hold-out gaps cut from good stretches of the same record",
        default=True,
    )


def _hours_of_week(series: DischargeSeries, zone: str) -> np.ndarray:
    first = np.floor(series.time[0] / 3600.0)
    hours = int(np.ceil(series.time[-1] / 3600.0) - first)
    clock = series.epoch + pd.to_timedelta(first + np.arange(max(hours, 1)), unit="h")
    local = pd.DatetimeIndex(clock).tz_convert(zone)
    return np.asarray(local.day_of_week * 24 + local.hour)


def _fills(
    hours: HourlyRecord, with_intake: HourlyRecord, gaps: np.ndarray, span: np.ndarray
) -> list[GapFill]:
    """Parts of the gaps that lie in one period; the whole gap sets their scale."""
    found = []
    for gap in gaps[(gaps[:, 1] > span[0]) & (gaps[:, 0] < span[1])]:
        start, end = max(gap[0], span[0]), min(gap[1], span[1])
        record, error, follows = hours, hold_out_error(hours, end - start), False
        if with_intake.intake is not None:
            whole = gap[1] - gap[0]
            better = hold_out_error(with_intake, whole) < BETTER * hold_out_error(hours, whole)
            if better:
                record, follows = with_intake, True
                error = hold_out_error(with_intake, end - start)
        volume = fill_gap(record, start, end, (gap[0], gap[1]))
        unseen, half = unseen_seconds(hours, start, end, (span[0], span[1])), 0.0
        if unseen > 0:
            half = unseen * highest_hour(hours) / 2
            known = 1 - unseen / (end - start)
            volume, error = known * volume + half, known * error
        found.append(GapFill(start, end, volume, error, follows, half))
    return found


def _room(fills: Sequence[Sequence[GapFill]], most: float) -> np.ndarray:
    """What nothing, and the highest hour, in every gap change a period's volume by [m3]."""
    filled = np.array([sum(each.volume for each in period) for period in fills])
    seconds = np.array([sum(each.end - each.start for each in period) for period in fills])
    return np.column_stack([-filled, np.maximum(most * seconds - filled, 0.0)])


def _per_period(model: EffluentModel, values: np.ndarray) -> np.ndarray:
    return np.bincount(model.period, values, model.periods)
