"""The rating curve of a device together with everything that may be wrong with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.effluent.table import BentRating
from sewer_audit.hydraulics import speed_of_sound

UNKNOWN_SHARE = 0.25
"""Share of a reduction that stays open where one correction only is published (judgement) [-]."""
AIR = ("air temperature", "air humidity")
"""Causes that act on the speed of sound along the path of an echo [text]."""
SOLIDS = "solids at the gauge"
"""Cause that raises the water at the gauge [text]."""


def sound_steepness(temperature: float, humidity: float) -> dict[str, float]:
    """Relative change of the speed of sound per unit of each cause of the air.

    Units: temperature [K]; returns [1/K, 1].

    Notes
    -----
    Temperature: c grows with sqrt(T), so 1/(2 T). Humidity: central difference of
    `speed_of_sound` over a tenth of saturation.
    """
    low, high = max(humidity - 0.05, 0.0), min(humidity + 0.05, 1.0)
    speeds = [float(speed_of_sound(temperature, each)) for each in (low, high)]
    moist = (speeds[1] - speeds[0]) / (high - low) / float(speed_of_sound(temperature, humidity))
    return {"air temperature": 1 / (2 * temperature), "air humidity": moist}


def other_carrier(device: Any, head: np.ndarray, tail: np.ndarray) -> np.ndarray | None:
    """Submerged over free discharge by the other published correction; None where none is."""
    other = getattr(device, "other_correction", lambda *_: None)(head, tail)
    if other is None:
        return None
    free = np.asarray(device.rating(head), dtype=float)
    return np.where(free > 0, other / np.where(free > 0, free, 1.0), 1.0)


@dataclass(frozen=True)
class UncertainRating:
    """A device's rating under errors of its sizes, its exponent and the air temperature.

    Units: pivot [m]; absorbed_at [m].
    """

    device: Any
    sizes: Mapping[str, str] = field(default_factory=dict)
    relative: Mapping[str, bool] = field(default_factory=dict)
    pivot: float = 0.2
    reference_distance: float | None = None
    air_temperature: float = 288.15
    absorbed_at: float | None = None
    humidity: float = 0.0

    def level(self, level: np.ndarray, errors: Mapping[str, float]) -> np.ndarray:
        """Level under solids at the gauge and errors of the air's temperature and humidity.

        Units: errors [SI]; returns [m].

        Notes
        -----
        Solids raise the water at the gauge: level' = level - solids. Distance grows with the speed
        of sound: d' = d (1 + dc/c), so level' = level - d dc/c. A
        hand reading compares levels with that error in them, so a constant error is part of the
        zero offset that visits correct; then only its change with the distance is left here.

        References
        ----------
        Speed of sound in an ideal gas; ISO 9613-1:1993, reference form.
        """
        level = level - errors[SOLIDS] if errors.get(SOLIDS) else level
        given = {name: errors[name] for name in AIR if errors.get(name)}
        if not given or self.reference_distance is None:
            return level
        steepness = sound_steepness(self.air_temperature, self.humidity)
        error = sum(steepness[name] * value for name, value in given.items())
        distance = self.reference_distance - level
        if self.absorbed_at is not None:
            distance = self.absorbed_at - level
        return level - distance * error

    def __call__(self, level: np.ndarray, errors: Mapping[str, float]) -> np.ndarray:
        """Value of the rating curve when several things are wrong at once.

        Units: errors [SI]; returns [m3/s].
        """
        level = self.level(level, errors)
        changed = {}
        for cause, name in self.sizes.items():
            if errors.get(cause):
                size = getattr(self.device, name)
                changed[name] = (
                    size * (1 + errors[cause])
                    if self.relative.get(cause)
                    else (size + errors[cause])
                )
        device = self.device.replace(**changed) if changed else self.device
        value = device.rating(level)
        if errors.get("exponent"):
            value = value * (np.maximum(level, 1e-6) / self.pivot) ** errors["exponent"]
        return value

    def flow(
        self, series: DischargeSeries, level: np.ndarray, errors: Mapping[str, float]
    ) -> np.ndarray:
        """Discharge of every reading at other levels, each with its own submergence.

        Units: series [SI]; level [m]; errors [SI]; returns [m3/s].

        Notes
        -----
        Where a head below the device is recorded, the correction is worked out from both heads as
        they then are. An error m of the method moves the reduction towards that of the other
        published correction (m = 1 is the other one); where there is none, by a quarter of the
        reduction (judgement).
        """
        free = self(level, errors)
        if series.tail is None:
            return free * series.carrier
        head = self.level(level, errors)
        tail = series.tail + errors.get("downstream zero", 0.0)
        ratio = np.asarray(self.device.carrier(head=head, downstream_head=tail), dtype=float)
        if errors.get("submergence method"):
            other = other_carrier(self.device, head, tail)
            away = UNKNOWN_SHARE * (1 - ratio) if other is None else other - ratio
            ratio = np.clip(ratio + errors["submergence method"] * away, 0.0, 1.0)
        return free * ratio

    def bent(self, cause: str, standard: float, value: float = 0.0) -> BentRating:
        """One cause alone, for tabulation.

        Units: standard [SI]; value [SI].
        """
        return BentRating(lambda level, error: self(level, {cause: error}), standard, value)
