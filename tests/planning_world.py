"""A site simulated for tests of a plan: a year of flow, an instrument with errors, a case file.

Nothing here uses the room under test: the flow is a working week with random days and hours, the
heads follow from equations written out, and the instrument errs by a zero that walks.
"""

from __future__ import annotations

import csv
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

STEP = 900.0
DAY = 86_400.0
YEAR = 365
START = datetime(2025, 1, 1)


def flows(rng: np.random.Generator, low: float, mean: float, days: int = YEAR) -> np.ndarray:
    """Discharge every 15 minutes: two shifts, quiet week-ends, random days and hours [m3/s]."""
    time = np.arange(0.0, days * DAY + STEP, STEP)
    hour, weekday = (time / 3600) % 24, (time // DAY) % 7
    shape = 0.25 + np.exp(-(((hour - 9) / 3.0) ** 2)) + 0.8 * np.exp(-(((hour - 16) / 2.5) ** 2))
    shape = np.where(weekday >= 5, 0.4 * shape, shape)
    daily = np.exp(rng.normal(0, 0.15, days + 2))[(time // DAY).astype(int)]
    quick = np.exp(rng.normal(0, 0.25, len(time)))
    flow = shape * daily * quick
    return low + flow * (mean - low) / flow.mean()


def zero_path(rng: np.random.Generator, count: int, start: float, drift: float) -> np.ndarray:
    """Instrument less truth at every reading: a start and a random walk [m]."""
    steps = rng.normal(0, drift * np.sqrt(STEP / (30 * DAY)), count - 1)
    return rng.normal(0, start) + np.concatenate([[0.0], np.cumsum(steps)])


def parshall_head(flow: np.ndarray) -> np.ndarray:
    """6 in Parshall flume, Q = 2.06 Ha^1.58 in feet (USBR ch. 8, from memory) [m]."""
    return 0.3048 * (flow / 0.0283168466 / 2.06) ** (1 / 1.58)


def v_notch_head(flow: np.ndarray) -> np.ndarray:
    """90 degree notch, Ce 0.578 and kh 0.88 mm (read, see the reference of weirs) [m]."""
    factor = 8 / 15 * np.sqrt(2 * 9.80665) * 0.578
    return (flow / factor) ** 0.4 - 0.00088


def pipe_depth(flow: np.ndarray, diameter: float, slope: float, n: float) -> np.ndarray:
    """Uniform flow in a circular pipe by a fine table of Manning's equation [m]."""
    depth = np.linspace(1e-5, 0.9 * diameter, 4000)
    angle = 2 * np.arccos(1 - 2 * depth / diameter)
    area = diameter**2 / 8 * (angle - np.sin(angle))
    radius = area / (diameter * angle / 2)
    return np.interp(flow, area * radius ** (2 / 3) * np.sqrt(slope) / n, depth)


def pipe_area(depth: np.ndarray, diameter: float) -> np.ndarray:
    """Wetted area of a circular pipe [m2]."""
    angle = 2 * np.arccos(1 - 2 * depth / diameter)
    return diameter**2 / 8 * (angle - np.sin(angle))


def stamps(count: int) -> list[str]:
    return [f"{START + timedelta(seconds=k * STEP):%Y-%m-%d %H:%M:%S}" for k in range(count)]


def write_csv(path: Path, head: list[str], columns: list) -> None:
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(head)
        writer.writerows(zip(*columns, strict=True))


def invoices(path: Path, billed: list[float], days: int = YEAR) -> None:
    """Twelve service periods of equal length, or as many as `billed` has."""
    edges = np.linspace(0, days, len(billed) + 1).round().astype(int)
    rows = [
        (f"M{k + 1}", START + timedelta(days=int(a)), START + timedelta(days=int(b)), v, 7 * v)
        for k, (a, b, v) in enumerate(zip(edges[:-1], edges[1:], billed, strict=True))
    ]
    write_csv(
        path,
        ["invoice", "start", "end", "billed_volume", "total"],
        [
            [row[0] for row in rows],
            [f"{row[1]:%Y-%m-%d}" for row in rows],
            [f"{row[2]:%Y-%m-%d}" for row in rows],
            [f"{row[3]:.3f}" for row in rows],
            [f"{row[4]:.2f}" for row in rows],
        ],
    )


HEAD = """\
[case]
title = "Simulated site"
time_zone = "UTC"
basis = "discharge"

[invoices]
file = "invoices.csv"
volume_unit = "m3"
end_day_counts = false

"""
EFFLUENT = """\
[effluent]
file = "log.csv"
longest_bridge = "60 min"
{device}

[effluent.columns]
time = "time"
{columns}

"""


def visit_text(head: np.ndarray, error: np.ndarray, rng: np.random.Generator, every: float) -> str:
    """Hand readings of 1 mm beside the instrument, the first at the installation."""
    text = ""
    for place in np.arange(0, len(head), round(every * DAY / STEP)):
        moment = START + timedelta(seconds=int(place * STEP))
        hand, shown = head[place] + rng.normal(0, 0.001), head[place] + error[place]
        text += (
            f'[[effluent.visit]]\ntime = "{moment:%Y-%m-%d %H:%M}"\n'
            f'hand = "{1000 * hand:.2f} mm"\ninstrument = "{1000 * shown:.2f} mm"\n'
            f"rezeroed = {'true' if place == 0 else 'false'}\n\n"
        )
    return text
