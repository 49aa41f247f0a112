"""Second opinions of the tests beside `hydraulics.echo`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sewer_audit.hydraulics.devices import Device
from sewer_audit.hydraulics.echo import speed_of_sound


@dataclass(frozen=True)
class TemperatureEffect:
    """What a wrong air temperature does to distance, head and discharge.

    Units: distance_error [m]; head_error [m].

    discharge_ratio: Computed over true discharge; 1 without a device.
    """

    distance_error: Any
    head_error: Any
    discharge_ratio: Any


def temperature_effect(
    head: Any,
    true_temperature: Any,
    assumed_temperature: Any,
    reference_distance: float,
    device: Device | None = None,
) -> TemperatureEffect:
    """Effect of an uncorrected or sun-heated temperature sensor.

    Units: true_temperature [K]; assumed_temperature [K]; returns [m].

    Notes
    -----
    The instrument computes d' = d sqrt(T_assumed/T_true); a sensor hotter than the air makes the
    distance too long, head and discharge too low.

    References
    ----------
    ISO 9613-1:1993, temperature dependence of the speed of sound (from memory).
    """
    head = np.asarray(head, dtype=float)
    distance = reference_distance - head
    speed_ratio = speed_of_sound(assumed_temperature) / speed_of_sound(true_temperature)
    error = distance * (speed_ratio - 1)
    ratio: Any = 1.0
    if device is not None:
        ratio = device.rating(head - error) / device.rating(head)
    return TemperatureEffect(error[()], (-error)[()], ratio)
