"""Default error of a water meter that no certificate speaks for: by type, flow range and age."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

from sewer_audit import spoken
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Cause

__all__ = ["METER_TYPES", "meter_error", "meter_error_by_range", "supply_meter_error"]

OURS = "judgement of the authors of this toolkit"
# meter state: (95 % limit as a ratio, source)
METER_LIMITS = {
    "supply": (0.02, f"{OURS}: purchase meter within 2 % at 95 %, new or tested within 5 years"),
    "sub-meter": (0.03, f"{OURS}: sub-meter within 3 % at 95 %, not tested for this case"),
    "old": (0.05, f"{OURS}: meter untested for more than five years within 5 % at 95 %"),
    "age unknown": (
        0.05,
        f"{OURS}: meter whose last test is not stated within 5 % at 95 %; years_since_test of "
        "five or less makes it 2 %",
    ),
}
ISO_LIMITS = "ISO 4064-1:2014 / OIML R 49-1:2013 (from memory)"
METER_TYPES: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {
        "class 1": (0.01, 0.03, f"{ISO_LIMITS}, class 1, cold water: 1 %, 3 % at low flow"),
        "class 1, warm water": (0.02, 0.03, f"{ISO_LIMITS}, class 1, above 30 degC: 2 %, 3 %"),
        "class 2": (0.02, 0.05, f"{ISO_LIMITS}, class 2, cold water: 2 %, 5 % at low flow"),
        "class 2, warm water": (0.03, 0.05, f"{ISO_LIMITS}, class 2, above 30 degC: 3 %, 5 %"),
        "displacement": (
            0.015,
            0.05,
            "US industry limits, 98.5 to 101.5 % of registration, 95 to 101 % at the minimum rate "
            "(US Navy MO-221, read; AWWA C700, from memory); the wider side is taken",
        ),
        "compound": (
            0.03,
            0.10,
            "AWWA C702: 97 to 103 % of registration, 90 % at the change-over (from memory, "
            "depends on the edition)",
        ),
        "propeller": (
            0.02,
            0.02,
            "AWWA C704: 98 to 102 % of registration (from memory, depends on the edition)",
        ),
    }
)
"""Meter type to largest permissible error in the upper and lower flow range [-], and its source."""
YEARS_IN_SERVICE = 5.0
"""Beyond so many years without a test the limits are doubled (judgement) [year]."""


def meter_error(name: str, kind: str = "supply") -> Cause:
    """Default relative error of a meter, for a case that states none.

    Parameters
    ----------
    name : str
        Name of the meter [text].
    kind : str
        "supply", "sub-meter", "old" or "age unknown" [text].

    Returns
    -------
    Cause
        Marked as a default, with its source [-].

    Raises
    ------
    AuditError
        If the kind is not one of the known.
    """
    if kind not in METER_LIMITS:
        raise AuditError(f"meter kind {kind!r}; known are {', '.join(METER_LIMITS)}")
    limit, source = METER_LIMITS[kind]
    return Cause(f"{name}: meter error", limit / 1.96, source=source, default=True)


def meter_error_by_range(
    name: str,
    low_flow_share: float,
    years_since_test: float | None = None,
    meter_type: str = "class 2",
) -> Cause:
    """Default relative error of a meter from how much passes at low flow and when it was tested.

    Units: years_since_test [year].

    Notes
    -----
    u = k sqrt((1 - s)^2 m_u^2 + s^2 m_l^2) / sqrt(3), with the permissible errors m of the upper
    and lower range taken as half-widths of independent rectangular errors, s the share at low
    flow, and k = 2 for a meter longer in service than 5 years, where in-service limits are often
    twice the permissible error. The mean stays at zero: wear under-registers or over-registers
    depending on type and flow (a study of domestic meters found -15 % at the lowest and +16 % at
    the highest flow, -3.24 % weighted), so no correction is made without a test of this meter.

    References
    ----------
    ISO 4064-1:2014, 4.2 (from memory); JCGM 100:2008, 4.3.7 (rectangular limits); the study: AQUA
    70(2) 217, 2021 (abstract read).
    """
    if not 0 <= low_flow_share <= 1:
        raise AuditError(f"share at low flow {low_flow_share!r}; between 0 and 1")
    if meter_type not in METER_TYPES:
        raise AuditError(f"meter type {meter_type!r}; known are {'; '.join(METER_TYPES)}")
    high, low, limits = METER_TYPES[meter_type]
    old = years_since_test is None or years_since_test > YEARS_IN_SERVICE
    upper, lower = (1 - low_flow_share) * high, low_flow_share * low
    standard = (2.0 if old else 1.0) * math.sqrt((upper**2 + lower**2) / 3)
    age = "age unknown" if years_since_test is None else f"{years_since_test:g} years since a test"
    doubled = ", limits doubled as in service (judgement)" if old else ""
    source = (
        f"{limits}; {spoken.percent(low_flow_share, 0)} of the volume at low flow, {age}{doubled}"
    )
    return Cause(f"{name}: meter error", standard, source=source, default=True)


def supply_meter_error(
    name: str,
    low_flow_share: float | None = None,
    years_since_test: float | None = None,
    meter_type: str | None = None,
) -> Cause:
    """Default relative error of a supply meter from all that is known of its use and age.

    Parameters
    ----------
    name : str
        Name of the meter [text].
    low_flow_share : float, optional
        Share of the volume that passes below the meter's transitional flow [-].
    years_since_test : float, optional
        Years since the meter was tested or new; unknown counts as long ago [year].
    meter_type : str, optional
        One of `METER_TYPES`; class 2 if left out; counts only beside a share at low flow [text].

    Returns
    -------
    Cause
        By flow range where the share is known, else by age alone; marked as a default [-].

    Raises
    ------
    AuditError
        If the share is not between 0 and 1, or the type is not known.
    """
    if low_flow_share is not None:
        chosen = meter_type or "class 2"
        return meter_error_by_range(name, low_flow_share, years_since_test, chosen)
    if years_since_test is None:
        return meter_error(name, "age unknown")
    return meter_error(name, "supply" if years_since_test <= YEARS_IN_SERVICE else "old")
