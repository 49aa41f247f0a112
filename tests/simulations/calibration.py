"""Do the stated intervals cover the truth? Synthetic sites whose truth is made independently.

    python tests/simulations/calibration.py [--cases 300] [--wrong 0.5]

The world (flow pattern, zero error as a random walk, coefficient, noise, gaps, registers) is drawn
here with plain numpy, from the same stated distributions that the audited case is told; it shares
no code with the toolkit. ``--wrong 0.5`` tells the case half the true spreads, and must fail.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sewer_audit.balance import MeteredTerm, ShareTerm, expected_discharge, intake_volumes
from sewer_audit.effluent import Periods, assemble, discharge_series, levels, zero_path
from sewer_audit.effluent.volumes import period_volumes
from sewer_audit.hydraulics import build_device
from sewer_audit.uncertainty import Cause, Draws, Visit

DAY = 86400.0
STEP = 900.0
EPOCH = pd.Timestamp("2026-01-01", tz="UTC")


@dataclass
class World:
    """One invented site: what its logger and registers show, and the truth [SI]."""

    frame: pd.DataFrame
    visits: list[tuple[float, float, bool]]
    periods: np.ndarray
    volumes: np.ndarray
    reads: np.ndarray
    register: np.ndarray
    kind: str
    stated: dict[str, float]


DEVICES = {
    # kind: (method, sizes, coefficient, exponent, usual head [m])
    "flume": ("parshall flume", {"throat": "6 in"}, 0.3812, 1.58, 0.14),
    "weir": ("v-notch weir", {"angle": "90 deg"}, None, 2.5, 0.18),
}


def rated(kind: str, head: np.ndarray) -> np.ndarray:
    """Discharge by the published equation, written out here."""
    head = np.maximum(head, 0.0)
    if kind == "flume":
        return 0.3812 * head**1.58
    return 8 / 15 * np.sqrt(2 * 9.80665) * 0.578 * np.tan(np.pi / 4) * (head + 0.00085) ** 2.5


def usual_flow(days: int, rng: np.random.Generator, peak: float) -> np.ndarray:
    """True discharge at every step: day, week, season, batches."""
    seconds = np.arange(0.0, days * DAY, STEP)
    hour, weekday = (seconds / 3600) % 24, (seconds // DAY) % 7
    shape = 0.5 + 0.35 * np.sin(2 * np.pi * (hour - rng.uniform(6, 10)) / 24)
    shape *= np.where(weekday < 5, 1.0, rng.uniform(0.6, 1.0))
    shape *= 1 + 0.1 * np.sin(2 * np.pi * seconds / (90 * DAY))
    daily = np.exp(0.06 * rng.standard_normal(days))
    rough = np.exp(0.05 * rng.standard_normal(len(seconds)))
    return peak * shape * daily[(seconds // DAY).astype(int)] * rough


def make_world(rng: np.random.Generator) -> World:
    """Draw a site and a season from the stated distributions."""
    kind = str(rng.choice(["flume", "weir"]))
    head0 = DEVICES[kind][4] * rng.uniform(0.7, 1.4)
    days = 91
    flow = usual_flow(days, rng, 2 * float(rated(kind, np.array(head0))))
    seconds = np.arange(len(flow)) * STEP
    stated = {"zero": 0.002, "drift": 0.0015, "noise": 0.0015, "gauge": 0.0008, "hand": 0.001}
    stated |= {"width": 0.0005, "angle": 0.0022}
    stated |= {"coefficient": 0.03 if kind == "flume" else 0.01, "meter": 0.01, "share": 0.008}
    scale = 1 + (
        rng.uniform(-1, 1) * stated["coefficient"]
        if kind == "flume"
        else rng.standard_normal() * stated["coefficient"] / 2
    )
    if kind == "flume":  # width of a 6 in throat; for the notch d tan(a/2) / tan(a/2) = d a / sin a
        scale *= 1 + stated["width"] / 0.1524 * rng.standard_normal()
    else:
        scale *= 1 + stated["angle"] * rng.standard_normal()
    grid = np.linspace(0, 2.0, 20001)
    head = np.interp(flow / scale, rated(kind, grid), grid)
    walk = stated["drift"] * np.sqrt(STEP / (30 * DAY)) * rng.standard_normal(len(flow))
    offset = stated["zero"] * rng.standard_normal() + np.cumsum(walk)
    visits, offset = find_visits(seconds, offset, stated, rng)
    shown = head - offset + stated["noise"] * rng.standard_normal(len(flow))
    frame = pd.DataFrame({"time": EPOCH + pd.to_timedelta(seconds, unit="s"), "head": shown})
    frame["status"] = np.where(in_gap(seconds, rng), "rejected", "measured")
    edges = np.array([1.33, 30.4, 61.37, 90.3]) * DAY
    periods = np.column_stack([edges[:-1], edges[1:]])
    total = np.concatenate([[0.0], np.cumsum((flow[:-1] + flow[1:]) / 2 * STEP)])
    volumes = np.diff(np.interp(edges, seconds, total))
    intake = total / (1 - (0.10 + stated["share"] * rng.standard_normal()))
    reads = np.sort(np.concatenate([edges, np.arange(0.0, 91, 7) * DAY]))
    true = np.interp(reads, seconds, intake) / (1 + stated["meter"] * rng.standard_normal())
    register = np.floor(true / 0.5) * 0.5
    return World(frame, visits, periods, volumes, reads, register, kind, stated)


def find_visits(seconds, offset, stated, rng):
    """Hand readings less instrument; a re-zeroing moves the offset from then on."""
    gauge, visits = stated["gauge"] * rng.standard_normal(), []
    for day in np.sort(rng.uniform(3, 88, rng.integers(0, 4))):
        place = int(day * DAY / STEP)
        error = stated["hand"] * rng.standard_normal()
        difference = offset[place] + gauge + error
        rezeroed = bool(rng.random() < 0.4)
        visits.append((seconds[place], difference, rezeroed))
        if rezeroed:
            offset = offset.copy()
            offset[place:] -= difference + 0.0005 * rng.standard_normal()
    return visits, offset


def in_gap(seconds: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A few gaps of an hour to three days."""
    lost = np.zeros(len(seconds), bool)
    for _ in range(rng.integers(0, 4)):
        start = rng.uniform(3, 85) * DAY
        lost |= (seconds > start) & (seconds < start + np.exp(rng.uniform(8.2, 12.4)))
    return lost


