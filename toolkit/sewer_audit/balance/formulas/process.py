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

    Units: shipped [m3]; returns [m3].

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

    Units: dry_mass [kg]; water_density [kg/m3]; returns [m3].

    retained: Mass of water left per dry mass; 0.5 for cotton terry after extraction.

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

    Units: volume_per_load [m3]; returns [m3].

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

    Units: water_per_batch [m3]; returns [m3].

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

    Units: per_person_day [m3/d]; returns [m3].

    per_person_day: 8 gal with efficient fixtures, 12 gal with older ones, for a nine-hour day.

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
