"""Boilers, steam and humidification: water that leaves as vapour, in masses."""

from __future__ import annotations

import numpy as np

from sewer_audit.errors import OutOfRange

__all__ = ["boiler_blowdown", "boiler_feedwater", "boiler_makeup", "humidification", "steam_lost"]


def boiler_blowdown(steam: np.ndarray | float, cycles: np.ndarray | float) -> np.ndarray:
    """Blowdown of a boiler from the steam it makes and its cycles of concentration.

    Units: returns [kg/s].

    cycles: Conductivity of the boiler water over that of the feedwater, above 1.

    Notes
    -----
    B = E / (C - 1); as a share of the feedwater it is 1/C.

    References
    ----------
    UFC 3-240-13FN (25 May 2005), section 3-1.5, equations 5 to 7.
    """
    value = np.asarray(cycles, dtype=float)
    if np.any(value <= 1):
        raise OutOfRange(f"{np.min(value):g} cycles of concentration; a boiler has more than 1")
    return np.asarray(steam, dtype=float) / (value - 1.0)


def boiler_feedwater(steam: np.ndarray | float, blowdown: np.ndarray | float) -> np.ndarray:
    """Feedwater of a boiler.

    Units: returns [kg/s].

    Notes
    -----
    F = E + B.

    References
    ----------
    UFC 3-240-13FN (25 May 2005), section 3-1.5, equation 8.
    """
    return np.asarray(steam, dtype=float) + np.asarray(blowdown, dtype=float)


def boiler_makeup(
    steam: np.ndarray | float,
    condensate_return: np.ndarray | float,
    blowdown: np.ndarray | float,
) -> np.ndarray:
    """Fresh water a boiler plant takes in.

    Units: condensate_return [kg/s]; returns [kg/s].

    Notes
    -----
    M = E - R + B.

    References
    ----------
    Water-planning guide for industry, calculations page.
    """
    returned = np.asarray(condensate_return, dtype=float)
    return boiler_feedwater(steam, blowdown) - returned


def steam_lost(
    makeup: np.ndarray | float,
    blowdown: np.ndarray | float,
    condensate_to_drain: np.ndarray | float = 0.0,
) -> np.ndarray:
    """Water that leaves a boiler plant as vapour and never reaches the sewer.

    Units: makeup [kg/s]; condensate_to_drain [kg/s]; returns [kg/s].

    Notes
    -----
    L = M - B - D. Condensate dumped to a drain is sewered and must not be claimed; the water added
    to temper it is sewered too.

    References
    ----------
    UFC 3-240-13FN (25 May 2005), section 3-1.5 (worked figures); the drained part: EPA WaterSense
    at Work, boiler section (tempering water).
    """
    lost = np.asarray(makeup, dtype=float) - np.asarray(blowdown, dtype=float)
    return lost - np.asarray(condensate_to_drain, dtype=float)


def humidification(
    outdoor_air: np.ndarray | float,
    moisture_indoors: np.ndarray | float,
    moisture_outdoors: np.ndarray | float,
    air_density: float = 1.2,
    internal_gains: np.ndarray | float = 0.0,
    other_losses: np.ndarray | float = 0.0,
) -> np.ndarray:
    """Water a humidifier gives to a fixed flow of outdoor air.

    Units: outdoor_air [m3/s]; air_density [kg/m3]; internal_gains [kg/s]; other_losses [kg/s];
    returns [kg/s].

    air_density: Density of the air; 0.075 lb/ft3 is 1.2014.

    Notes
    -----
    H = rho Q (Wi - Wo) - S + L.

    References
    ----------
    ASHRAE Handbook, HVAC Systems and Equipment, humidifiers chapter, equation 2 (as reproduced by
    an engineering site).
    """
    rise = np.asarray(moisture_indoors, dtype=float) - np.asarray(moisture_outdoors, dtype=float)
    load = air_density * np.asarray(outdoor_air, dtype=float) * rise
    return np.maximum(load - np.asarray(internal_gains) + np.asarray(other_losses), 0.0)
