"""A small invented case: a hotel with a depth record only, and a garden that is not credited.

Ostrey Heights Conference Hotel is invented. The district bills everything the main meter counts.
Part of it waters the gardens through a meter of the hotel's own that the district gives no credit
for. The depth logger in the 8 in sewer knows slope and roughness only roughly.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from functools import cache
from itertools import pairwise

import numpy as np
import pandas as pd

from samples import physics
from samples.clock import Minutes, smooth_step, wandering

SEED = 20250507
ZONE = "America/Denver"
READ_HOUR = "10:00"
READ_DAYS = ("2025-05-06", "2025-06-05", "2025-07-08", "2025-08-06")
DIAMETER = 8 * physics.INCH
SLOPE, ROUGHNESS = 0.0103, 0.0122  # true; the case says 1.0 % and 0.013
FIXED, RATE = Decimal("92.00"), Decimal("9.415")  # USD a bill, USD/kgal
LINES = ("sewer fixed charge", "sewer volume charge")


@dataclass(frozen=True)
class World:
    """Discharge to the sewer and water to the gardens of every minute [m3/s]."""

    minutes: Minutes
    discharge: np.ndarray
    garden: np.ndarray

    @property
    def intake(self) -> np.ndarray:
        """Water through the main meter [m3/s]; 1.5 % of the rooms' water evaporates."""
        return self.discharge / 0.985 + self.garden


@cache
def world() -> World:
    """Make the quarter; the same every time."""
    rng = np.random.default_rng([SEED, 1])
    minutes = Minutes("2025-05-04", "2025-08-09", ZONE)
    guests = np.clip(0.7 + wandering(rng, len(minutes.dates), 0.16, 4.0), 0.3, 1.0)
    hour = minutes.hour
    shape = 0.25 + 1.5 * smooth_step(hour, 6.3, 9.2, 1.5) + 0.7 * smooth_step(hour, 9.2, 17.0, 2.0)
    shape = shape + 1.0 * smooth_step(hour, 17.5, 22.5, 2.0)
    restless = np.clip(1 + wandering(rng, len(hour), 0.18, 12), 0.3, None)
    discharge = 4.0e-3 * shape * guests[minutes.day] * restless + 0.5e-3
    dry = np.clip(rng.normal(0.75, 0.25, len(minutes.dates)), 0.0, 1.2)
    night = (hour >= 2.0) & (hour < 5.5)
    garden = np.where(night, 9.0e-3 * dry[minutes.day], 0.0)
    return World(minutes, discharge, garden)


def log_rows() -> list[str]:
    """The depth logger's file: every quarter of an hour."""
    quarter, rng = world(), np.random.default_rng([SEED, 2])
    minutes = quarter.minutes
    every = np.arange(minutes.at("2025-05-05 00:00"), minutes.at("2025-08-08 00:00"), 15)
    depth = physics.depth_of_discharge(quarter.discharge[every], DIAMETER, SLOPE, ROUGHNESS)
    depth = depth + sensor_offset() + 0.0012 * rng.standard_normal(len(every))
    clock = minutes.local[every].strftime("%Y-%m-%d %H:%M")
    return [f"{clock[n]},{depth[n] / physics.INCH:.2f}" for n in range(len(every))]


def sensor_offset() -> float:
    """Zero error of the depth sensor [m]."""
    return 0.002 * np.random.default_rng([SEED, 4]).standard_normal()


def visit_readings() -> list[str]:
    """Depth by hand and by the logger at its one visit."""
    quarter, rng = world(), np.random.default_rng([SEED, 5])
    now = quarter.minutes.at("2025-05-14 11:30")
    flow = quarter.discharge[now - 2 : now + 3].mean()
    true = float(physics.depth_of_discharge(flow, DIAMETER, SLOPE, ROUGHNESS))
    hand, shown = np.array([true, true + sensor_offset()]) + [0.001, 0.0005] * rng.standard_normal(
        2
    )
    return [f"{hand / physics.INCH:.1f} in", f"{shown / physics.INCH:.2f} in"]


def periods() -> list[tuple[str, str]]:
    """Start and end of each invoice, local clock."""
    moments = [f"{day} {READ_HOUR}" for day in READ_DAYS]
    return list(pairwise(moments))


@cache
def registers() -> dict[str, tuple[tuple[str, int], ...]]:
    """Reads of the main meter (100 gal) and of the garden meter (10 gal)."""
    quarter, rng = world(), np.random.default_rng([SEED, 3])
    city = {f"{day} {READ_HOUR}" for day in READ_DAYS}
    fridays = {
        f"{day.date()} 07:30" for day in pd.date_range("2025-05-09", "2025-08-08", freq="W-FRI")
    }
    errors = {"main": 0.01 * rng.standard_normal(), "garden": 0.015 * rng.standard_normal()}
    made = {}
    for name, rate, gallons, first in (
        ("main", quarter.intake, 100, 71_344.2),
        ("garden", quarter.garden, 10, 8_807.9),
    ):
        counted = np.cumsum(rate * 60 * (1 + errors[name]) / (gallons * physics.GALLON))
        made[name] = tuple(
            (moment, int(first + counted[quarter.minutes.at(moment) - 1]))
            for moment in sorted(city | fridays)
        )
    return made


def invoice_rows() -> list[str]:
    """The district's invoices: all of the main meter, a fixed charge and one rate."""
    reads, rows = dict(registers()["main"]), []
    for start, end in periods():
        volume = Decimal(reads[end] - reads[start]).scaleb(-1)  # counts of 100 gal to kgal
        charge = (RATE * volume).quantize(Decimal("0.01"), ROUND_HALF_UP)
        name = f"O{end[2:4]}{end[5:7]}"
        cells = [name, start[:10], end[:10], reads[start], reads[end], "actual", volume]
        rows.append(",".join(map(str, [*cells, FIXED, charge, FIXED + charge])))
    return rows
