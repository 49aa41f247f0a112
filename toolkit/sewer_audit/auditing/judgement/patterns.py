"""What a record and the reads show inside the invoices: the marks that causes leave."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.auditing.volumes.case_device import LEVEL_UNITS, other_sizes
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.case import Case
from sewer_audit.effluent import Periods
from sewer_audit.uncertainty import Draws

__all__ = ["Patterns"]

OFFSETS = np.linspace(-0.06, 0.06, 17)
"""Zero errors at which the record is evaluated again [m]."""
DROWNED_FROM = (0.45, 0.6, 0.75)
"""Shares of the largest head from which tailwater may act (judgement) [-]."""
PEAK = 0.999
GRID = 2e-4
"""Spacing of the levels on which the record is condensed [m]."""
LOW_FLOWS = (0.35, 0.5, 0.65, 0.9)
"""Shares of the time with the lowest flows that count as low flow (judgement) [-]."""
HIGH_FLOWS = (0.0, 0.6, 0.85)
"""Shares of the time below flows from which water may pass round the device (judgement) [-]."""
QUIET = 0.12
"""Share of the time that counts as quiet hours (judgement) [-]."""
CHANGES = 4
"""Instants at which the record changes most that are kept [-]."""
WINDOW = 10.0
"""Stretch before and after an instant that is compared [d]."""
UNIT_RATIOS: Mapping[str, Mapping[str, float]] = {
    "flow": {
        "gpm written, L/s read": 0.0630902,
        "L/s written, gpm read": 15.8503231,
        "gpm written, m3/h read": 0.2271247,
        "m3/h written, gpm read": 4.4028675,
        "L/s written, m3/h read": 3.6,
        "m3/h written, L/s read": 1 / 3.6,
        "flow written twice": 0.5,
        "half of the flow written": 2.0,
    },
    "level": LEVEL_UNITS,
    "velocity": {
        "ft/s written, m/s read": 0.3048,
        "m/s written, ft/s read": 1 / 0.3048,
        "velocity written twice": 0.5,
    },
}
"""True over recorded figure where the unit is mistaken: exact definitions of the units [-]."""
TRIAL = Draws(400, 1)
"""Draws that settle the covariance of the zero between two reads [-]."""


@dataclass(frozen=True)
class Patterns:
    """A record looked at over any periods.

    Units: start, the instant times are counted from [UTC].
    """

    case: Case
    evidence: Evidence
    start: pd.Timestamp

    @property
    def series(self) -> Any:
        """The accepted readings [SI]."""
        return self.evidence.series

    @cached_property
    def method(self) -> str:
        """Kind of record, as the catalogue of causes knows it."""
        device = self.case.device
        if device.level_column is None:
            return "full pipe"
        if self.series.area is not None or np.ndim(self.series.carrier):
            return "area velocity"
        return "slope" if "manning" in str(device.method).lower() else "head"

    @cached_property
    def lasted(self) -> np.ndarray:
        """Time each reading stands for, a gap no longer than ten usual steps [s]."""
        lasted = np.gradient(self.series.time)
        return np.minimum(lasted, 10 * np.median(lasted))

    def spans(self, periods: Periods) -> np.ndarray:
        """First reading of every period and the first after it [-]."""
        return np.searchsorted(self.series.time, periods.seconds(self.series.epoch))

    def volumes(self, periods: Periods) -> tuple[np.ndarray, np.ndarray]:
        """Volume at the mean rate of what was read, and the share of the time that was [m3, -]."""
        flow, lasted = self.series.discharge, self.lasted
        total = np.concatenate([[0.0], np.cumsum(flow * lasted)])
        time = np.concatenate([[0.0], np.cumsum(lasted)])
        edges = np.concatenate([self.series.time, [self.series.time[-1] + lasted[-1]]])
        at = periods.seconds(self.series.epoch)
        volume = np.diff(np.interp(at, edges, total), axis=1)[:, 0]
        covered = np.diff(np.interp(at, edges, time), axis=1)[:, 0]
        length = np.maximum(periods.days * 86400, 1e-9)
        share = covered / length
        return volume / np.maximum(share, 1e-6), share

    def _at(self, times: np.ndarray) -> np.ndarray:
        """Seconds of the record as days from the start."""
        away = (self.series.epoch - self.start) / pd.Timedelta(days=1)
        return times / 86400 + away

    @cached_property
    def changes(self) -> tuple[float, ...]:
        """Instants at which the level of the flow changes most, hour by hour [d]."""
        flow, time = self.series.discharge, self.series.time
        step = np.floor((time - time[0]) / 3600).astype(int)
        count = np.bincount(step)
        hourly = np.bincount(step, flow)[count > 0] / count[count > 0]
        hours = np.flatnonzero(count > 0)
        width = int(WINDOW * 24)
        if len(hourly) < 3 * width or not hourly.mean() > 0:
            return ()
        log = np.log(np.maximum(hourly, 0.01 * hourly.mean()))
        total = np.concatenate([[0.0], np.cumsum(log)])
        middle = np.arange(width, len(log) - width)
        after = (total[middle + width] - total[middle]) / width
        before = (total[middle] - total[middle - width]) / width
        jump = np.abs(after - before)
        found: list[float] = []
        for place in np.argsort(-jump):
            at = float(self._at(np.array(time[0] + 3600.0 * hours[middle[place]])))
            if all(abs(at - other) > WINDOW for other in found):
                found.append(at)
            if len(found) == CHANGES:
                break
        return tuple(found)

    def over(self, periods: Periods) -> dict[str, Any]:
        """Every pattern over these periods, as observations hold them."""
        spans, flow = self.spans(periods), self.series.discharge
        found: dict[str, Any] = {
            "method": self.method,
            "changes": self.changes,
            "low_shares": {
                f"flows of the lowest {100 * share:.0f} % of the time": self._summed(
                    spans, np.where(flow <= np.quantile(flow, share), flow, 0.0)
                )
                for share in LOW_FLOWS
            },
            "high_shares": {
                f"from {100 * share:.0f} % of the time on" if share else "at all flows": (
                    self._summed(spans, np.maximum(flow - _quantile(flow, share), 0.0))
                )
                for share in HIGH_FLOWS
            },
            "night_m3": 86400 * self._quantiles(spans, flow),
            "unit_volumes": self._units(spans),
        }
        if self.evidence.effluent.model.zero is not None:  # type: ignore[union-attr]
            found |= self._levels(spans, periods)
        return found

    def _summed(self, spans: np.ndarray, part: np.ndarray) -> np.ndarray:
        """Share of the volume of every period that belongs to a part of the flow [-]."""
        totals = [np.concatenate([[0.0], np.cumsum(each * self.lasted)]) for each in (
            part, self.series.discharge)]  # fmt: skip
        parts, whole = (np.diff(total[spans], axis=1)[:, 0] for total in totals)
        return parts / np.maximum(whole, 1e-12)

    def _quantiles(self, spans: np.ndarray, values: np.ndarray) -> np.ndarray:
        return np.array([np.quantile(values[a:b], QUIET) if b > a + 8 else 0.0 for a, b in spans])

    def _units(self, spans: np.ndarray) -> dict[str, np.ndarray]:
        """True over recorded volume if written in another unit, always and from each change on."""
        series, device = self.series, self.case.device
        columns = {"flow": 1.0}
        if self.method != "full pipe":
            columns = {"level": 1.0} | ({"velocity": 1.0} if self.method == "area velocity" else {})
        at = self._at(series.time)
        found = {}
        for column in columns:
            for label, ratio in UNIT_RATIOS[column].items():
                if column == "level":
                    with np.errstate(all="ignore"):
                        other = np.nan_to_num(device.rating(series.level * ratio)) * series.carrier
                else:
                    other = series.discharge * ratio
                rows = [self._summed(spans, other)]
                for change in self.changes:
                    rows.append(
                        self._summed(spans, np.where(at >= change, other, series.discharge))
                    )
                found[label] = np.array(rows)
        return found

    def _levels(self, spans: np.ndarray, periods: Periods) -> dict[str, Any]:
        """How volumes and quiet flows would change under another zero, or in another device."""
        effluent, series, device = self.evidence.effluent, self.series, self.case.device
        levels, weights = self._condensed(spans)

        def volumes(by: Any, shift: float = 0.0) -> np.ndarray:
            return weights @ by.rating(np.maximum(levels - shift, 0.0))

        usual = volumes(device)
        seen = self._zero_seen(periods)
        seen["lowest_head_m"] = float(np.quantile(series.level, 0.01))
        some = usual > 0  # a period without days of its own has no flow
        if not some.any():
            if len(effluent.sensitivity) == len(spans):  # type: ignore[union-attr]
                seen["head_sensitivity"] = effluent.sensitivity  # type: ignore[union-attr]
            return seen
        rates, head = device.rating(levels), np.quantile(series.level, PEAK)
        low = self._quantiles(spans, series.level)
        usual = np.where(some, usual, 1.0)
        slope = (volumes(device, -1e-3) - volumes(device, 1e-3)) / 2e-3 / usual
        return {
            **seen,
            "head_sensitivity": slope,
            "zero_offsets_m": OFFSETS,
            "zero_volumes_m3": np.array([volumes(device, shift) for shift in OFFSETS]),
            "zero_night": np.array(
                [device.rating(np.maximum(low - shift, 0.0)) + 1e-9 for shift in OFFSETS]
            ),
            "drowned_patterns": {
                f"tailwater from {spoken.percent(share, 0)} of the largest head on": weights
                @ np.maximum(rates - device.rating(np.array([share * head])), 0.0)
                / usual
                for share in DROWNED_FROM
            },
            "device_ratios": {
                label: np.where(some, volumes(other) / usual, 1.0)
                for label, other in other_sizes(self.case).items()
            },
        }

    def zero_effect(self, periods: Periods, slope: np.ndarray) -> np.ndarray:
        """Relative covariance of the volumes from the zero the record may have, visits counted.

        Units: slope [1/m]; returns [-].
        """
        zero = self.evidence.effluent.zero  # type: ignore[union-attr]
        if zero is None:
            return np.zeros((len(slope), len(slope)))
        drawn = zero.offset.draw(TRIAL)
        ends = np.repeat(zero.edges, 2)[1:-1] + 1e-3 * np.tile([1, -1], len(zero.edges) - 1)
        middle = periods.seconds(self.series.epoch).mean(axis=1)
        offsets = np.array([np.interp(middle, ends, each) for each in drawn])
        return np.atleast_2d(np.cov((offsets * slope).T))

    def _zero_seen(self, periods: Periods) -> dict[str, Any]:
        """How far a lasting zero error can hide from the visits from each period on [m]."""
        zero, causes = self.evidence.effluent.zero, self.evidence.effluent.causes  # type: ignore
        if zero is None or not zero.visits:
            return {}
        gauge = causes.shared.get("gauge datum")
        datum = 0.0 if gauge is None else gauge.standard
        starts = periods.seconds(self.series.epoch)[:, 0]
        seen = [
            np.min([v.standard for v in zero.visits if v.time >= start], initial=np.inf)
            for start in starts
        ]
        return {"zero_seen_m": np.hypot(datum, seen)}

    def _condensed(self, spans: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Levels on a grid [m], and the time (times carrier) spent at each in every period [s]."""
        series = self.series
        low, high = float(series.level.min()), float(series.level.max())
        step = max(GRID, (high - low) / 3_000)
        cell = np.rint((series.level - low) / step).astype(np.int64)
        lasted = self.lasted * series.carrier
        count = int(cell.max()) + 1
        weights = [np.bincount(cell[a:b], lasted[a:b], count) for a, b in spans]
        return low + step * np.arange(count), np.array(weights)


def _quantile(flow: np.ndarray, share: float) -> float:
    return float(np.quantile(flow, share)) if share else 0.0
