"""Equations of the invented worlds, written independently of the toolkit; SI throughout."""

from __future__ import annotations

import numpy as np

GALLON = 231 * 0.0254**3  # m3, exact: 231 cubic inches
CUBIC_FOOT = 0.3048**3  # m3, exact
INCH = 0.0254  # m, exact
GRAVITY = 9.80665  # m/s2

PARSHALL_6_IN = (0.3812, 1.58)
"""Coefficient and exponent of a 6 in Parshall flume, m3/s and m (from memory: Bos 1989)."""


def parshall_6_in_discharge(head):
    """Free-flow discharge [m3/s] of a 6 in Parshall flume at a head [m]."""
    factor, exponent = PARSHALL_6_IN
    return factor * np.clip(head, 0, None) ** exponent


def parshall_6_in_head(discharge, scale_error=0.0, exponent_error=0.0, pivot=0.12):
    """Head [m] of a real flume whose rating is off by a scale and by a turn about `pivot` [m]."""
    factor, exponent = PARSHALL_6_IN
    factor = factor * (1 + scale_error) * pivot**-exponent_error
    return (np.clip(discharge, 0, None) / factor) ** (1 / (exponent + exponent_error))


def speed_of_sound(celsius):
    """Speed of sound [m/s] in air of a temperature [degC]."""
    return 331.3 * np.sqrt(1 + np.asarray(celsius) / 273.15)


def speed_in_damp_air(celsius):
    """The same in saturated air: 0.16 times the share of vapour faster (acoustics texts, memory).

    Vapour pressure by Tetens; air at 101.3 kPa.
    """
    celsius = np.asarray(celsius, dtype=float)
    vapour = 0.61078 * np.exp(17.27 * celsius / (celsius + 237.3)) / 101.325
    return speed_of_sound(celsius) * (1 + 0.16 * vapour)


def echo_time(distance, celsius):
    """Time [s] from the pulse to its echo: the way there and back."""
    return 2 * distance / speed_in_damp_air(celsius)


def wetted_area(depth, diameter):
    """Area [m2] of the water in a round pipe; a surcharged pipe is full."""
    share = np.clip(np.asarray(depth) / diameter, 0, 1)
    angle = 2 * np.arccos(1 - 2 * share)
    return diameter**2 / 8 * (angle - np.sin(angle))


def manning_discharge(depth, diameter, slope, roughness):
    """Discharge [m3/s] at uniform depth [m] in a round pipe, Manning's formula in SI."""
    share = np.clip(np.asarray(depth) / diameter, 1e-9, 1)
    angle = 2 * np.arccos(1 - 2 * share)
    area = diameter**2 / 8 * (angle - np.sin(angle))
    radius = area / (diameter * angle / 2)
    return area * radius ** (2 / 3) * np.sqrt(slope) / roughness


def depth_of_discharge(discharge, diameter, slope, roughness):
    """Depth [m] of uniform flow in a round pipe, below the depth of greatest discharge."""
    depths = diameter * np.linspace(0, 0.93, 4001)
    table = manning_discharge(depths, diameter, slope, roughness)
    table[0] = 0.0
    return np.interp(discharge, table, depths)
