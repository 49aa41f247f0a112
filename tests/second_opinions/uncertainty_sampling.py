"""What is missed between readings: snapshots of a pump, days without record."""

from __future__ import annotations

import math

from sewer_audit.errors import AuditError

__all__ = ["gap_fill_standard", "snapshot_standard"]


def snapshot_standard(
    discharge: float, step: float, events: float, duration: float | None = None
) -> float:
    """Standard uncertainty of the volume of on/off flow that is only looked at now and then.

    Units: discharge [m3/s]; step [s]; duration [s]; returns [m3].

    Notes
    -----
    A run of length T seen every d seconds with random phase is counted floor(T/d) or one more
    times: u = q d sqrt(f (1 - f)), f the fraction of T/d; averaged over f, q d / sqrt(6). Runs add
    as independent, which fails when the pump cycle and the readings keep step.

    References
    ----------
    Derived here from the variance of a binary variable; limits as in JCGM 100:2008, 4.3.
    """
    if not (discharge >= 0 and step > 0 and events >= 0):
        raise AuditError("discharge and events are zero or more and the step is above zero")
    if duration is None:
        one = 1.0 / 6.0
    else:
        if not duration >= 0:
            raise AuditError(f"duration {duration!r} s; zero or more")
        part = math.fmod(duration / step, 1.0)
        one = part * (1.0 - part)
    return discharge * step * math.sqrt(one * events)


def gap_fill_standard(daily_standard: float, missing: float, total: float) -> float:
    """Standard uncertainty of a total whose missing days were filled by the mean of the others.

    Units: daily_standard [m3]; returns [m3].

    Notes
    -----
    u = s sqrt(k + k^2 / (n - k)): the missing days themselves and the mean that replaces them.
    Days are taken as independent and missing by chance; a logger that fails in storms is not.

    References
    ----------
    JCGM 100:2008, 5.1.2 equation (10), applied to the sum.
    """
    if not (daily_standard >= 0 and 0 <= missing < total):
        raise AuditError(
            f"{missing!r} of {total!r} days missing, daily standard {daily_standard!r}; "
            "at least one day is recorded and nothing is negative"
        )
    return daily_standard * math.sqrt(missing + missing**2 / (total - missing))
