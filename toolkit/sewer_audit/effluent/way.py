"""The one way from draws to the volumes of a record, also with other causes, visits or spans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sewer_audit.effluent.defaults import CauseSet
from sewer_audit.effluent.hand import hand_volumes
from sewer_audit.effluent.periods import Periods
from sewer_audit.effluent.readings.fitness import NO_LIMITS, Limits
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.effluent.volumes import EffluentVolumes, period_volumes
from sewer_audit.effluent.zero import ZeroPath
from sewer_audit.uncertainty import Cause, Draws


@dataclass(frozen=True)
class EffluentWay:
    """A record with everything its volumes depend on; called with draws it gives the volumes.

    Parameters
    ----------
    series : DischargeSeries
        Accepted readings [SI].
    device : Device
        The flow element or conduit [-].
    periods : Periods
        Service periods [UTC].
    causes : CauseSet
        Uncertain causes [SI].
    zero : ZeroPath or None
        Zero offsets between visits [m].
    longest_bridge : float
        Readings further apart are a gap [s].
    allow_missing : bool
        Whether a period without any reading is estimated instead of refused [-].
    registers : sequence of (array, array)
        Times [s] and cumulative volume [m3] of the supply meters that gaps may follow.
    limits : Limits
        What the decision rule asks of a record [-].
    by_hand : bool
        Whether the record is one of hand readings [-].
    """

    series: DischargeSeries
    device: Any
    periods: Periods
    causes: CauseSet
    zero: ZeroPath | None
    longest_bridge: float
    allow_missing: bool = False
    registers: Sequence[tuple[np.ndarray, np.ndarray]] = ()
    limits: Limits = NO_LIMITS
    by_hand: bool = False

    def __call__(self, draws: Draws) -> EffluentVolumes:
        """Volumes for given draws.

        Units: returns [m3].
        """
        record = self.series, self.device, self.periods, self.causes
        if self.by_hand:
            return hand_volumes(*record, draws, self.allow_missing)
        rest = self.longest_bridge, self.allow_missing, self.registers, self.limits
        return period_volumes(*record, self.zero, draws, *rest)

    def tried(
        self,
        causes: Mapping[str, Cause] | None = None,
        visits: Sequence[float] = (),
        periods: Periods | None = None,
    ) -> EffluentWay:
        """The same way with some causes replaced, after further visits, or over other spans.

        Units: causes [SI]; visits [s]; periods [UTC].
        """
        changed = replace(self.causes, shared={**self.causes.shared, **(causes or {})})
        nodes = () if periods is None else np.unique(periods.seconds(self.series.epoch))
        zero = None if self.zero is None else self.zero.with_more(changed, visits, nodes)
        way = replace(self, causes=changed, zero=zero, periods=periods or self.periods)
        return way if periods is None else replace(way, registers=(), limits=NO_LIMITS)
