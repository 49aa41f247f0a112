"""One reading by hand: the steps from an echo to a level, and from a level to a discharge."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.hydraulics import echo_distance, speed_of_sound
from sewer_audit.report.words import Words
from sewer_audit.units import from_si

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
    sound, law = float(speed_of_sound(air, damp)), "c = 343.2 √(T / 293.15), T in kelvin"
    if words.spoken.feet:  # the same law: 343.2 m/s at 20 degC are 1126 ft/s at 68 degF
        law = "c = 1126 √((t + 459.67) / 527.67), t in degF"
    if damp:
        law += (
            f"; {100 * damp:.3g} % humid: {100 * (sound / float(speed_of_sound(air)) - 1):+.2f} %"
        )
    distance = float(echo_distance(echo, air, damp))
    return [
        ("speed of sound", law, spoken.velocity(sound, 5)),
        ("distance to the surface", "d = c t / 2", words.head(distance, 5)),
        ("sensor to datum", "R, from the case", words.head(series.reference_distance, 5)),
    ]


def rating_steps(result: Any, place: int) -> list[tuple[str, str, str]]:
    """The equation with its figures, so that it can be followed by hand.

    Units: result [SI].
    """
    series, device = result.evidence.series, result.case.device
    flow = float(series.discharge[place])
    carrier = float(series.carrier if np.ndim(series.carrier) == 0 else series.carrier[place])
    steps = []
    if series.area is not None:
        steps.append(("wetted area", "A(h)", spoken.area(float(series.area[place]), 5)))
        steps.append(("mean velocity", "v, with its factor", spoken.velocity(carrier, 4)))
    elif carrier != 1:
        steps.append(("factor on the rating", "of the method", f"{carrier:.4g}"))
    given = ""
    if device.level_column is not None:
        head = spoken.plain_length(float(series.level[place]))
        given = f"h = {head:.5f} {spoken.equation_units().split(', ')[1]}: "
    unit = spoken.equation_units().split(", ")[0]
    shown = from_si(flow, "cfs" if unit == "ft3/s" else unit, "discharge")
    return [*steps, ("rating", device.notes.equation, f"{given}Q = {shown:.6f} {unit}")]
