"""The next terms of the Taylor series, where the linear formula is too simple."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from second_opinions.uncertainty_propagation import Model
from sewer_audit.uncertainty.causes import Cause

__all__ = ["second_order_variance"]


def second_order_variance(model: Model, causes: Sequence[Cause], step: float = 0.2) -> float:
    """Variance with the next terms of the Taylor series, for independent symmetric causes.

    Units: model [SI]; causes [SI]; returns [result unit squared].

    Notes
    -----
    u^2 = sum_i f_i^2 u_i^2 + sum_i sum_j (f_ij^2 / 2 + f_i f_ijj) u_i^2 u_j^2, the derivatives from
    central differences. It holds for normal causes; where a cause is strongly bent by itself and
    not normal, the draws are right and this is not.

    References
    ----------
    JCGM 100:2008, 5.1.2 note (higher-order terms).
    """
    count = len(causes)
    value = np.array([cause.value for cause in causes])
    spread = np.array([cause.standard for cause in causes])

    def at(moves: np.ndarray) -> np.ndarray:
        rows = value + step * moves * spread
        given = {cause.name: rows[:, place] for place, cause in enumerate(causes)}
        return np.asarray(model(given), dtype=float)

    unit = np.eye(count)
    first = (at(unit) - at(-unit)) / (2 * step)  # already times the standard uncertainty
    variance = float(first @ first)
    for j in range(count):
        along = [unit + unit[j], unit - unit[j], -unit + unit[j], -unit - unit[j]]
        pp, pm, mp, mm = (at(each) for each in along)
        mixed = (pp - pm - mp + mm) / (4 * step**2)
        slope_up, slope_down = (pp - mp) / (2 * step), (pm - mm) / (2 * step)
        third = (slope_up - 2 * first + slope_down) / step**2
        # own third derivative: slopes at +-s of the same cause need points at 0 and +-2 s
        variance += float(np.sum(mixed**2 / 2 + first * third))
    return variance
