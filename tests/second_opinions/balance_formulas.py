"""Second opinions of the tests beside `balance.formulas.equations`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sewer_audit.errors import OutOfRange


def _above_one(cycles: np.ndarray | float) -> np.ndarray:
    value = np.asarray(cycles, dtype=float)
    if np.any(value <= 1):
        raise OutOfRange(
            f"{np.min(value):g} cycles of concentration; a tower that evaporates has more than 1"
        )
    return value


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


@dataclass(frozen=True)
class Difference:
    """A volume found as the difference of two meters.

    Units: volume [m3].

    limit_95: Relative 95 % limit of that difference; infinite where it is zero.
    """

    volume: np.ndarray
    limit_95: np.ndarray


def by_difference(
    fed: np.ndarray | float,
    returned: np.ndarray | float,
    fed_limit: float,
    returned_limit: float,
) -> Difference:
    """Use as the difference of two meters, with the limit of that difference.

    Units: fed, returned [m3]; returns [m3].

    fed_limit, returned_limit: Relative 95 % limits of the two meters, independent of each
    other.

    Notes
    -----
    L = sqrt((V1 L1)^2 + (V2 L2)^2) / |V1 - V2|: the difference of two good meters is poor where
    the volumes are nearly equal.

    References
    ----------
    JCGM 100:2008, equation (10); Water Loss Control, 2nd ed., table 7.5 uses the same rule.
    """
    into, back = np.asarray(fed, dtype=float), np.asarray(returned, dtype=float)
    used = into - back
    spread = np.hypot(into * fed_limit, back * returned_limit)
    limit = np.divide(spread, np.abs(used), out=np.full(np.shape(spread), np.inf), where=used != 0)
    return Difference(used, limit)
