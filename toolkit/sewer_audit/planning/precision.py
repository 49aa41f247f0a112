"""Uncertainty to be expected of a month's and a year's volume, by the engine of the audit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.case.models import CAUSES
from sewer_audit.case.models_plan import PlanCause, PlanTable
from sewer_audit.effluent import (
    EffluentVolumes,
    EffluentWay,
    Periods,
    air_shift,
    as_visited,
    assemble,
    assess_checklist,
    discharge_series,
    zero_path,
)
from sewer_audit.hydraulics import speed_of_sound
from sewer_audit.hydraulics.tables import facts_of, families_of
from sewer_audit.planning.expected import ExpectedFlow
from sewer_audit.planning.site import PipeSite
from sewer_audit.uncertainty import Cause, Draws, Visit
from sewer_audit.units import DIMENSIONS

MONTH = 365.25 / 12 * 86_400.0
"""A month of a plan [s]."""
START = pd.Timestamp("2026-01-01", tz="UTC")
AIR = 288.15
DRAWS = 400
"""Draws for the share of each cause; the uncertainties themselves come from the law of
propagation [-]."""


@dataclass(frozen=True)
class Schedule:
    """How a measurement is run, in [s] and [m]."""

    interval: float = 300.0
    visit_every: float = 60 * 86_400.0
    hand_standard: float = 0.003
    reference_distance: float | None = None
    rezero: bool = False

    def visits(self, months: int) -> list[Visit]:
        """Visits of a record, hand and instrument in agreement."""
        times = np.arange(0.0, months * MONTH, self.visit_every)
        return [
            Visit(float(time), 0.0, self.hand_standard, bool(self.rezero or time == 0.0))
            for time in times
        ]


@dataclass(frozen=True)
class Precision:
    """What a record of some months is expected to say."""

    covariance: np.ndarray
    weights: np.ndarray
    shares: pd.DataFrame

    @property
    def months(self) -> int:
        """Months of the record [-]."""
        return len(self.weights)

    @property
    def month(self) -> float:
        """Relative standard uncertainty of a month's volume, root mean square [-]."""
        return float(np.sqrt(np.mean(np.diag(self.covariance))))

    def total(self, months: int | None = None) -> float:
        """Relative standard uncertainty of the first months together."""
        count = self.months if months is None else months
        weights = self.weights[:count] / self.weights[:count].sum()
        return float(np.sqrt(weights @ self.covariance[:count, :count] @ weights))


def plan_causes(plan: PlanTable | None) -> list[Cause]:
    """Causes the plan states in place of defaults."""
    return [] if plan is None else [_cause(each) for each in plan.cause]


def _cause(stated: PlanCause) -> Cause:
    dimension = CAUSES[stated.name]
    return Cause(
        stated.name,
        stated.standard_in(dimension),
        value=stated.value_in(dimension),
        unit=DIMENSIONS[dimension][1],
        shape=stated.shape or "normal",
        dof=stated.dof,
        persistence=stated.persistence or "",
        source=stated.source or "stated in the plan without a source",
        time_constant=stated.time_constant,
    )


def record_of(
    device: Any, flow: ExpectedFlow, site: PipeSite, schedule: Schedule, months: int
) -> tuple[pd.DataFrame, np.ndarray]:
    """The record a flawless instrument would leave at the site."""
    time = np.arange(0.0, months * MONTH + schedule.interval / 2, schedule.interval)
    discharge = flow.at(time)
    stamps = START + pd.to_timedelta(np.round(time * 1e3).astype("int64"), unit="ms")
    frame = pd.DataFrame({"time": stamps, "status": "measured"})
    level = np.zeros(len(time))
    if device.level_column == "head":
        level = np.asarray(device.head_for(discharge), dtype=float)
    elif device.level_column == "depth":
        level = site.depth(discharge)
        if "velocity" in device.columns:
            frame["velocity"] = site.velocity(discharge)
    else:
        frame["flow"] = discharge
    if device.level_column is not None and schedule.reference_distance is not None:
        distance = schedule.reference_distance - level
        frame["echo_time"] = 2 * distance / float(speed_of_sound(AIR))
        frame["air_temperature"] = AIR
    return frame, level


def expected_precision(
    device: Any,
    flow: ExpectedFlow,
    site: PipeSite,
    schedule: Schedule,
    months: int = 12,
    stated: Sequence[Cause] = (),
    seed: int = 1,
) -> Precision:
    """Run the audit's own volume model on the record to be expected."""
    frame, level = record_of(device, flow, site, schedule, months)
    made = _volumes(frame, level, device, schedule, months, stated, seed)
    value, covariance = made.model.first_order()
    relative = covariance / np.outer(value, value)
    shares = _shares(made, Draws(DRAWS, seed))
    return Precision(relative, value / value.sum(), shares)


def _volumes(
    frame: pd.DataFrame,
    level: np.ndarray,
    device: Any,
    schedule: Schedule,
    months: int,
    stated: Sequence[Cause],
    seed: int,
) -> EffluentVolumes:
    series = discharge_series(
        frame, level, device, reference_distance=schedule.reference_distance, name="plan"
    )
    causes = assemble(device, stated, series.reference_distance is not None)
    field = facts_of("field", *families_of(device.method))
    if any(row["state"] == "checked" for row in field):  # an element is set as published; a site
        causes = assess_checklist(device, {}).applied(causes)  # is as it is found
    edges = START + pd.to_timedelta(np.round(np.arange(months + 1) * MONTH * 1e3), unit="ms")
    periods = Periods(
        tuple(f"month {number + 1}" for number in range(months)), edges[:-1], edges[1:], "UTC"
    )
    spans = periods.seconds(series.epoch)
    visits = schedule.visits(months) if device.level_column is not None else []
    causes, growth = as_visited(causes, visits)
    zero = zero_path(
        visits,
        float(min(series.time[0], spans.min())),
        float(max(series.time[-1], spans.max())),
        causes,
        air_shift=air_shift(series, causes),
        nodes=np.unique(spans),
        growth=growth,
    )
    bridge = 4 * schedule.interval
    return EffluentWay(series, device, periods, causes, zero, bridge)(Draws(DRAWS, seed))


def _shares(made: EffluentVolumes, draws: Draws) -> pd.DataFrame:
    """Variance of the total that each cause brings by itself, over their sum."""
    persistence = {each.name: each.persistence for each in made.causes.all}
    persistence |= {each.cause.name: each.cause.persistence for each in made.model.independent}
    rows = []
    for name in made.model.names:
        total = made.model.draw(draws, only=name).sum(axis=1)
        lasts = persistence.get(name) or "between visits"
        rows.append({"cause": name, "share": float(np.var(total)), "persistence": lasts})
    table = pd.DataFrame(rows)
    table["share"] /= max(float(table["share"].sum()), 1e-300)
    return table.sort_values("share", ascending=False, kind="stable").reset_index(drop=True)
