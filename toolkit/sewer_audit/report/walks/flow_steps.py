"""One reading by hand: the steps from an echo to a level, and from a level to a discharge."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.hydraulics import echo_distance, speed_of_sound
from sewer_audit.units import from_si
from sewer_audit.wording import Words

__all__ = ["echo_steps", "rating_steps"]


def echo_steps(result: Any, row: pd.Series, words: Words) -> list[tuple[str, str, str]]:
    """From an echo to a distance.

    Units: result [SI]; row [SI].
    """
    series = result.evidence.series
    if series.reference_distance is None:
        return []
    air, echo = float(row["air_temperature"]), float(row["echo_time"])
    if not np.isfinite(air):
        return []
    damp = float(row["humidity"]) if "humidity" in row else series.humidity
    sound = float(speed_of_sound(air, damp))
    law = words(  # the same law in feet: 343.2 m/s at 20 degC are 1126 ft/s at 68 degF
        "walks.reading.sound_law",
        feet=words.spoken.feet,
        damp=damp,
        change=100 * (sound / float(speed_of_sound(air)) - 1),
    )
    distance, far = float(echo_distance(echo, air, damp)), series.reference_distance
    told = {
        "sound": (law, words.spoken.velocity(sound, 5)),
        "distance": ("d = c t / 2", words.head(distance, 5)),
        "sensor": (words("walks.reading.from_case"), words.head(far, 5)),
    }
    return [(name, *said) for name, said in words.labels("walks.reading", told).items()]


def rating_steps(result: Any, place: int, words: Words) -> list[tuple[str, str, str]]:
    """The equation with its figures, so that it can be followed by hand.

    Units: result [SI].
    """
    series, spoken, told = result.evidence.series, words.spoken, {}
    flow = float(series.discharge[place])
    carrier = float(series.carrier if np.ndim(series.carrier) == 0 else series.carrier[place])
    if series.area is not None:
        told["area"] = "A(h)", spoken.area(float(series.area[place]), 5)
        told["velocity"] = words("walks.reading.with_factor"), spoken.velocity(carrier, 4)
    elif carrier != 1:
        told["factor"] = words("walks.reading.of_method"), f"{carrier:.4g}"
    unit, length = spoken.equation_units().split(", ")
    given = ""
    if result.case.device.level_column is not None:
        given = f"h = {spoken.plain_length(float(series.level[place])):.5f} {length}: "
    shown = from_si(flow, "cfs" if unit == "ft3/s" else unit, "discharge")
    told["rating"] = result.case.notes.equation, f"{given}Q = {shown:.6f} {unit}"
    return [(name, *said) for name, said in words.labels("walks.reading", told).items()]
