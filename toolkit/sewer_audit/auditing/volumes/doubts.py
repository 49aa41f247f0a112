"""What in a record may be no measurement, weighed by the volume it would change.

Readings a rule held back, long dry stretches, and the instrument's own totaliser: each is put into
cubic metres for every invoice, and stops the verdict only where it matters.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.case import Case
from sewer_audit.effluent import DischargeSeries, EffluentVolumes, Periods
from sewer_audit.effluent.integrate import stretches
from sewer_audit.errors import Flag
from sewer_audit.records.model import INTERVAL
from sewer_audit.uncertainty import summarise

SECOND = pd.Timedelta(seconds=1)
IDLE = 0.2
"""Share of the usual intake below which a dry stretch is taken as confirmed (judgement) [-]."""
OTHER = 0.05
"""The instrument's own flow further than this from that of the stated device is told (judgement)
[-]."""
APART = 0.02
"""Record and totaliser of one instrument further apart than this are told (judgement) [-]."""


def doubts(
    case: Case, inputs: Inputs, periods: Periods, series: DischargeSeries, volumes: EffluentVolumes
) -> list[Flag]:
    """Flags about readings that may be no measurement.

    Units: series [SI]; volumes [m3].
    """
    spans = periods.seconds(series.epoch)
    bridge = case.data.effluent.longest_bridge  # type: ignore[union-attr]
    pieces = stretches(series.time, spans, np.zeros(0), bridge, series.width)
    found = _held_back(case, inputs, periods, series, pieces)
    found += _odd_days(case, inputs, periods, series, pieces)
    found += _backwards(case, periods, series, inputs, spans)
    found += _own_flow(inputs, series)
    found += _dry(case, inputs, periods, series, spans)
    return found + _totaliser(case, inputs, periods, series, volumes, spans)


def _held_back(
    case: Case, inputs: Inputs, periods: Periods, series: DischargeSeries, pieces: list[Any]
) -> list[Flag]:
    """Volume of every invoice with what a rule held back, and without."""
    held = inputs.logger.held  # type: ignore[union-attr]
    stamps = inputs.logger.frame["time"]  # type: ignore[union-attr]
    flags = []
    nothing = any(float(mark) == 0 for mark in case.data.effluent.not_missing)  # type: ignore[union-attr]
    for rule, (mask, why, real) in held.items():
        at = np.asarray((stamps[mask] - series.epoch) / SECOND, dtype=float)
        out = np.isin(series.time, at)
        if not out.any() or out.all():
            continue
        other = np.interp(series.time, series.time[~out], series.discharge[~out])
        kept, without = np.zeros(len(periods.names)), np.zeros(len(periods.names))
        for piece in pieces:
            kept[piece.period] += piece.weights @ series.discharge[piece.readings]
            without[piece.period] += piece.weights @ other[piece.readings]
        share = np.abs(without - kept) / np.maximum(kept, 1e-9)
        said = nothing and not series.discharge[out].any()
        decides = ~np.full(share.shape, real or said) & (share > case.data.rule.tolerance)
        told = (
            f"{series.name}: the rule {rule!r} would reject {int(mask.sum()):,} readings "
            f"and is held back: {why}. The volume of all invoices is "
            f"{spoken.volume(kept.sum())} with them and {spoken.volume(without.sum())} without"
        )
        data = {"rule": rule, "with_m3": kept.sum(), "without_m3": without.sum()}
        flags.append(Flag("held back", f"{told}.", data))
        if decides.any():
            names = [name for name, each in zip(periods.names, decides, strict=True) if each]
            message = (
                f"{series.name}: what the rule {rule!r} holds back decides the volume of "
                f"{', '.join(names)}; look at the readings and switch the rule off (not_missing = "
                "['0'] if zeros are flow of nothing), or say from which time on they are none. "
                "No verdict rests on the record there."
            )
            flags.append(Flag("held back decides", message, {"rule": rule, "invoices": names}))
    return flags


ODD = {
    "scale change": "are the same multiple of what is usual, as where a unit changed",
    "velocity against depth": "show another velocity at the same depth than usual, as where a "
    "sensor is fouled, a unit changed, or the sewer below stands full",
    "ponding": "stay high for hours without a low, as where the sewer below stands full",
}
"""Marked stretches that look like a fault: what they show [text]."""


def _odd_days(
    case: Case, inputs: Inputs, periods: Periods, series: DischargeSeries, pieces: list[Any]
) -> list[Flag]:
    """Stretches that look like a fault, where they move a volume by more than the tolerance."""
    table = inputs.logger.spans  # type: ignore[union-attr]
    flags = []
    for rule, words in ODD.items():
        out = np.zeros(len(series.time), dtype=bool)
        for row in () if table is None else table[table["rule"] == rule].itertuples():
            ends = ((each - series.epoch) / SECOND for each in (row.start, row.end))
            low, high = np.searchsorted(series.time, list(ends))
            out[low : high + 1] = True
        if not out.any() or out.all():
            continue
        usual = float(series.discharge[~out].mean())
        kept, moved = np.zeros(len(periods.names)), np.zeros(len(periods.names))
        for piece in pieces:
            where = out[piece.readings]
            volume = piece.weights * series.discharge[piece.readings]
            kept[piece.period] += volume.sum()
            moved[piece.period] += abs(volume[where].sum() - usual * piece.weights[where].sum())
        decides = moved > case.data.rule.tolerance * np.maximum(kept, 1e-9)
        names = [name for name, each in zip(periods.names, decides, strict=True) if each]
        if names:
            message = (
                f"{series.name}: readings of {out.mean() * 100:.0f} % of the time {words}. At the "
                f"usual flow the volume would differ by up to {spoken.volume(moved.max())} in one "
                f"invoice. No verdict rests on the record in {', '.join(names)}; correct the "
                "stretch in the case, or have somebody look."
            )
            flags.append(Flag("odd-days", message, {"rule": rule, "invoices": names}))
    return flags


def _backwards(
    case: Case, periods: Periods, series: DischargeSeries, inputs: Inputs, spans: np.ndarray
) -> list[Flag]:
    """Flow below nothing, accepted or rejected, that a volume would notice."""
    frame = inputs.logger.frame  # type: ignore[union-attr]
    if "flow" not in frame:
        return []
    flow = np.nan_to_num(frame["flow"].to_numpy(dtype=float))
    time = np.asarray((frame["time"] - series.epoch) / SECOND, dtype=float)
    names = []
    for name, (start, end) in zip(periods.names, spans, strict=True):
        inside = flow[(time >= start) & (time < end)]
        back, ahead = -inside[inside < 0].sum(), inside[inside > 0].sum()
        if back > case.data.rule.tolerance / 2 * max(ahead, 1e-12):
            names.append(name)
    if not names:
        return []
    message = (
        f"{series.name}: flow below nothing makes up more than half the tolerance of the volume in "
        f"{', '.join(names)}: an offset of the meter, a sign, or water that comes back. No verdict "
        "rests on the record there."
    )
    return [Flag("flow-below-zero", message, {"invoices": names})]


def _own_flow(inputs: Inputs, series: DischargeSeries) -> list[Flag]:
    """The flow the instrument works out itself beside that of the stated device."""
    frame = inputs.logger.frame  # type: ignore[union-attr]
    if "flow" not in frame or series.flat:
        return []
    time = np.asarray((frame["time"] - series.epoch) / SECOND, dtype=float)
    shown = frame["flow"].to_numpy(dtype=float)[np.isin(time, series.time)]
    known = np.isfinite(shown)
    ours = float(series.discharge[known].sum()) if len(shown) == len(known) else 0.0
    share = float(shown[known].sum()) / ours - 1 if ours > 0 else 0.0
    if abs(share) <= OTHER:
        return []
    message = (
        f"{series.name}: the flow the instrument shows is {100 * share:+.0f} % off what its own "
        "level gives by the stated device: it is set to another device or size, or the case states "
        "the wrong one. The volume follows the level; measure the device."
    )
    return [Flag("flow-of-another-rating", message, {"share": share})]


def _dry(
    case: Case, inputs: Inputs, periods: Periods, series: DischargeSeries, spans: np.ndarray
) -> list[Flag]:
    """Stretches without water that the site's own pauses do not explain, nor its intake."""
    if not series.discharge.any():
        message = f"{series.name}: no reading of the whole record shows any flow; a record of "
        message += "nothing is no measurement of nothing. No verdict rests on it."
        return [Flag("dry-or-dead", message)]
    table = inputs.logger.spans  # type: ignore[union-attr]
    if table is None:
        return []
    running = series.discharge[series.discharge > 0]
    usual = float(np.median(running)) if len(running) else 0.0
    lost = np.zeros(len(spans))
    hours = 0.0
    for row in table[table["rule"] == "dry or dead"].itertuples():
        start, end = ((each - series.epoch) / SECOND for each in (row.start, row.end))
        if _idle(inputs, row.start, row.end):
            continue
        hours += (end - start) / 3600
        inside = np.minimum(spans[:, 1], end) - np.maximum(spans[:, 0], start)
        lost += np.maximum(inside, 0.0) * usual
    total = np.zeros(len(spans))
    bridge = case.data.effluent.longest_bridge  # type: ignore[union-attr]
    for piece in stretches(series.time, spans, np.zeros(0), bridge, series.width):
        total[piece.period] += piece.weights @ series.discharge[piece.readings]
    names = [
        name
        for name, missing, volume in zip(periods.names, lost, total, strict=True)
        if missing > case.data.rule.tolerance * max(volume, 1e-9)
    ]
    if not names:
        return []
    message = (
        f"{series.name}: for {hours:.0f} h the record shows no water for far longer than the "
        "site's own pauses, and no intake confirms that it stood still: a closed plant, or a "
        f"sensor out of the water. At the usual flow up to {spoken.volume(lost.sum())} passed "
        f"unseen. No verdict rests on the record in {', '.join(names)}."
    )
    return [Flag("dry-or-dead", message, {"invoices": names, "hours": hours, "m3": lost.sum()})]


