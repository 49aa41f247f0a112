"""Propagation of distributions by draws, beside the linear formula and compared with it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty.intervals import Interval, Summary, summarise


@dataclass(frozen=True)
class Validation:
    """Whether the linear formula suffices, by comparison with the draws."""

    tolerance: float
    digits: int
    low_difference: float
    high_difference: float
    validated: bool
    numerically_firm: bool


def numerical_tolerance(standard_uncertainty: float, digits: int = 1) -> float:
    """Half a unit of the last significant digit of a standard uncertainty.

    Notes
    -----
    u = c 10^l with c a whole number of that many digits, 1 or 2; tolerance = 10^l / 2.

    References
    ----------
    JCGM 101:2008, 7.9.2.
    """
    if digits not in (1, 2):
        raise AuditError(f"{digits!r} digits; an uncertainty is stated with 1 or 2")
    if not (math.isfinite(standard_uncertainty) and standard_uncertainty > 0):
        raise AuditError(f"standard uncertainty {standard_uncertainty!r}; above zero and finite")
    power = int(f"{standard_uncertainty:.{digits - 1}e}".split("e")[1]) - (digits - 1)
    return 0.5 * 10.0**power


def compare_intervals(
    linear: Interval,
    draws: np.ndarray | Summary,
    digits: int = 1,
    kind: str = "symmetric",
) -> Validation:
    """Compare a first-order interval with the draws of the same result.

    Parameters
    ----------
    linear : Interval
        From `FirstOrder.interval` [result unit].
    draws : array (draws,) or Summary
        Draws of the same result, or what `summarise` made of them [result unit].
    digits : int
        Significant digits of the standard uncertainty that matter, 1 or 2 [-].
    kind : str
        Interval of the draws: "symmetric" or "shortest" [text].

    Raises
    ------
    AuditError
        If the draws are too few, do not vary, or the digits are not 1 or 2.

    Notes
    -----
    d_low = |y - U - y_low| and d_high = |y + U - y_high|; validated if neither exceeds the
    tolerance.

    References
    ----------
    JCGM 101:2008, 8.1 and 8.2.
    """
    summary = draws if isinstance(draws, Summary) else summarise(draws, linear.coverage, kind)
    tolerance = numerical_tolerance(float(summary.standard_uncertainty), digits)
    low = abs(float(linear.low) - float(summary.low))
    high = abs(float(linear.high) - float(summary.high))
    doubt = 2.0 * max(float(summary.low_error), float(summary.high_error))
    return Validation(
        tolerance,
        digits,
        low,
        high,
        max(low, high) <= tolerance,
        abs(max(low, high) - tolerance) > doubt,
    )


def smallest_block(coverage: float) -> int:
    """Draws in one block of the adaptive procedure.

    Notes
    -----
    M = max(J, 10000) with J the smallest whole number of at least 100 / (1 - p).

    References
    ----------
    JCGM 101:2008, 7.9.4 b).
    """
    return max(math.ceil(100.0 / (1.0 - coverage) - 1e-6), 10_000)
