"""What the schedule takes off the billed volume, as it takes it off."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from sewer_audit.auditing.volumes.terms import Grounds, instants_of
from sewer_audit.balance import IntakeVolumes, Term
from sewer_audit.case.models_uses import credited
from sewer_audit.effluent import Periods
from sewer_audit.uncertainty import Cause


def credit_volumes(grounds: Grounds, terms: Mapping[str, list[Term]]) -> dict[str, np.ndarray]:
    """Volume of every credited use as the schedule takes it off: stated values, no error.

    Units: terms [m3]; returns [m3].
    """
    spans = instants_of(grounds.periods)
    count = len(spans.first)

    def value(cause: Cause) -> np.ndarray:
        return np.full((1, 1), cause.value)

    def still(name: str, register: IntakeVolumes) -> np.ndarray:
        return np.zeros((1, count))

    known: dict[str, np.ndarray] = {}
    for term in [*terms["intake"], *terms["use"]]:
        volume = term.volumes(value, still, spans, known)
        known[term.name] = np.broadcast_to(volume, (1, count))
    found = {}
    for use in grounds.case.data.use:
        if credited(use):
            found[use.name] = known[use.name][0]
            if use.way.name == "so much per day":
                # a schedule counts calendar days, also where the clock is changed in between
                days = np.where(spans.days > 0, spans.days, 1.0)  # of no days, no volume
                found[use.name] = found[use.name] * _calendar_days(grounds.periods) / days
            if use.kind == "deduct meter":
                drain = grounds.registers.get(f"{use.name}: drain")
                back = 0.0 if drain is None else drain.volume_m3
                found[use.name] = grounds.registers[use.name].volume_m3 - back
    return found


def _calendar_days(periods: Periods) -> np.ndarray:
    """Length of each period by the local dates of its reads, hours of the day as they are [d]."""
    walls = [
        each.tz_convert(periods.zone).tz_localize(None) for each in (periods.start, periods.end)
    ]
    return np.asarray((walls[1] - walls[0]) / pd.Timedelta(days=1), dtype=float)
