"""From a logger record to the accepted levels, carriers and discharges."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.errors import Flag, InputRefused, Problem
from sewer_audit.hydraulics import FLAG_MEANINGS, echo_distance
from sewer_audit.records.model import DOUBTFUL, INTERVAL

LONGEST_AIR = 6 * 3600.0
"""A loss of the air temperature up to so long is bridged; beyond it there is no level (judgement:
air in a manhole follows the day) [s]."""

SECOND = pd.Timedelta(seconds=1)
FEW = 5
"""Readings outside what is published are named one by one up to so many [-]."""


@dataclass(frozen=True)
class DischargeSeries:
    """Accepted readings of a record, ready to be integrated.

    Parameters
    ----------
    name : str
        Name of the record as the case states it [text].
    epoch : Timestamp
        Instant `time` counts from, a whole hour [UTC].
    time : array (readings,)
        Strictly increasing instants of the accepted readings [s].
    level : array (readings,)
        Level over the datum; zero for a method without one [m].
    carrier : array (readings,) or float
        What multiplies the rating [-].
    discharge : array (readings,)
        At the stated values of everything [m3/s].
    area : array (readings,) or None
        Wetted area, where the method multiplies it by a velocity [m2].
    reference_distance : float or None
        Sensor face to datum, where the level comes from an echo [m].
    air_temperature : float
        Mean air temperature [K].
    spoiled : mapping of str to array (readings,)
        Which readings lie outside the published validity, by flag [-].
    flags : tuple of Flag
        What the reader must know [-].
    width : array (readings,) or None
        How long an interval each reading is the mean of; None for instants [s].
    flat : bool
        Whether the discharge itself is recorded, so that no curved rating stands between [-].
    doubtful : array (readings,) or None
        Which readings the record itself calls doubtful [-].
    lost : array (n,) or None
        Instants of readings rejected as no measurement [s].
    humidity : float
        Mean share of saturation of the air on the echo's path [-].
    tail : array (readings,) or None
        Head below the device, where it is recorded [m].
    """

    name: str
    epoch: pd.Timestamp
    time: np.ndarray
    level: np.ndarray
    carrier: np.ndarray | float
    discharge: np.ndarray
    area: np.ndarray | None
    reference_distance: float | None
    air_temperature: float
    spoiled: Mapping[str, np.ndarray]
    flags: tuple[Flag, ...]
    width: np.ndarray | None = None
    flat: bool = False
    doubtful: np.ndarray | None = None
    lost: np.ndarray | None = None
    humidity: float = 0.0
    tail: np.ndarray | None = None


def levels(
    frame: pd.DataFrame,
    device: Any,
    reference_distance: float | None,
    name: str = "record",
    humidity: float = 0.0,
) -> np.ndarray:
    """Level over the datum of every reading, accepted or not.

    Parameters
    ----------
    frame : DataFrame
        Logger record with a column head, depth, distance, or echo_time and air_temperature [SI].
    reference_distance : float, optional
        Sensor face to datum; needed for distance and echo time [m].
    humidity : float
        Share of saturation of the air, where the record has no column of it [-].

    Returns
    -------
    array (readings,)
        Level; NaN where it cannot be computed, zero for a method without a level [m].

    Raises
    ------
    InputRefused
        If the record holds nothing a level can be made of, or the reference distance is missing.
    """
    if device.level_column is None:
        return np.zeros(len(frame))
    for column in (device.level_column, "head", "depth"):
        if column in frame:
            return frame[column].to_numpy(dtype=float)
    if "distance" not in frame and "echo_time" not in frame:
        found = "no column of head, depth, distance or echo time"
        remedy = f"Name the column that holds the {device.level_column} under [effluent.columns]"
        raise InputRefused(Problem(name, found, remedy, column="effluent.columns"))
    if reference_distance is None:
        found = "a distance is recorded but no reference_distance is stated"
        remedy = "Write reference_distance under [effluent]: sensor face to datum, with its unit"
        raise InputRefused(Problem(name, found, remedy, column="effluent.reference_distance"))
    if "distance" in frame:
        return reference_distance - frame["distance"].to_numpy(dtype=float)
    if "air_temperature" not in frame:
        found = "echo times need the air temperature, which is not recorded"
        remedy = "Name an air_temperature column, or export distances instead"
        raise InputRefused(Problem(name, found, remedy, column="effluent.columns"))
    air = frame["air_temperature"].to_numpy(dtype=float)
    echo = frame["echo_time"].to_numpy(dtype=float)
    seconds = np.asarray((frame["time"] - frame["time"].iloc[0]) / SECOND, dtype=float)
    damp = humidity
    if "humidity" in frame:
        damp = _filled(frame["humidity"].to_numpy(dtype=float), seconds)
    return reference_distance - echo_distance(echo, _filled(air, seconds), damp)


def _filled(air: np.ndarray, time: np.ndarray) -> np.ndarray:
    """Air temperature with short losses bridged; a long one stays one."""
    known = np.isfinite(air)
    if known.all() or not known.any():
        return air
    place = np.flatnonzero(known)
    after = place[np.minimum(np.searchsorted(place, np.arange(len(air))), len(place) - 1)]
    before = place[np.maximum(np.searchsorted(place, np.arange(len(air)), side="right") - 1, 0)]
    full = np.interp(np.arange(len(air)), place, air[known])
    return np.where((time[after] - time[before] <= LONGEST_AIR) & (after >= before), full, np.nan)


def discharge_series(
    frame: pd.DataFrame,
    level: np.ndarray,
    device: Any,
    *,
    reference_distance: float | None = None,
    name: str = "record",
    humidity: float = 0.0,
) -> DischargeSeries:
    """Accepted readings of a record with their discharge.

    Parameters
    ----------
    frame : DataFrame
        Logger record: time (UTC), the columns of the method, status [SI].
    level : array (readings,)
        Level of every reading [m].
    reference_distance : float, optional
        Sensor face to datum, where the level comes from an echo [m].
    humidity : float
        Share of saturation of the air, where the record has no column of it [-].

    Raises
    ------
    InputRefused
        If fewer than two readings are accepted.
    """
    accepted = frame["status"].to_numpy() == "measured"
    readings = _readings(frame, level, device)
    for values in readings.values():
        accepted &= np.isfinite(values)
    if accepted.sum() < 2:
        found = f"{int(accepted.sum())} accepted readings; a volume needs at least two"
        raise InputRefused(Problem(name, found, "Look at what was rejected with 'inspect'"))
    readings = {column: values[accepted] for column, values in readings.items()}
    stamps = pd.DatetimeIndex(frame["time"])[accepted]
    stamps = stamps.tz_localize("UTC") if stamps.tz is None else stamps
    epoch = stamps[0].floor("h")
    here = readings[device.level_column] if device.level_column else np.zeros(int(accepted.sum()))
    carrier = device.carrier(**readings)
    carrier = float(carrier) if np.ndim(carrier) == 0 else np.asarray(carrier, dtype=float)
    rated = np.asarray(device.rating(here), dtype=float)
    spoiled = device.flags(**readings)
    tail = readings.get("downstream_head")
    dead = tail is not None and len(tail) > FEW and float(np.ptp(tail)) == 0
    air = frame.get("air_temperature")
    warm = 288.15 if air is None or air.isna().all() else float(air.mean())
    doubtful = None if DOUBTFUL not in frame else frame[DOUBTFUL].to_numpy(dtype=bool)[accepted]
    rejected = pd.DatetimeIndex(frame["time"])[~accepted]
    rejected = rejected.tz_localize("UTC") if rejected.tz is None else rejected
    return DischargeSeries(
        name,
        epoch,
        np.asarray((stamps - epoch) / SECOND, dtype=float),
        here,
        carrier,
        rated * carrier,
        rated if "velocity" in device.columns else None,
        reference_distance if "echo_time" in frame else None,
        warm,
        spoiled,
        _validity_flags(spoiled, device, name, stamps) + ((_dead_tail(name),) if dead else ()),
        frame[INTERVAL].to_numpy(dtype=float)[accepted] if INTERVAL in frame else None,
        device.level_column is None,
        doubtful,
        np.asarray((rejected - epoch) / SECOND, dtype=float),
        float(frame["humidity"].mean()) if "humidity" in frame else humidity,
        tail,
    )


def _readings(frame: pd.DataFrame, level: np.ndarray, device: Any) -> dict[str, np.ndarray]:
    wanted = (*device.columns, *(c for c in device.optional_columns if c in frame))
    found = {}
    for column in wanted:
        if column == device.level_column:
            found[column] = level
        elif column in frame:
            found[column] = frame[column].to_numpy(dtype=float)
    return found


def _validity_flags(
    spoiled: Mapping[str, np.ndarray], device: Any, name: str, stamps: pd.DatetimeIndex
) -> tuple[Flag, ...]:
    flags = []
    for flag, where in spoiled.items():
        share = float(np.mean(where))
        if share > 0 and flag in FLAG_MEANINGS:
            meaning = FLAG_MEANINGS[flag]
            flags.append(
                Flag(
                    flag.replace(" ", "-").replace(",", ""),
                    f"{name}: {int(np.sum(where)):,} of {len(where):,} readings "
                    f"({spoken.percent(share, 2)}), method "
                    f"{device.method}{_named(stamps[where])}. {meaning.text}"
                    + (" They are computed all the same." if meaning.spoils else ""),
                    {"readings": int(np.sum(where)), "share": share, "spoils": meaning.spoils},
                )
            )
    if device.notes.trend_grade:
        flags.append(
            Flag(
                "trend-grade",
                f"{name}: {device.method} shows trends only; it is not in the accuracy class of a "
                "flume or a weir, and no claim rests on it alone.",
                {"method": device.method},
            )
        )
    return tuple(flags)


def _dead_tail(name: str) -> Flag:
    return Flag(
        "second-head-dead",
        f"{name}: the head below the device never moves; it measures nothing, so nobody knows "
        "whether the device is submerged.",
    )


def _named(stamps: pd.DatetimeIndex) -> str:
    """The moments of readings so few that each can be looked at; a false echo is often one."""
    if len(stamps) > FEW:
        return ""
    return ", at " + ", ".join(spoken.moment(stamp) for stamp in stamps)
