"""Is a figure of this quarter unusual beside those before it: a control chart for single values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sewer_audit.errors import AuditError

FEWEST = 5
"""Fewest earlier values from which limits are drawn; common practice, no source [-]."""

MEAN_RANGE = 2 / np.sqrt(np.pi)  # expected |x1 - x2| of two standard normal values, 1.128
MIDDLE_RANGE = 0.9538725524089398  # median of the same: sqrt(2) times the normal quantile of 3/4


@dataclass(frozen=True)
class ControlLimits:
    """Centre and limits of a control chart for single values, from so many of them.

    spread: standard deviation from one value to the next.
    """

    centre: float
    low: float
    high: float
    spread: float
    count: int

    def outside(self, values: Sequence[float] | np.ndarray) -> np.ndarray:
        """Which values lie beyond the limits."""
        values = np.asarray(values, dtype=float)
        return (values < self.low) | (values > self.high)


def control_limits(
    values: Sequence[float] | np.ndarray, width: float = 3.0, robust: bool = True
) -> ControlLimits | None:
    """Limits for single values in their order, from the steps between neighbours.

    Notes
    -----
    With the moving ranges MR = |x(i) - x(i-1)|, classical: centre = mean(x), s = mean(MR) / 1.128;
    robust: centre = median(x), s = median(MR) / 0.954. Both divisors are those of two independent
    normal values. The limits are centre -+ width times s.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals control charts), from
    memory; the divisor 0.954 is sqrt(2) times the normal quantile of 0.75.
    """
    if not width > 0:
        raise AuditError(f"width {width!r}: control limits need a distance above zero")
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    if len(known) < FEWEST:
        return None
    steps = np.abs(np.diff(known))
    centre = float(np.median(known) if robust else known.mean())
    spread = float(np.median(steps) / MIDDLE_RANGE if robust else steps.mean() / MEAN_RANGE)
    if not spread > 0:
        return None
    reach = width * spread
    return ControlLimits(centre, centre - reach, centre + reach, spread, len(known))
