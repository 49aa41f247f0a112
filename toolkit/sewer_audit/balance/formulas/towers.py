"""Cooling towers and evaporative condensers: what leaves as vapour and drift, what as blowdown."""

from __future__ import annotations

import numpy as np

from sewer_audit.errors import OutOfRange

__all__ = [
    "LATENT_HEAT_AT_TOWER",
    "cycles_of_concentration",
    "evaporation_from_heat",
    "evaporation_share_of_makeup",
    "tower_blowdown",
    "tower_drift",
    "tower_evaporation",
    "tower_makeup",
]

LATENT_HEAT_AT_TOWER = 1045.0 * 2326.0
"""Latent heat of evaporation near 30 degC, 1045 Btu/lb [J/kg]."""
WATER_DENSITY = 998.0
"""Density of water at 20 degC, rounded [kg/m3]."""
PER_KELVIN = 1.8e-3
"""Rule of thumb: 0.1 % of the circulation per 1 degF of range, 0.18 % per kelvin [1/K]."""


def _above_one(cycles: np.ndarray | float) -> np.ndarray:
    value = np.asarray(cycles, dtype=float)
    if np.any(value <= 1):
        raise OutOfRange(
            f"{np.min(value):g} cycles of concentration; a tower that evaporates has more than 1"
        )
    return value


def tower_evaporation(
    circulation: np.ndarray | float, cooling_range: np.ndarray | float, factor: float = PER_KELVIN
) -> np.ndarray:
    """Evaporation of a cooling tower from its circulation and range.

    Units: circulation [m3/s]; cooling_range [K]; factor [1/K]; returns [m3/s].

    factor: Share evaporated per kelvin; 0.0018 is the rule of thumb and the ceiling, 0.00153
    also stands in the literature.

    Notes
    -----
    E = f Q dT. All heat leaving as vapour would give f = cp/h = 1/1045 per degF, so 0.001 per degF
    overstates evaporation by at least 4 %, and by 18 % against 0.00085.

    References
    ----------
    Water-planning guide for industry (worked case) and a trade newsletter of 2011, factor 0.001
    per degF; the textbook figure 0.00085 per degF as quoted at second hand.
    """
    return factor * np.asarray(circulation, dtype=float) * np.asarray(cooling_range, dtype=float)


def evaporation_from_heat(
    heat: np.ndarray | float,
    latent_heat: float = LATENT_HEAT_AT_TOWER,
    latent_share: float = 1.0,
    density: float = WATER_DENSITY,
) -> np.ndarray:
    """Evaporation from the heat a tower rejects.

    Units: heat [W]; latent_heat [J/kg]; density [kg/m3]; returns [m3/s].

    Notes
    -----
    E = s P / (h rho): an energy balance without losses.

    References
    ----------
    First law; a ton of refrigeration rejects about 15 000 Btu/h (common practice, no source).
    """
    return latent_share * np.asarray(heat, dtype=float) / (latent_heat * density)


def tower_drift(circulation: np.ndarray | float, share: float) -> np.ndarray:
    """Droplets carried out of a tower with the air.

    Units: circulation [m3/s]; returns [m3/s].

    share: 0.001 in old towers, 0.00005 and less with modern eliminators.

    Notes
    -----
    W = s Q.

    References
    ----------
    Water-planning guide for industry, worked case (0.1 % of circulation).
    """
    return share * np.asarray(circulation, dtype=float)


def tower_blowdown(
    evaporation: np.ndarray | float,
    cycles: np.ndarray | float,
    drift: np.ndarray | float = 0.0,
) -> np.ndarray:
    """Blowdown that keeps a tower at its cycles of concentration.

    Units: evaporation [m3/s]; drift [m3/s]; returns [m3/s].

    cycles: Cycles of concentration, above 1.

    Notes
    -----
    B = E / (C - 1) - W. Where drift alone removes more than that, the stated cycles cannot be
    reached and the blowdown is zero.

    References
    ----------
    Water-planning guide for industry, calculations page; UFC 3-240-13FN (25 May 2005), chapter 4.
    """
    needed = np.asarray(evaporation, dtype=float) / (_above_one(cycles) - 1.0)
    return np.maximum(needed - np.asarray(drift, dtype=float), 0.0)


def tower_makeup(
    evaporation: np.ndarray | float,
    cycles: np.ndarray | float,
    drift: np.ndarray | float = 0.0,
) -> np.ndarray:
    """Makeup a tower takes in.

    Units: evaporation [m3/s]; drift [m3/s]; returns [m3/s].

    cycles: Cycles of concentration, above 1.

    Notes
    -----
    M = E + W + B.

    References
    ----------
    Water-planning guide for industry, calculations page.
    """
    lost = np.asarray(evaporation, dtype=float) + np.asarray(drift, dtype=float)
    _above_one(cycles)
    return lost + tower_blowdown(evaporation, cycles, drift)


def cycles_of_concentration(
    in_tower: np.ndarray | float, in_makeup: np.ndarray | float
) -> np.ndarray:
    """Cycles of concentration from two conductivities or two chloride contents.

    Units: in_tower [any]; in_makeup [any].

    Notes
    -----
    C = k_tower / k_makeup. Treatment chemicals raise conductivity; chloride is the better tracer.

    References
    ----------
    UFC 3-240-13FN (25 May 2005), chapter 4 (towers) and 3-1.5 equation 5 (boilers).
    """
    tower, makeup = np.asarray(in_tower, dtype=float), np.asarray(in_makeup, dtype=float)
    if np.any(tower <= 0) or np.any(makeup <= 0):
        raise OutOfRange(
            "a conductivity or chloride content is not positive; check the two columns"
        )
    return tower / makeup


def evaporation_share_of_makeup(cycles: np.ndarray | float) -> np.ndarray:
    """Share of the makeup that never reaches the sewer.

    cycles: Cycles of concentration, above 1.

    Notes
    -----
    (E + W) / M = 1 - B / M, which is 1 - 1/C while drift is small; drift makes it larger, so that
    the figure is on the cautious side for a credit. A leak or an overflow goes to the sewer and is
    not covered by it.

    References
    ----------
    Follows from B = E / (C - 1) with no drift; relation from memory, common practice.
    """
    return 1.0 - 1.0 / _above_one(cycles)
