"""Published frames: what a sector consumes and what a boiler plant loses, where nothing is metered.

They bound a use and prove none; each becomes a cause marked as a default, as wide as its source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from importlib import resources

from sewer_audit.errors import AuditError
from sewer_audit.sources import sourced_rows
from sewer_audit.uncertainty import Cause

ROWS = sourced_rows(resources.files("sewer_audit.balance").joinpath("data", "frames.csv"))
CONSUMPTIVE: Mapping[str, dict] = {r["name"]: r for r in ROWS if r["kind"] == "consumptive"}
"""Sector to the share of the water taken in that it does not return, with its source [-]."""
STEAM_LOSSES: Mapping[str, dict] = {r["name"]: r for r in ROWS if r["kind"] == "steam"}
"""Loss to the share of the steam made that leaves a boiler plant as vapour, with its source [-]."""


def _between(name: str, row: dict) -> Cause:
    low, high = row["low"], row["high"]
    return Cause(
        name,
        (high - low) / 2 / math.sqrt(3),
        value=(low + high) / 2,
        shape="rectangular",
        source=f"{row['text']}; {row['source']}",
        default=True,
        grade=row["grade"],
    )


def consumptive_share(name: str, sector: str) -> Cause:
    """Share of the water taken in that a sector usually does not return.

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
    return _between(name, CONSUMPTIVE[sector])


def steam_losses(name: str, losses: Sequence[str]) -> dict[str, Cause]:
    """Shares of the steam made that a boiler plant usually loses as vapour.

    Parameters
    ----------
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
    return {loss: _between(f"{name}: {loss}", STEAM_LOSSES[loss]) for loss in losses}
