"""Second opinions of the tests beside `records.steps`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sewer_audit.records.clock.zones import utc_values


@dataclass(frozen=True)
class Durations:
    """How the span of a record divides.

    Units: span [s]; accepted [s]; gaps [s].
    """

    span: float
    accepted: float
    gaps: float


def accepted_durations(frame: pd.DataFrame, longest: float) -> Durations:
    """How much of a record's span is covered by accepted readings.

    Units: longest [s]; returns [s].
    """
    time = utc_values(frame["time"])
    if not len(time):
        return Durations(0.0, 0.0, 0.0)
    second = np.timedelta64(1, "s")
    good = time[(frame["status"] == "measured").to_numpy()]
    span = float((time[-1] - time[0]) / second)
    steps = np.diff(good) / second
    covered = float(steps[steps <= longest].sum())
    open_ends = span
    if len(good):
        open_ends = float((good[0] - time[0]) / second + (time[-1] - good[-1]) / second)
    return Durations(span, covered, float(steps[steps > longest].sum()) + open_ends)
