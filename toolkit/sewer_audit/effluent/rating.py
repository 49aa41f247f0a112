"""The rating curve of a device together with everything that may be wrong with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sewer_audit.effluent.table import BentRating

__all__ = ["UncertainRating"]


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

    def level(self, level: np.ndarray, errors: Mapping[str, float]) -> np.ndarray:
        """Level under an error of the air temperature.

        Units: errors [K]; returns [m].

        Notes
        -----
        Distance grows with sqrt(T): d' = d (1 + dT/(2 T)), so level' = level - d dT/(2 T). A hand
        reading compares levels with that error in them, so a constant error is part of the zero
        offset that visits correct; then only its change with the distance is left here.

        References
        ----------
        Speed of sound in an ideal gas; ISO 9613-1:1993, 5.2 (from memory).
        """
        error = errors.get("air temperature", 0.0)
        if not error or self.reference_distance is None:
            return level
        distance = self.reference_distance - level
        if self.absorbed_at is not None:
            distance = self.absorbed_at - level
        return level - distance * error / (2 * self.air_temperature)

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

    def bent(self, cause: str, standard: float, value: float = 0.0) -> BentRating:
        """One cause alone, for tabulation.

        Units: standard [SI]; value [SI].
        """
        return BentRating(lambda level, error: self(level, {cause: error}), standard, value)
