"""Causes that act on every reading: noise of the level, and the time between readings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sewer_audit.effluent.integrate import Stretch
from sewer_audit.effluent.model import Independent
from sewer_audit.effluent.series import DischargeSeries
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
    second differences d_i = q_(i-1) - 2 q_i + q_(i+1), taking every second reading moves the
    volume by sum d_i dt/2 with random signs; the full record errs by about a quarter of that
    variance: u^2 = sum (d_i dt_i)^2 / 16. Noise in the record raises d, so this is on the safe
    side.

    References
    ----------
    Error of the trapezoidal rule estimated by halving the interval: any numerical analysis text.
    """
    flow = series.discharge
    bend = np.zeros(len(flow))
    bend[1:-1] = flow[:-2] - 2 * flow[1:-1] + flow[2:]
    variance = np.zeros(len(spans))
    for piece in pieces:
        where = piece.readings
        variance[piece.period] += float(np.sum((bend[where] * piece.weights) ** 2)) / 16
    spread = np.sqrt(variance)
    total = sum(float(piece.weights @ flow[piece.readings]) for piece in pieces)
    relative = float(np.sqrt(np.sum(variance)) / total) if total else 0.0
    return Independent(
        Cause(
            "sampling interval",
            relative,
            persistence="each reading",
            source="second differences of the record itself (halving the interval)",
            default=True,
        ),
        spread,
    )