def _idle(inputs: Inputs, start: pd.Timestamp, end: pd.Timestamp) -> bool:
    """Whether the supply meters stood nearly still between the first and the last read inside."""
    rates = []
    for record in inputs.meters.values():
        known = record.frame[record.frame["volume_m3"].notna()]
        at, volume = known["time"], known["volume_m3"].to_numpy(dtype=float)
        inside = np.flatnonzero((at >= start) & (at <= end))
        if len(inside) < 2 or not volume[-1] > volume[0]:
            return False
        first, last = inside[0], inside[-1]
        days = (at.iloc[last] - at.iloc[first]) / SECOND
        whole = (at.iloc[-1] - at.iloc[0]) / SECOND
        rates.append((volume[last] - volume[first]) / days * whole / (volume[-1] - volume[0]))
    return bool(rates) and max(rates) < IDLE


def _totaliser(
    case: Case,
    inputs: Inputs,
    periods: Periods,
    series: DischargeSeries,
    volumes: EffluentVolumes,
    spans: np.ndarray,
) -> list[Flag]:
    """The instrument's own totaliser beside the interval of every invoice."""
    frame = inputs.logger.frame  # type: ignore[union-attr]
    if "totaliser" not in frame or series.flat is False:
        return []
    counted = counted_volumes(case, frame, series, spans)
    apart, outside, inside = [], [], []
    for place, name in enumerate(periods.names):
        if not np.isfinite(counted[place]):
            continue
        found = summarise(volumes.volumes[:, place], case.data.rule.coverage)
        within = found.low <= counted[place] <= found.high
        (inside if within else outside).append(name)
        if abs(counted[place] / max(found.mean, 1e-9) - 1) > APART:
            apart.append(name)
    flags = []
    if outside:
        message = (
            f"{series.name}: the instrument's own totaliser lies outside the interval of the "
            f"volume in {', '.join(outside)}: the record does not show all that was counted, or "
            "shows more. No verdict rests on it there."
        )
        flags.append(Flag("totaliser-outside", message, {"invoices": outside}))
    if inside:
        message = (
            f"{series.name}: the instrument's own totaliser lies inside the interval of the volume "
            f"in {len(inside)} of {len(inside) + len(outside)} invoices"
        )
        message += (
            f"; it is more than {spoken.percent(APART, 0)} away in {', '.join(apart)}."
            if (apart)
            else "."
        )
        flags.append(Flag("totaliser-agrees", message, {"inside": inside, "apart": apart}))
    return flags


