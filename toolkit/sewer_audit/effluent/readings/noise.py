"""Causes that act on every reading: noise of the level, and the time between readings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sewer_audit.effluent.integrate import Stretch
from sewer_audit.effluent.model import Independent
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.uncertainty import Cause, noise_variance

IN_STEP = "switching in step with the readings"
"""Name of the cause [text]."""
SWITCHES = 20
"""Switches by which a rhythm is told (judgement) [-]."""
LOCKED = 0.97
"""Share of switches one same number of steps apart that keep step with the readings; fewer, and
their phase wanders over the whole step (judgement) [-]."""


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


def in_step(series: DischargeSeries, pieces: Sequence[Stretch]) -> Cause | None:
    """What on/off flow that switches in step with the readings hides, all in one direction.

    Units: series [SI]; pieces [s]; returns [-].

    Notes
    -----
    A reading tells a switch to within half a step to either side of the middle between two
    readings. At random phase these errors average out (`sampling_error`); where every n-th reading
    sees the same point of the cycle they are all alike: switches x rate x step / 2, rectangular.

    References
    ----------
    JCGM 100:2008, 4.3.7 (rectangular distribution).
    """
    flow = series.discharge
    if series.width is not None or len(flow) < SWITCHES or not (flow > 0).any():
        return None
    running = flow > 0.5 * float(np.median(flow[flow > 0]))
    step = float(np.median(np.diff(series.time)))
    change = np.diff(running.astype(np.int8))
    sudden = np.minimum(flow[1:], flow[:-1]) < 0.1 * np.maximum(flow[1:], flow[:-1])
    total = abs(sum(float(piece.weights @ flow[piece.readings]) for piece in pieces))
    span = sum(float(piece.weights.sum()) for piece in pieces)
    covered = span / max(float(series.time[-1] - series.time[0]), step)
    hidden = 0.0
    for way in (1, -1):
        at = np.flatnonzero((change == way) & sudden)
        between = np.round(np.diff(series.time[at]) / step)
        if len(at) < SWITCHES or (between == np.median(between)).mean() < LOCKED:
            continue
        hidden += float(np.abs(flow[at + 1] - flow[at]).sum()) * step / 2 * covered
    share = min(hidden / total, 1.0) if total else 0.0
    if not share:
        return None
    return Cause(
        IN_STEP,
        share / np.sqrt(3.0),
        shape="rectangular",
        persistence="whole record",
        source="half a step at each switch of a flow that keeps step with the readings",
        default=True,
    )
