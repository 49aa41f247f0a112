"""Discharge to be expected at a measuring point, as a flow duration curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.case import Case
from sewer_audit.errors import AuditError

DAY = 86_400.0
RANKS = np.linspace(0.0, 1.0, 401)
TAILS = (0.005, 0.999)
"""Shares of time that a record's smallest and largest flow are taken at [-]."""
LOWEST, HIGHEST = 0.25, 3.0
"""Minimum and peak over the mean where nothing is known; judgement [-]."""
CLOSE_READS = 6 * 3600.0
"""Register reads up to this far apart show the pattern within a day [s]."""


@dataclass(frozen=True)
class ExpectedFlow:
    """Flow duration curve [m3/s]: the discharge not exceeded in each share of the time."""

    quantiles: np.ndarray
    source: str
    assumed: bool = False

    @property
    def minimum(self) -> float:
        """Smallest discharge [m3/s]."""
        return float(self.quantiles[0])

    @property
    def mean(self) -> float:
        """Mean discharge [m3/s]."""
        return float(np.mean((self.quantiles[1:] + self.quantiles[:-1]) / 2))

    @property
    def peak(self) -> float:
        """Largest discharge [m3/s]."""
        return float(self.quantiles[-1])

    def at(self, time: np.ndarray) -> np.ndarray:
        """A flow with this duration curve: each day rises and falls once through all of it."""
        rank = 1.0 - np.abs(2.0 * (np.asarray(time, dtype=float) / DAY % 1.0) - 1.0)
        return np.interp(rank, np.linspace(0.0, 1.0, len(self.quantiles)), self.quantiles)

    def share(self, where: np.ndarray) -> float:
        """Share of the volume that passes at marked ranks."""
        weight = np.ones(len(self.quantiles))
        weight[[0, -1]] = 0.5
        volume = weight * self.quantiles
        return float(volume[np.asarray(where, dtype=bool)].sum() / volume.sum())


def flow_between(
    minimum: float, mean: float, peak: float, source: str = "", assumed: bool = False
) -> ExpectedFlow:
    """Duration curve through a minimum and a peak with a stated mean [m3/s].

    Notes
    -----
    q(r) = q_min + (q_peak - q_min) r^g with g = (q_peak - q_min) / (q_mean - q_min) - 1, whose mean
    over r from 0 to 1 is q_mean.

    References
    ----------
    A power curve with the three stated figures; judgement, no source.
    """
    if not 0 <= minimum < mean < peak:
        raise AuditError(
            f"flows {minimum:g}, {mean:g}, {peak:g} m3/s; minimum, mean and peak must rise"
        )
    exponent = (peak - minimum) / (mean - minimum) - 1.0
    ranks = np.linspace(0.0, 1.0, 2001)
    curve = minimum + (peak - minimum) * ranks**exponent
    return ExpectedFlow(curve, source, assumed)


def expected_flow(case: Case, inputs: Inputs, evidence: Evidence) -> ExpectedFlow:
    """The best there is: stated flows, the record, close register reads, or invoices alone."""
    stated = case.data.plan.flow if case.data.plan is not None else None
    if stated is not None:
        source = stated.source or "stated in the case"
        return flow_between(stated.minimum, stated.mean, stated.peak, source)
    if evidence.series is not None:
        ranks = np.clip(RANKS, *TAILS)
        curve = np.maximum(np.quantile(evidence.series.discharge, ranks), 0.0)
        return ExpectedFlow(curve, f"record of the case ({evidence.series.name})")
    mean, source = _mean(inputs, evidence)
    for name, record in inputs.meters.items():
        rates = _rates(record.frame)
        if rates is not None:
            curve = np.quantile(rates, np.clip(RANKS, *TAILS))
            flow = ExpectedFlow(curve, "")
            if flow.mean > 0:
                text = f"{source}; pattern of the register reads of {name}"
                return ExpectedFlow(curve * mean / flow.mean, text)
    source += f"; minimum {LOWEST:g} and peak {HIGHEST:g} times the mean are judgement"
    return flow_between(LOWEST * mean, mean, HIGHEST * mean, source, assumed=True)


def _mean(inputs: Inputs, evidence: Evidence) -> tuple[float, str]:
    seconds = float(np.sum((evidence.periods.end - evidence.periods.start).total_seconds()))
    if evidence.balance is not None and np.isfinite(evidence.balance.draws).all():
        volume = float(evidence.balance.draws.mean(axis=0).sum())
        if volume > 0:
            return volume / seconds, "mean from metered intake less uses"
    frame = inputs.invoices.frame[inputs.invoices.frame["shares_with"] == ""]
    volume = float(np.sum(frame["billed_m3"].to_numpy(dtype=float)))
    if not volume > 0:
        raise AuditError("the invoices state no volume; state [plan.flow] in the case")
    seconds = float((frame["end"] - frame["start"]).dt.total_seconds().sum())
    return volume / seconds, "mean from the billed volume"


def _rates(frame: Any) -> np.ndarray | None:
    """Intake between register reads, if these are close enough to show a day [m3/s]."""
    step = frame["time"].diff().dt.total_seconds().to_numpy()[1:]
    if len(step) < 48 or not np.median(step) <= CLOSE_READS:
        return None
    rates = np.diff(frame["volume_m3"].to_numpy(dtype=float))[step > 0] / step[step > 0]
    rates = rates[np.isfinite(rates)]
    return rates if len(rates) >= 48 and np.all(rates >= 0) else None
