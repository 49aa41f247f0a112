"""Service periods, from read to read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Periods:
    """Half-open service periods, from read to read; one that ends at its start has no days.

    Parameters
    ----------
    names : tuple of str
        Invoice numbers [text].
    start, end : DatetimeIndex (periods,)
        Instants of the reads [UTC].
    zone : str
        Zone whose clock the weekly pattern follows [text].
    """

    names: tuple[str, ...]
    start: pd.DatetimeIndex
    end: pd.DatetimeIndex
    zone: str

    @property
    def lasting(self) -> np.ndarray:
        """Whether each period has any time at all [-]."""
        return np.asarray(self.end > self.start)

    @property
    def days(self) -> np.ndarray:
        """Length of each period [d]."""
        return np.asarray((self.end - self.start) / pd.Timedelta(days=1), dtype=float)

    def seconds(self, epoch: pd.Timestamp) -> np.ndarray:
        """Starts and ends counted from an instant. Units: epoch [UTC]; returns [s]."""
        second = pd.Timedelta(seconds=1)
        return np.column_stack([(self.start - epoch) / second, (self.end - epoch) / second])
