"""Second opinions of the tests beside `hydraulics.manning`."""

from __future__ import annotations

from typing import Any

import numpy as np


def manning_velocity(hydraulic_radius: Any, slope: float, roughness: float) -> Any:
    """Mean velocity of uniform flow.

    Units: hydraulic_radius [m]; returns [m/s].

    Notes
    -----
    V = R^(2/3) sqrt(S) / n.

    References
    ----------
    Chow 1959, Open-Channel Hydraulics, eq. 5-6 (from memory).
    """
    return np.asarray(hydraulic_radius, dtype=float)[()] ** (2 / 3) * slope**0.5 / roughness
