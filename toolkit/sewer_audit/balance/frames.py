"""Published frames: what a sector consumes and what a boiler plant loses, where nothing is metered.

They bound a use and prove none; each becomes a cause marked as a default, as wide as its source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType

from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Cause

__all__ = ["CONSUMPTIVE", "STEAM_LOSSES", "consumptive_share", "steam_losses"]

TABLE = "consumptive-use coefficients, Great Lakes regional table of jurisdictions (read)"
HANDBOOK = "MIL-HDBK-1003/6, 10.7.2 (read)"

# sector: (lowest, highest share of the withdrawal that is not returned, what the table says)
CONSUMPTIVE: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {
        "public supply": (0.10, 0.26, f"10 to 26 %, {TABLE}"),
        "commercial and institutional": (
            0.0, 0.25,
            f"typically 10 to 15 %, in all 0 to 90 %, {TABLE}; taken as 0 to 25 % (judgement)",
        ),
        "industrial": (
            0.0, 0.20, f"mostly 10 %, in all 0 to 100 %, {TABLE}; taken as 0 to 20 % (judgement)",
        ),
        "irrigation": (0.70, 0.90, f"70 to 90 %, {TABLE}"),
    }
)  # fmt: skip
"""Share of the water taken in that a sector does not return [-]."""

# loss: (lowest, highest share of the steam made, what the handbook says)
STEAM_LOSSES: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {
        "traps and receivers": (0.01, 0.03, f"1 to 3 % of the steam made, {HANDBOOK}"),
        "sootblowing with oil": (
            0.005, 0.015, f"1 % of the steam made, {HANDBOOK}; within half of it (judgement)",
        ),
        "sootblowing with coal": (
            0.01, 0.03, f"2 % of the steam made, {HANDBOOK}; within half of it (judgement)",
        ),
        "atomizing": (0.01, 0.07, f"1 to 7 % of the steam made, {HANDBOOK}"),
    }
)  # fmt: skip
"""Steam that leaves a boiler plant as vapour [-]."""


def _between(name: str, low: float, high: float, source: str) -> Cause:
    return Cause(
        name,
        (high - low) / 2 / math.sqrt(3),
        value=(low + high) / 2,
        shape="rectangular",
        source=source,
        default=True,
    )


def consumptive_share(name: str, sector: str) -> Cause:
    """Share of the water taken in that a sector usually does not return.

    Parameters
    ----------
    name : str
        Name of the use in the case [text].
    sector : str
        One of `CONSUMPTIVE` [text].

    Returns
    -------
    Cause
        Rectangular between the limits, marked as a default, with its source [-].

    Raises
    ------
    AuditError
        If the sector is not known.

    Notes
    -----
    A coefficient of a region describes no single site; it frames what a site may consume and is no
    evidence for a credit.

    References
    ----------
    Great Lakes regional water use database, consumptive-use coefficients by jurisdiction (read).
    """
    if sector not in CONSUMPTIVE:
        raise AuditError(f"sector {sector!r}; known are {', '.join(CONSUMPTIVE)}")
    return _between(name, *CONSUMPTIVE[sector])


def steam_losses(name: str, losses: Sequence[str]) -> dict[str, Cause]:
    """Shares of the steam made that a boiler plant usually loses as vapour.

    Parameters
    ----------
    name : str
        Name of the use in the case [text].
    losses : sequence of str
        Any of `STEAM_LOSSES`, each once [text].

    Returns
    -------
    dict of str to Cause
        By the name of the loss, rectangular between the limits, marked as defaults [-].

    Raises
    ------
    AuditError
        If a loss is not known or named twice.

    Notes
    -----
    What a trap lets out to a drain is sewered and must not be claimed.

    References
    ----------
    MIL-HDBK-1003/6, section 10.7.2 (read).
    """
    for loss in losses:
        if loss not in STEAM_LOSSES or list(losses).count(loss) > 1:
            raise AuditError(f"loss {loss!r}; each of {', '.join(STEAM_LOSSES)} at most once")
    return {loss: _between(f"{name}: {loss}", *STEAM_LOSSES[loss]) for loss in losses}
