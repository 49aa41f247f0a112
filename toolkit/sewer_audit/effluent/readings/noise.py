"""Causes that act on every reading: noise of the level, and the time between readings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sewer_audit.effluent.integrate import Stretch
from sewer_audit.effluent.model import Independent
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.uncertainty import Cause, noise_variance

__all__ = ["noise_volumes", "sampling_error"]


def noise_volumes(
    series: DischargeSeries, pieces: Sequence[Stretch], count: int, noise: Cause, slope: np.ndarray
) -> Independent:
    """What the noise of the level, or of the velocity, leaves in the volume of each period.

    Units: series [SI]; pieces [s]; noise [m or m/s]; slope [m2/s or m2]; returns [m3].
    """
    variance = np.zeros(count)
    for piece in pieces:
        where = piece.readings
        effect = piece.weights * slope[where]
        variance[piece.period] += noise_variance(
            effect, series.time[where], noise.time_constant, noise.standard
        )
    return Independent(noise, np.sqrt(variance))


def sampling_error(
    series: DischargeSeries, pieces: Sequence[Stretch], spans: np.ndarray
) -> Independent:
    """What the flow between readings adds to the uncertainty of each period.

    Units: series [SI]; pieces [s]; spans [s]; returns [m3].

    Notes
    -----
    On an even interval dt the straight line misses a share of each change between readings. With
    first and second differences d1 and d2, taking every second reading moves the volume by
    sum d2 dt/2. A course without memory (d2^2 = 3 d1^2 in the mean) is a sample of every instant by
    itself: u^2 = sum (d2 dt)^2 / 6. A walk (d2^2 = 2 d1^2) errs by less than sum (d2 dt)^2 / 16, a
    smooth course by far less. Between the two the divisor follows the ratio. Noise in the record
    raises d2, so this is on the safe side. A mean over an interval misses nothing; only where an
    instant of an invoice cuts one, the part inside may carry what its neighbours differ by.

    References
    ----------
    Error of the trapezoidal rule estimated by halving the interval: any numerical analysis text.
    """
    flow = series.discharge
    variance = np.zeros(len(spans))
    if series.width is not None:
        step = np.abs(np.diff(flow, prepend=flow[:1], append=flow[-1:]))
        near = np.maximum(step[:-1], step[1:])
        for piece in pieces:
            where = piece.readings
            part = np.clip(piece.weights / series.width[where], 0.0, 1.0)
            cut = part * (1 - part) * series.width[where] * near[where]
            variance[piece.period] += float(np.sum(cut[[0, -1]] ** 2))
    else:
        bend = np.zeros(len(flow))
        bend[1:-1] = flow[:-2] - 2 * flow[1:-1] + flow[2:]
        changes = float(np.mean(np.diff(flow) ** 2))
        memory = np.clip(np.mean(bend**2) / changes - 2, 0.0, 1.0) if changes else 0.0
        divisor = 1 / (1 / 16 + memory * (1 / 6 - 1 / 16))
        for piece in pieces:
            where = piece.readings
            variance[piece.period] += np.sum((bend[where] * piece.weights) ** 2) / divisor
    spread = np.sqrt(variance)
    total = sum(float(piece.weights @ flow[piece.readings]) for piece in pieces)
    relative = float(np.sqrt(np.sum(variance)) / abs(total)) if total else 0.0
    return Independent(
        Cause(
            "sampling interval",
            relative,
            persistence="each reading",
            source="means are summed; parts of those an instant cuts"
            if series.width is not None
            else "second differences of the record itself (halving the interval)",
            default=True,
        ),
        spread,
    )
