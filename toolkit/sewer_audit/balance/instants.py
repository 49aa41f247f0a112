"""Instants as seconds and service periods as pairs of instants, whatever they came as."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.errors import AuditError

DAY = 86400.0
"""Seconds in a day [s]."""
EPOCH = pd.Timestamp("1970-01-01", tz="UTC")


@dataclass(frozen=True)
class Periods:
    """Service periods, half-open from read to read.

    instants: every instant that bounds a period, in order, each once [s]. first, last: places of
    the start and the end of each period among them.
    """

    instants: np.ndarray
    first: np.ndarray
    last: np.ndarray

    @property
    def days(self) -> np.ndarray:
        """Length of each period [d]."""
        return (self.instants[self.last] - self.instants[self.first]) / DAY

    def between(self, cumulative: np.ndarray) -> np.ndarray:
        """Differences over the periods of something known at the instants."""
        return cumulative[..., self.last] - cumulative[..., self.first]


def as_seconds(times: Any) -> np.ndarray:
    """Instants as seconds since 1970 in UTC.

    Parameters
    ----------
    times : array of datetimes or numbers
        Datetimes with or without zone (without one they count as UTC), or seconds already [s].

    Returns
    -------
    array of the same form
        Seconds [s].
    """
    values = np.asarray(times) if not isinstance(times, (pd.Series, pd.Index)) else times
    if pd.api.types.is_numeric_dtype(values.dtype):
        return np.asarray(values, dtype=float)
    form = np.shape(values)
    stamps = pd.DatetimeIndex(np.ravel(np.asarray(values)))
    if stamps.tz is None:
        stamps = stamps.tz_localize("UTC")
    seconds = np.asarray((stamps - EPOCH) / pd.Timedelta(seconds=1), dtype=float)
    return seconds.reshape(form)


def as_periods(periods: Any, may_be_empty: bool = False) -> Periods:
    """Service periods from a table, from pairs, or from consecutive instants.

    Parameters
    ----------
    periods : DataFrame, array (periods, 2), array (periods + 1,) or Periods
        A table with columns start and end; pairs; or the instants of consecutive periods [s].
    may_be_empty : bool
        Whether a period may end at its start, so that all its volumes are zero: an invoice whose
        days another one holds [-].

    Raises
    ------
    AuditError
        If there is none, an instant is missing, or a period does not end after its start.
    """
    if isinstance(periods, Periods):
        return periods
    if isinstance(periods, pd.DataFrame):
        pairs = np.column_stack([as_seconds(periods["start"]), as_seconds(periods["end"])])
    else:
        pairs = as_seconds(periods)
        if pairs.ndim == 1:
            pairs = np.column_stack([pairs[:-1], pairs[1:]])
    if pairs.ndim != 2 or pairs.shape[1:] != (2,) or not len(pairs):
        raise AuditError(
            "no service periods; give pairs of start and end, or at least two instants"
        )
    after = pairs[:, 1] >= pairs[:, 0] if may_be_empty else pairs[:, 1] > pairs[:, 0]
    wrong = np.flatnonzero(~after)
    if len(wrong):
        raise AuditError(f"period {wrong[0] + 1} does not end after its start; correct its dates")
    instants, place = np.unique(pairs, return_inverse=True)
    place = place.reshape(pairs.shape)
    return Periods(instants, place[:, 0], place[:, 1])
