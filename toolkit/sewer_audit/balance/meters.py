"""Default error of a water meter that no certificate speaks for: by type, flow range and age."""

from __future__ import annotations

import math
from collections.abc import Mapping
from importlib import resources

from sewer_audit import spoken
from sewer_audit.errors import AuditError
from sewer_audit.sources import sourced_rows
from sewer_audit.uncertainty import Cause

DATA = resources.files("sewer_audit.balance").joinpath("data")
METER_STATES: Mapping[str, dict] = {r["state"]: r for r in sourced_rows(DATA / "meter_states.csv")}
"""State of a meter to mean and limits of what must be added to its registration [-]."""
METER_TYPES: Mapping[str, dict] = {r["type"]: r for r in sourced_rows(DATA / "meter_types.csv")}
"""Type to largest permissible error in the upper and lower flow range [-], and its source."""
YEARS_IN_SERVICE = 5.0
"""Beyond so many years without a test the limits are doubled (judgement) [year]."""
WEAR = {False: 0.013, True: 0.016}
"""Standard uncertainty that wear adds, up to and beyond those years (judgement: with it the same
age gives about the same figure whether or not the share at low flow is known) [-]."""


def meter_error(name: str, kind: str = "supply") -> Cause:
    """Default relative error of a meter, for a case that states none.

    Parameters
    ----------
    kind : str
        "supply", "sub-meter", "old" or "age unknown" [text].

    Raises
    ------
    AuditError
        If the kind is not one of the known.
    """
    if kind not in METER_STATES:
        raise AuditError(f"meter kind {kind!r}; known are {', '.join(METER_STATES)}")
    row = METER_STATES[kind]
    return Cause(
        f"{name}: meter error",
        row["limit"] / (math.sqrt(3) if row["shape"] == "rectangular" else 1.96),
        value=row["mean"],
        shape=row["shape"],
        source=f"{row['text']}; {row['source']}",
        default=True,
        grade=row["grade"],
    )


def meter_error_by_range(
    name: str,
    low_flow_share: float,
    years_since_test: float | None = None,
    meter_type: str = "class 2",
) -> Cause:
    """Default relative error of a meter from how much passes at low flow and when it was tested.

    Notes
    -----
    u = sqrt(k^2 ((1 - s)^2 m_u^2 + s^2 m_l^2) / 3 + w^2), with the permissible errors m of the
    upper and lower range taken as half-widths of independent rectangular errors, s the share at low
    flow, k = 2 for a meter longer in service than 5 years, where in-service limits are often twice
    the permissible error, and w what wear adds. The mean is signed: a worn meter counts too little,
    and least of all at low flow, so registration is raised by the mean of the state and by half the
    difference of the two ranges times the share at low flow. That speaks against whoever disputes a
    bill; a test of this meter replaces it.

    References
    ----------
    ISO 4064-1:2014, 4.2 (from memory); JCGM 100:2008, 4.3.7 (rectangular limits); studies of wear:
    sources of the states of meters.
    """
    if not 0 <= low_flow_share <= 1:
        raise AuditError(f"share at low flow {low_flow_share!r}; between 0 and 1")
    if meter_type not in METER_TYPES:
        raise AuditError(f"meter type {meter_type!r}; known are {'; '.join(METER_TYPES)}")
    row = METER_TYPES[meter_type]
    old = years_since_test is None or years_since_test > YEARS_IN_SERVICE
    upper, lower = (1 - low_flow_share) * row["upper"], low_flow_share * row["lower"]
    standard = math.hypot((2.0 if old else 1.0) * math.sqrt((upper**2 + lower**2) / 3), WEAR[old])
    state = METER_STATES["old" if old else "supply"]
    mean = state["mean"] + low_flow_share * (row["lower"] - row["upper"]) / 2
    age = "age unknown" if years_since_test is None else f"{years_since_test:g} years since a test"
    doubled = ", limits doubled as in service (judgement)" if old else ""
    source = (
        f"{row['text']}; {row['source']}; {spoken.percent(low_flow_share, 0)} of the volume at low "
        f"flow, {age}{doubled}; {state['text']}; {state['source']}"
    )
    return Cause(
        f"{name}: meter error", standard, value=mean, source=source, default=True, grade="judgement"
    )


def supply_meter_error(
    name: str,
    low_flow_share: float | None = None,
    years_since_test: float | None = None,
    meter_type: str | None = None,
) -> Cause:
    """Default relative error of a supply meter from all that is known of its use and age.

    Parameters
    ----------
    low_flow_share : float, optional
        Share of the volume that passes below the meter's transitional flow [-].
    years_since_test : float, optional
        Years since the meter was tested or new; unknown counts as long ago [year].
    meter_type : str, optional
        One of `METER_TYPES`; class 2 if left out; counts only beside a share at low flow [text].

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
