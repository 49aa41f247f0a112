"""Echo ranging: from the time of an echo in air to a head, and what a wrong temperature does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sewer_audit.errors import OutOfRange

_DRY_MASS, _WATER_MASS = 28.9647, 18.01528


def speed_of_sound(
    air_temperature: Any, relative_humidity: Any = 0.0, pressure: float = 101_325.0
) -> Any:
    """Speed of sound in air.

    Parameters
    ----------
    air_temperature : float or array
        Along the path of the echo [K].
    relative_humidity : float or array
        Share of saturation, 0 for dry air [-].
    pressure : float
        Of the air; acts only on the share of water vapour [Pa].

    Returns
    -------
    float or array
        Speed [m/s].

    Raises
    ------
    OutOfRange
        If a temperature is not positive or a humidity lies outside 0 to 1.

    Notes
    -----
    Dry air: c = 343.2 sqrt(T/293.15). Moist air: ideal mixture, c^2 proportional to gamma/M with
    heat capacities of 7/2 R (air) and 4 R (vapour); saturation pressure after Magnus,
    e = 611.2 exp(17.62 t/(243.12 + t)) Pa. Saturated air at 20 degC is 0.4 % faster than dry.
    Gases of the sewer (carbon dioxide, methane) are not covered.

    References
    ----------
    ISO 9613-1:1993 (reference form, from memory); WMO-No. 8, saturation pressure (from memory).
    """
    temperature = np.asarray(air_temperature, dtype=float)
    humidity = np.asarray(relative_humidity, dtype=float)
    if np.any(temperature <= 0):
        raise OutOfRange("an air temperature must be above absolute zero; write it as '20 degC'")
    if np.any((humidity < 0) | (humidity > 1)):
        raise OutOfRange("a relative humidity lies between 0 and 100 %; write for example '80 %'")
    dry = 343.2 * np.sqrt(temperature / 293.15)
    if not np.any(humidity):
        return dry[()]
    celsius = temperature - 273.15
    saturation = 611.2 * np.exp(17.62 * celsius / (243.12 + celsius))
    share = np.minimum(humidity * saturation / pressure, 1.0)
    capacity = 3.5 + 0.5 * share
    gamma = capacity / (capacity - 1)
    mass = (1 - share) * _DRY_MASS + share * _WATER_MASS
    return (dry * np.sqrt(gamma / 1.4 * _DRY_MASS / mass))[()]


def echo_distance(echo_time: Any, air_temperature: Any, relative_humidity: Any = 0.0) -> Any:
    """Distance from the sensor's face to the surface.

    Parameters
    ----------
    echo_time : float or array
        From sending to receiving, both ways [s].
    air_temperature : float or array
        Along the path of the echo [K].
    relative_humidity : float or array
        Share of saturation [-].

    Returns
    -------
    float or array
        One way [m].

    Notes
    -----
    d = c t/2.

    References
    ----------
    Definition of the two-way time; speed of sound as in :func:`speed_of_sound`.
    """
    speed = speed_of_sound(air_temperature, relative_humidity)
    return speed * np.asarray(echo_time, dtype=float) / 2


@dataclass(frozen=True)
class EchoRanger:
    """A sensor above the water that measures the time of an echo.

    Units: blanking_distance [m].
    """

    reference_distance: float
    blanking_distance: float = 0.0

    def __post_init__(self) -> None:
        if not self.reference_distance > 0:
            raise OutOfRange("reference_distance, from sensor face to datum, must be positive")
        if not 0 <= self.blanking_distance < self.reference_distance:
            raise OutOfRange("blanking_distance must be shorter than the reference distance")

    def head(self, distance: Any) -> Any:
        """Level over the datum.

        Units: distance [m]; returns [m].
        """
        return (self.reference_distance - np.asarray(distance, dtype=float))[()]

    def flags(self, distance: Any) -> dict[str, np.ndarray]:
        """Which echoes cannot be trusted.

        Units: distance [m].
        """
        distance = np.asarray(distance, dtype=float)
        return {
            "below blanking distance": distance < self.blanking_distance,
            "beyond the datum": distance > self.reference_distance,
        }
