"""Second opinions of the tests beside `uncertainty.causes`."""

from __future__ import annotations

import math

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty.causes import HALF_WIDTH_DIVISORS


def standard_from_half_width(half_width: float, shape: str) -> float:
    """Standard uncertainty of a value known to lie within limits.

    Units: half_width [SI]; returns [SI].

    Notes
    -----
    u = a / sqrt(3), a / sqrt(6) or a / sqrt(2).

    References
    ----------
    JCGM 100:2008, 4.3.7, 4.3.9 and H.1.3.4.
    """
    if shape not in HALF_WIDTH_DIVISORS:
        raise AuditError(
            f"a half-width says nothing of shape {shape!r}; "
            f"state one of {', '.join(HALF_WIDTH_DIVISORS)}"
        )
    return _not_negative(half_width, "half-width") / HALF_WIDTH_DIVISORS[shape]


def standard_from_trapezoid(half_width: float, top_ratio: float) -> float:
    """Standard uncertainty of a symmetric trapezoid.

    Units: half_width [SI]; returns [SI].

    top_ratio: Top over base, 0 for a triangle and 1 for a rectangle.

    Notes
    -----
    u = a sqrt((1 + b^2) / 6).

    References
    ----------
    JCGM 100:2008, 4.3.9 equation (9a).
    """
    if not 0 <= top_ratio <= 1:
        raise AuditError(f"top over base is {top_ratio!r}; it lies between 0 and 1")
    return _not_negative(half_width, "half-width") * math.sqrt((1.0 + top_ratio**2) / 6.0)


def standard_from_expanded(expanded: float, coverage_factor: float) -> float:
    """Standard uncertainty behind an expanded one.

    Units: expanded [SI]; returns [SI].

    Notes
    -----
    u = U / k.

    References
    ----------
    JCGM 100:2008, 4.3.3.
    """
    if not coverage_factor > 0:
        raise AuditError(f"coverage factor {coverage_factor!r}; it is above zero, often 2")
    return _not_negative(expanded, "expanded uncertainty") / coverage_factor


def standard_from_resolution(step: float) -> float:
    """Standard uncertainty that the last digit of a display brings.

    Units: step [SI]; returns [SI].

    Notes
    -----
    u = step / sqrt(12), about 0.29 of the step.

    References
    ----------
    JCGM 100:2008, F.2.2.1.
    """
    return _not_negative(step, "step") / math.sqrt(12.0)


def _not_negative(figure: float, what: str) -> float:
    if not (math.isfinite(figure) and figure >= 0):
        raise AuditError(f"{what} {figure!r}; it is a finite figure, zero or more")
    return float(figure)