def counted_volumes(
    case: Case, frame: pd.DataFrame, series: DischargeSeries, spans: np.ndarray
) -> np.ndarray:
    """Volume counted in every period; across a fall the flow of the record itself counts.

    Units: spans [s]; returns [m3].
    """
    total = frame["totaliser"].to_numpy(dtype=float)
    known = np.isfinite(total)
    time = np.asarray((frame["time"] - series.epoch) / SECOND, dtype=float)
    if INTERVAL in frame:  # the count stands at the stamp, not in the middle
        side = {"interval end": 0.5, "interval start": -0.5}
        stamp = case.data.effluent.stamp  # type: ignore[union-attr]
        time = time + side.get(stamp, 0.0) * frame[INTERVAL].to_numpy(dtype=float)
    time, total = time[known], total[known]
    if len(time) < 2:
        return np.full(len(spans), np.nan)
    steps = np.diff(total)
    flow = np.interp(time[1:], series.time, series.discharge) * np.diff(time)
    steps = np.where(steps < 0, flow, steps)
    sums = np.concatenate([[0.0], np.cumsum(steps)])
    counted = np.diff(np.interp(spans, time, sums), axis=1)[:, 0]
    gap = 2 * float(np.median(np.diff(time)))
    reached = (spans[:, 0] >= time[0] - gap) & (spans[:, 1] <= time[-1] + gap)
    return np.where(reached & (spans[:, 1] > spans[:, 0]), counted, np.nan)
