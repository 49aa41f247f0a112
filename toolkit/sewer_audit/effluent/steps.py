"""From readings to the volume of each period, one correction after another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from sewer_audit.effluent.integrate import stretches
from sewer_audit.effluent.periods import Periods
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.effluent.shared import known_integral
from sewer_audit.effluent.volumes import EffluentVolumes

AS_READ, ZERO, NOISE, FILLED = "readings as recorded", "zero", "noise of the level", "gaps"
DRAWS = "mean of the draws"
HOUR = 3600.0


def volume_steps(
    volumes: EffluentVolumes, series: DischargeSeries, periods: Periods, longest_bridge: float
) -> pd.DataFrame:
    """Volume after each correction, in the order in which the model applies them.

    Parameters
    ----------
    volumes : EffluentVolumes
        Volumes and their model [m3].
    periods : Periods
        Service periods [UTC].
    longest_bridge : float
        Readings further apart are a gap [s].

    Returns
    -------
    DataFrame
        A row for each period; columns: readings as recorded, zero, each cause whose stated value
        is not nothing, noise, gaps, and the mean of the draws, which is the volume reported; each
        the volume after that step [m3].
    """
    model, count = volumes.model, len(periods.names)
    pieces = stretches(
        series.time, periods.seconds(series.epoch), np.zeros(0), longest_bridge, series.width
    )
    steps = {AS_READ: known_integral(series.discharge, pieces, count)}
    nothing = {name: replace(cause, value=0.0) for name, cause in model.causes.items()}
    bare = replace(
        model, causes=nothing, noise_variance=0.0, fill=np.zeros(count), unmeasured=np.zeros(count)
    )
    steps[ZERO] = bare.evaluate(None, {}, 1)[0]
    for name, cause in model.causes.items():
        if cause.value:
            bare = replace(bare, causes={**bare.causes, name: cause})
            steps[name] = bare.evaluate(None, {}, 1)[0]
    bare = replace(bare, noise_variance=model.noise_variance)
    steps[NOISE] = bare.evaluate(None, {}, 1)[0]
    steps[FILLED] = model.evaluate(None, {}, 1)[0]
    steps[DRAWS] = volumes.volumes.mean(axis=0)
    return pd.DataFrame(steps, index=pd.Index(periods.names, name="invoice"))


def hourly_volumes(
    series: DischargeSeries, periods: Periods, longest_bridge: float
) -> pd.DataFrame:
    """Volume of every hour of every period from the readings as recorded.

    Parameters
    ----------
    periods : Periods
        Service periods [UTC].
    longest_bridge : float
        Readings further apart are a gap, which holds nothing here [s].

    Returns
    -------
    DataFrame
        Columns: invoice, start of the hour [UTC], volume_m3 [m3]; the last hour ends with its
        period.
    """
    spans, whose = [], []
    for name, (start, end) in zip(periods.names, periods.seconds(series.epoch), strict=True):
        edges = np.append(np.arange(start, end, HOUR), end)
        spans.append(np.column_stack([edges[:-1], edges[1:]]))
        whose += [name] * (len(edges) - 1)
    hours = np.concatenate(spans)
    pieces = stretches(series.time, hours, np.zeros(0), longest_bridge, series.width)
    volume = known_integral(series.discharge, pieces, len(hours))
    begin = series.epoch + pd.to_timedelta(hours[:, 0].round(), unit="s")
    return pd.DataFrame({"invoice": whose, "start": begin, "volume_m3": volume})
