"""Minutes of an invented world: instants, the local clock on the wall, and working days."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.signal import lfilter


@dataclass(frozen=True)
class Minutes:
    """Every minute from one local midnight to another."""

    first: str
    last: str
    zone: str

    @cached_property
    def utc(self) -> pd.DatetimeIndex:
        """The instants."""
        ends = [
            pd.Timestamp(day, tz=self.zone).tz_convert("UTC") for day in (self.first, self.last)
        ]
        return pd.date_range(*ends, freq="min", inclusive="left")

    @cached_property
    def local(self) -> pd.DatetimeIndex:
        """The same instants on the local clock."""
        return self.utc.tz_convert(self.zone)

    @cached_property
    def hour(self) -> np.ndarray:
        """Hour of the local clock, with its fraction."""
        return np.asarray(self.local.hour) + np.asarray(self.local.minute) / 60

    @cached_property
    def day(self) -> np.ndarray:
        """Number of the local day, from 0."""
        midnights = self.local.tz_localize(None).normalize()
        return np.asarray((midnights - midnights[0]) // pd.Timedelta(days=1))

    @cached_property
    def dates(self) -> list[date]:
        """The local dates, one per day."""
        start = date.fromisoformat(self.first)
        return [start + timedelta(days=n) for n in range(int(self.day[-1]) + 1)]

    def at(self, instant: str | pd.Timestamp) -> int:
        """Index of the minute of a local time (an instant that exists once)."""
        moment = pd.Timestamp(instant)
        if moment.tzinfo is None:
            moment = moment.tz_localize(self.zone)
        return int((moment - self.utc[0]) // pd.Timedelta(minutes=1))

    def between(self, rate: np.ndarray, start: str, end: str) -> float:
        """Volume of a rate [m3/s] that is constant within each minute [m3]."""
        return float(rate[self.at(start) : self.at(end)].sum() * 60)


def wandering(rng: np.random.Generator, count: int, spread: float, memory: float) -> np.ndarray:
    """Noise of a standard deviation that forgets itself within `memory` steps."""
    keep = np.exp(-1 / memory)
    kicks = rng.standard_normal(count) * spread * np.sqrt(1 - keep**2)
    kicks[0] = rng.standard_normal() * spread
    return lfilter([1.0], [1.0, -keep], kicks)


def smooth_step(hour: np.ndarray, start: float, end: float, ramp: float) -> np.ndarray:
    """One between two hours of the day, with ramps of a given length around them."""
    rise = np.clip((hour - start) / ramp + 0.5, 0, 1)
    fall = np.clip((end - hour) / ramp + 0.5, 0, 1)
    both = np.minimum(rise, fall)
    return both * both * (3 - 2 * both)


def nth_weekday(year: int, month: int, weekday: int, nth: int) -> date:
    """The nth (from 1), or last (-1), given weekday (Monday is 0) of a month."""
    if nth < 0:
        following = date(year + month // 12, month % 12 + 1, 1) - timedelta(days=1)
        return following - timedelta(days=(following.weekday() - weekday) % 7)
    first = date(year, month, 1)
    return first + timedelta(days=(weekday - first.weekday()) % 7 + 7 * (nth - 1))


def holidays(year: int) -> set[date]:
    """Days on which American factories commonly stand still."""
    thanksgiving = nth_weekday(year, 11, 3, 4)
    return {
        date(year, 1, 1),
        nth_weekday(year, 5, 0, -1),
        date(year, 7, 4),
        nth_weekday(year, 9, 0, 1),
        thanksgiving,
        thanksgiving + timedelta(days=1),
        date(year, 12, 24),
        date(year, 12, 25),
        date(year, 12, 26),
    }
