"""What a record says of its own installation, beside the answers of the checklist."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sewer_audit import spoken
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.hydraulics.tables import facts_of, families_of

FEW, SHARE = 5, 0.001
"""More readings than so many, and than such a share of all, are no chance echo (judgement) [-]."""


@dataclass(frozen=True)
class Seen:
    """What the record shows of one point, and whether it contradicts a yes."""

    text: str
    contradicts: bool
    standard: float | None = None
    """What the record itself shows of a cause, as its standard uncertainty [SI]."""


def witnessed(
    device: Any, series: DischargeSeries, logger: Any, blanking: float | None = None
) -> dict[str, Seen]:
    """What the record shows of each point of the checklist that it can tell of.

    Parameters
    ----------
    logger : LoggerRecord
        The record with what its screening rejected and marked [SI].
    blanking : float, optional
        Nearest distance at which the sensor can read, as the case states it [m].

    Returns
    -------
    dict of str to Seen
        By subject, in small letters [text].
    """
    families = (*families_of(device.method), *(["echo"] if series.reference_distance else []))
    found = {}
    for row in facts_of("witness", *families):
        if row.get("nearest"):
            seen = _nearest(series, logger, blanking)
        elif row.get("swing"):
            seen = _swing(logger)
        else:
            seen = _counted(row, series, logger)
        if seen is not None:
            found[row["subject"].lower()] = seen
    return found


def _many(count: int, of: int) -> bool:
    return count > FEW and count > SHARE * of


def _nearest(series: DischargeSeries, logger: Any, blanking: float | None) -> Seen:
    """The highest surface below the sensor, accepted or rejected as nearer than it can read."""
    distance = series.reference_distance - series.level
    rejected = int((logger.frame["reason"].astype(str) == "blanking distance").sum())
    inside = rejected + int((distance < (blanking or 0.0)).sum())
    text = f"nearest surface {spoken.length(float(distance.min()), 3)} below the sensor"
    if blanking is None:
        return Seen(f"{text}; blanking_distance is not stated, so nothing is compared", False)
    text += f", blanking distance {spoken.length(blanking, 3)}"
    if inside:
        text += f"; {inside:,} readings from inside it"
    return Seen(text, _many(inside, len(logger.frame)))


def _swing(logger: Any) -> Seen | None:
    """An air temperature that follows sun or season more than air in a sewer does."""
    told = next((flag for flag in logger.flags if flag.code == "air swings"), None)
    return None if told is None else Seen(told.message, True, told.data["swing_K"] / 3)


def _counted(row: dict[str, Any], series: DischargeSeries, logger: Any) -> Seen | None:
    """Readings that carry a flag of the device, or lie in a stretch that the screening marked."""
    counts = {
        flag: int(np.sum(series.spoiled[flag]))
        for flag in row.get("flags", ())
        if flag in series.spoiled
    }
    if logger.spans is not None:
        marked = logger.spans.groupby("rule", observed=True)["readings"].sum()
        counts |= {rule: int(marked.get(rule, 0)) for rule in row.get("marks", ())}
    if not counts:
        return None
    told = ", ".join(f"{count:,} {name}" for name, count in counts.items() if count)
    text = f"of {len(series.time):,} readings: {told}" if told else "of all readings: none "
    text += "" if told else " or ".join(counts)
    return Seen(text, any(_many(count, len(series.time)) for count in counts.values()))