def audited(world: World, wrong: float, seed: int) -> dict[str, np.ndarray]:
    """Draws of both estimates for what the case is told."""
    told = {name: wrong * value for name, value in world.stated.items()}
    method, sizes = DEVICES[world.kind][:2]
    device = build_device(method, sizes)
    series = discharge_series(world.frame, levels(world.frame, device, None), device)
    shape = "rectangular" if world.kind == "flume" else "normal"
    divisor = 3**0.5 if world.kind == "flume" else 2.0
    stated = [
        Cause("zero error", told["zero"], unit="m", persistence="between visits"),
        Cause("zero drift", told["drift"], unit="m", persistence="between visits"),
        Cause("gauge datum", told["gauge"], unit="m"),
        Cause("head noise", told["noise"], unit="m", persistence="each reading"),
        Cause("discharge coefficient", told["coefficient"] / divisor, shape=shape),
        Cause("throat width", told["width"] / 0.1524)
        if world.kind == "flume"
        else Cause("notch angle", told["angle"], unit="rad"),
    ]
    causes = assemble(device, stated, False)
    start = (series.epoch - EPOCH) / pd.Timedelta(seconds=1)
    visits = [
        Visit(time - start, difference, told["hand"], rezeroed, str(n))
        for n, (time, difference, rezeroed) in enumerate(world.visits)
    ]
    nodes = np.unique(world.periods) - start
    zero = zero_path(visits, -start, 92 * DAY - start, causes, nodes=nodes)
    edges = [pd.DatetimeIndex(EPOCH + pd.to_timedelta(e, unit="s")) for e in world.periods.T]
    periods = Periods(tuple("abc"), edges[0], edges[1], "UTC")
    draws = Draws(4000, seed)
    found = period_volumes(series, device, periods, causes, zero, draws, 1800.0)
    register = intake_volumes(
        world.reads, world.register, world.periods, resolution_m3=0.5 * wrong + 1e-9
    )
    meter = MeteredTerm("main", register, Cause("main: meter error", told["meter"]))
    use = ShareTerm("product", "main", Cause("product", told["share"], value=0.10))
    balance = expected_discharge([meter], [use], [], world.periods, draws)
    return {"effluent": found.volumes, "balance": balance.draws}


def run(cases: int, wrong: float = 1.0, seed: int = 20260) -> dict[str, float]:
    """Share of invoices and of totals whose 95 % interval holds the truth."""
    hits: dict[str, list[bool]] = {}
    for case in range(cases):
        world = make_world(np.random.default_rng([seed, case]))
        for name, draws in audited(world, wrong, case + 1).items():
            low, high = np.percentile(draws, [2.5, 97.5], axis=0)
            inside = (low <= world.volumes) & (world.volumes <= high)
            hits.setdefault(f"{name}, invoices", []).extend(inside.tolist())
            low, high = np.percentile(draws.sum(axis=1), [2.5, 97.5])
            whole = bool(low <= world.volumes.sum() <= high)
            hits.setdefault(f"{name}, totals", []).append(whole)
    return {name: float(np.mean(each)) for name, each in hits.items()}


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--cases", type=int, default=300)
    parser.add_argument("--wrong", type=float, default=1.0)
    given = parser.parse_args()
    for name, share in run(given.cases, given.wrong).items():
        print(f"{name:20s} {share:6.1%}")
