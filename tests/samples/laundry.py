"""A small invented case: a laundry billed on its discharge, checked by depth and velocity.

Pellworth Linen Works in Dorrick is invented. Its 12 in sewer is surcharged from downstream in
heavy rain. The town bills what its own meter further down has counted; that meter reads 9 % high,
which the laundry's own monitor can suspect but, with its velocity uncertain, hardly prove.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from functools import cache
from itertools import pairwise

import numpy as np

from samples import physics
from samples.clock import Minutes, smooth_step, wandering

SEED = 20250904
ZONE = "America/New_York"
READ_HOUR = "09:00"
READ_DAYS = ("2025-09-03", "2025-10-02", "2025-11-04", "2025-12-03")
DIAMETER, SLOPE, ROUGHNESS = 12 * physics.INCH, 0.004, 0.0125
FOOT = 12 * physics.INCH
TOWN_METER_ERROR = 0.09
FIXED, RATE = Decimal("64.50"), Decimal("5.836")  # USD a bill, USD/CCF
LINES = ("sewer fixed charge", "sewer volume charge")

# first hour, length in hours, crown of the backwater above the invert in pipe diameters
STORMS = (
    ("2025-09-21 17:00", 4.5, 1.6),
    ("2025-10-14 03:00", 6.0, 2.1),
    ("2025-10-30 12:00", 3.0, 1.2),
    ("2025-11-24 20:00", 5.0, 1.5),
)


@dataclass(frozen=True)
class World:
    """Discharge [m3/s], depth [m] and mean velocity [m/s] of every minute."""

    minutes: Minutes
    discharge: np.ndarray
    depth: np.ndarray
    velocity: np.ndarray


@cache
def world() -> World:
    """Make the quarter; the same every time."""
    rng = np.random.default_rng([SEED, 1])
    minutes = Minutes("2025-09-01", "2025-12-06", ZONE)
    weekday = np.array([day.weekday() for day in minutes.dates])
    busy = np.array([1, 1, 1, 1, 0.95, 0.55, 0.08])[weekday]
    busy = busy * (1 + 0.05 * rng.standard_normal(len(busy)))
    shape = smooth_step(minutes.hour, 6.0, 21.5, 1.5) * busy[minutes.day]
    restless = 1 + wandering(rng, len(shape), 0.15, 25)
    discharge = (0.9 + 13.0 * shape) * np.clip(restless, 0.3, None) * 1e-3
    depth = physics.depth_of_discharge(discharge, DIAMETER, SLOPE, ROUGHNESS)
    for start, hours, crown in STORMS:
        begin, length = minutes.at(start), int(hours * 60)
        rise = crown * DIAMETER * np.sin(np.pi * np.arange(length) / length) ** 0.7
        depth[begin : begin + length] = np.maximum(depth[begin : begin + length], rise)
    return World(minutes, discharge, depth, discharge / physics.wetted_area(depth, DIAMETER))


def log_rows() -> list[str]:
    """The monitor's file: every quarter of an hour, depth and mean velocity."""
    quarter, rng = world(), np.random.default_rng([SEED, 2])
    minutes = quarter.minutes
    every = np.arange(minutes.at("2025-09-02 00:00"), minutes.at("2025-12-05 00:00"), 15)
    gain = 0.02 * rng.standard_normal()
    depth = quarter.depth[every] + sensor_offset() + 0.001 * rng.standard_normal(len(every))
    velocity = quarter.velocity[every] * (1 + gain) + 0.012 * rng.standard_normal(len(every))
    clock = minutes.local[every].strftime("%Y-%m-%d %H:%M")
    kept = (every < minutes.at("2025-10-19 05:00")) | (every >= minutes.at("2025-10-19 22:00"))
    return [
        f"{clock[n]},{depth[n] / physics.INCH:.2f},{max(velocity[n], 0.0) / FOOT:.2f}"
        for n in np.flatnonzero(kept)
    ]


def sensor_offset() -> float:
    """Zero error of the depth sensor [m]."""
    return 0.002 * np.random.default_rng([SEED, 4]).standard_normal()


def visit_readings() -> list[str]:
    """Depth by hand and by the monitor at its two visits, in turn."""
    quarter, rng, figures = world(), np.random.default_rng([SEED, 3]), []
    for moment in ("2025-09-10 11:00", "2025-11-19 11:00"):
        now = quarter.minutes.at(moment)
        true = quarter.depth[now - 2 : now + 3].mean()
        hand, shown = np.array([true, true + sensor_offset()]) + [
            0.001,
            0.0005,
        ] * rng.standard_normal(2)
        figures += [f"{hand / physics.INCH:.1f} in", f"{shown / physics.INCH:.2f} in"]
    return figures


def periods() -> list[tuple[str, str]]:
    """Start and end of each invoice, local clock."""
    moments = [f"{day} {READ_HOUR}" for day in READ_DAYS]
    return list(pairwise(moments))


def invoice_rows() -> list[str]:
    """The town's invoices: reads of its own meter in CCF, a fixed charge and one rate."""
    quarter, rows, read = world(), [], 20_417
    total = 0.0
    for start, end in periods():
        volume = quarter.minutes.between(quarter.discharge, start, end)
        total += volume * (1 + TOWN_METER_ERROR) / (100 * physics.CUBIC_FOOT)
        current = 20_417 + int(total)
        charge = (RATE * (current - read)).quantize(Decimal("0.01"), ROUND_HALF_UP)
        name = f"P{end[2:4]}{end[5:7]}"
        cells = [name, start[:10], end[:10], read, current, "actual", current - read]
        rows.append(",".join(map(str, [*cells, FIXED, charge, FIXED + charge])))
        read = current
    return rows
