"""Product, laundry, trucked waste, batches and people: water by counting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sewer_audit.errors import OutOfRange

__all__ = [
    "Difference",
    "batch_use",
    "by_difference",
    "laundry_evaporation",
    "people_use",
    "product_water",
    "trucked_volume",
]


def product_water(shipped: np.ndarray | float, water_share: float) -> np.ndarray:
    """Intake water that leaves the site inside the product.

    Parameters
    ----------
    shipped : float or array
        Volume shipped [m3].
    water_share : float
        Share of it that came from the intake, less water in the raw materials [-].

    Returns
    -------
    array
        Volume [m3].

    Raises
    ------
    OutOfRange
        If the share is not between 0 and 1.

    Notes
    -----
    V = s P.

    References
    ----------
    Common practice, no source.
    """
    if not 0 <= water_share <= 1:
        raise OutOfRange(f"water share {water_share:g} of the product; it lies between 0 and 1")
    return water_share * np.asarray(shipped, dtype=float)


def laundry_evaporation(
    dry_mass: np.ndarray | float, retained: float = 0.5, water_density: float = 998.0
) -> np.ndarray:
    """Water left in laundry after extraction, which the dryers evaporate.

    Parameters
    ----------
    dry_mass : float or array
        Dry mass washed [kg].
    retained : float
        Mass of water left per dry mass; 0.5 for cotton terry after extraction [-].
    water_density : float
        Density of water [kg/m3].

    Returns
    -------
    array
        Volume evaporated [m3].

    Notes
    -----
    V = r m / rho. Weighing a load wet and dry replaces the figure.

    References
    ----------
    Laundry Today, water retention and drying time for terry towels: 2.5 lb of water per lb
    saturated, 2 lb removed by extraction.
    """
    return retained * np.asarray(dry_mass, dtype=float) / water_density


def trucked_volume(loads: np.ndarray | float, volume_per_load: np.ndarray | float) -> np.ndarray:
    """Waste water taken away by truck.

    Parameters
    ----------
    loads : float or array
        Number of loads [-].
    volume_per_load : float or array
        From the manifests or the weighbridge [m3].

    Returns
    -------
    array
        Volume that did not reach the sewer here [m3].

    Notes
    -----
    V = n v.

    References
    ----------
    Common practice, no source.
    """
    return np.asarray(loads, dtype=float) * np.asarray(volume_per_load, dtype=float)


def batch_use(
    batches: np.ndarray | float, water_per_batch: np.ndarray | float, reused_share: float = 0.0
) -> np.ndarray:
    """Water taken by a process that runs in batches.

    Parameters
    ----------
    batches : float or array
        Number of batches [-].
    water_per_batch : float or array
        Water in one batch [m3].
    reused_share : float
        Share that is used again [-].

    Returns
    -------
    array
        Volume [m3].

    Notes
    -----
    V = N W (1 - R).

    References
    ----------
    DOE/FEMP, Estimating Methods for Determining End-Use Water Consumption.
    """
    return np.asarray(batches, dtype=float) * np.asarray(water_per_batch) * (1.0 - reused_share)


def people_use(
    people: np.ndarray | float,
    days: np.ndarray | float,
    per_person_day: float = 10 * 3.785411784e-3,
) -> np.ndarray:
    """Sanitary water of the people on a site, all of it sewered.

    Parameters
    ----------
    people : float or array
        Number of people [-].
    days : float or array
        Days worked [d].
    per_person_day : float
        8 gal with efficient fixtures, 12 gal with older ones, for a nine-hour day [m3/d].

    Returns
    -------
    array
        Volume; it tests whether the sanitary part can explain a gap [m3].

    Notes
    -----
    V = n d q.

    References
    ----------
    DOE/FEMP, Estimating Methods for Determining End-Use Water Consumption.
    """
    return np.asarray(people, dtype=float) * np.asarray(days, dtype=float) * per_person_day


@dataclass(frozen=True)
class Difference:
    """A volume found as the difference of two meters.

    Parameters
    ----------
    volume : array
        Into the process less back out of it [m3].
    limit_95 : array
        Relative 95 % limit of that difference; infinite where it is zero [-].
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

    Parameters
    ----------
    fed, returned : float or array
        Volume into the process and back out of it [m3].
    fed_limit, returned_limit : float
        Relative 95 % limits of the two meters, independent of each other [-].

    Returns
    -------
    Difference
        Volume and its limit [m3].

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
