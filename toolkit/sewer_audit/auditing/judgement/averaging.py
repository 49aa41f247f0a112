"""From one reading to a year: what of the uncertainty averages out, and what never does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from sewer_audit.auditing.judgement.budget import persistence_of
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.case import Case
from sewer_audit.effluent import EffluentModel, Periods
from sewer_audit.uncertainty import PERSISTENCES, Draws, linearise

SPANS = {"an hour": 3600.0, "a day": 86400.0, "a week": 7 * 86400.0}
FEW = Draws(200, 1)
"""Draws of a way of which only the model is wanted."""
TILES = 12
"""Spans of each length that are evaluated, spread over the record [-]."""


def averaging_table(case: Case, evidence: Evidence) -> pd.DataFrame:
    """Relative standard uncertainty of the measured volume of ever longer spans.

    Parameters
    ----------
    evidence : Evidence
        With an effluent record [m3].

    Returns
    -------
    DataFrame
        span, hours, one column per persistence, all [-]; root mean square over the spans of one
        length, the median for the noise of one reading; empty without an effluent record.

    Notes
    -----
    u_rel = u(V)/V by the first-order formula, causes of one persistence together by squares.

    References
    ----------
    JCGM 100:2008, 5.1.2 equation (10).
    """
    if evidence.effluent is None or evidence.series is None:
        return pd.DataFrame(columns=["span", "hours", *PERSISTENCES, "all"])
    rows = []
    by_hand = evidence.way.by_hand  # type: ignore[union-attr]
    for span, length in () if by_hand else SPANS.items():  # a look by hand covers no span
        periods = _tiles(evidence, length)
        if periods is not None:
            way = evidence.way.tried(periods=periods)  # type: ignore[union-attr]
            rows.append(_row(evidence, way(FEW).model, span, length))
    if rows:
        rows.insert(0, {**rows[0], **_one_reading(case, evidence, rows[0])})
    model = evidence.effluent.model
    seconds = (evidence.periods.end - evidence.periods.start) / pd.Timedelta(seconds=1)
    seconds = seconds[evidence.periods.lasting]
    rows.append(_row(evidence, model, "an invoice", float(seconds.to_numpy().mean())))
    if model.periods > 1:
        rows.append(_row(evidence, model, "all invoices", float(seconds.to_numpy().sum()), True))
    return pd.DataFrame(rows)


def _tiles(evidence: Evidence, length: float) -> Periods | None:
    """Spans of one length inside the service periods, those without a gap in them."""
    series, spans = evidence.series, evidence.periods.seconds(evidence.series.epoch)  # type: ignore
    starts = np.concatenate([np.arange(a, b - length + 1, length) for a, b in spans])
    starts = starts[(starts >= series.time[0]) & (starts + length <= series.time[-1])]
    usual = 3 * float(np.median(np.diff(series.time)))
    wide = np.concatenate([[0], np.cumsum(np.diff(series.time) > usual)])
    ends = np.searchsorted(series.time, [starts, starts + length])
    whole = wide[np.clip(ends[1], 0, len(wide) - 1)] == wide[np.maximum(ends[0] - 1, 0)]
    starts = starts[whole]
    if len(starts) == 0:
        return None
    chosen = starts[np.unique(np.linspace(0, len(starts) - 1, TILES).astype(int))]
    stamps = [
        series.epoch + pd.to_timedelta(each, unit="s").round("us")
        for each in (chosen, chosen + length)
    ]
    return Periods(tuple(map(str, range(len(chosen)))), *stamps, evidence.periods.zone)


def _one_reading(case: Case, evidence: Evidence, hour: Mapping[str, float]) -> dict:
    """A single reading: what lasts acts as on an hour, its own noise in full."""
    series, causes = evidence.series, evidence.effluent.causes  # type: ignore[union-attr]
    places = np.linspace(0, len(series.time) - 1, 50 * TILES).astype(int)  # type: ignore
    places = places[series.discharge[places] > 0]  # type: ignore[union-attr]
    level = series.level[places]  # type: ignore[union-attr]
    square = np.zeros(len(level))
    if causes.noise is not None:
        up, down = (case.device.rating(level + e) for e in (1e-4, -1e-4))
        steep = (up - down) / 2e-4 / case.device.rating(level)
        square += (steep * causes.noise.standard) ** 2
    if causes.velocity_noise is not None:
        carrier = np.broadcast_to(series.carrier, series.level.shape)[places]  # type: ignore
        square += (causes.velocity_noise.standard / carrier) ** 2
    own = float(np.sqrt(np.median(square)))
    lasting = [hour[kind] ** 2 for kind in ("whole record", "between visits")]
    step = float(np.median(np.diff(series.time)))  # type: ignore[union-attr]
    together = _root([*lasting, own**2])
    return {"span": "one reading", "hours": step / 3600, "each reading": own, "all": together}


def _row(
    evidence: Evidence, model: EffluentModel, span: str, length: float, whole: bool = False
) -> dict:
    found = linearise(lambda draws: {"volume": model.draw(draws)})["volume"]
    value, alone = found.value, found.by_input()
    if whole:
        joint = found.with_total()
        value, alone = joint.value[-1:], {k: v[-1:] for k, v in joint.by_input().items()}
    return {"span": span, "hours": length / 3600, **_by_persistence(evidence, alone, value)}


def _by_persistence(
    evidence: Evidence, alone: Mapping[str, np.ndarray], value: np.ndarray
) -> dict[str, float]:
    lasting = persistence_of(evidence)
    squares = dict.fromkeys(PERSISTENCES, 0.0)
    carried = value > 0
    for name, spread in alone.items():
        kind = lasting.get(name.removeprefix("effluent:"), "each reading")
        squares[kind] += float(np.mean((spread[carried] / value[carried]) ** 2))
    return {**{k: float(np.sqrt(v)) for k, v in squares.items()}, "all": _root(squares.values())}


def _root(squares: Sequence[float]) -> float:
    return float(np.sqrt(sum(squares)))


def reading_effects(case: Case, evidence: Evidence, error: float = 0.003) -> pd.DataFrame:
    """What a level wrong by a few millimetres does to single readings.

    Parameters
    ----------
    evidence : Evidence
        With an effluent record [m].
    error : float
        The error of the level [m].

    Returns
    -------
    DataFrame
        reading (low, usual, high), level [m], discharge [m3/s], too_high and too_low: change of
        the discharge if the level is read too high or too low by that much [-]; empty for a method
        without a level.
    """
    columns = ["reading", "level", "discharge", "too_high", "too_low"]
    series = evidence.series
    if series is None or case.device is None or case.device.level_column is None:
        return pd.DataFrame(columns=columns)
    rows = []
    flowing = series.level[series.discharge > 0]
    for reading, share in (("low", 0.1), ("usual", 0.5), ("high", 0.9)):
        place = int(np.argmin(np.abs(series.level - np.quantile(flowing, share))))
        level = float(series.level[place])
        carrier = float(np.broadcast_to(series.carrier, series.level.shape)[place])
        rating = [float(case.device.rating(level + e)) for e in (0.0, error, -error)]
        if not rating[0] > 0:
            continue
        change = [each / rating[0] - 1 for each in rating[1:]]
        rows.append((reading, level, rating[0] * carrier, *change))
    return pd.DataFrame(rows, columns=columns)
