"""Synthetic sites for tests and benchmarks of many sites: cases that can be audited, and faults."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import numpy as np

import planning_world as world

DEVICE = 'method = "parshall flume"\nthroat = "6 in"'
COLUMNS = 'head = { name = "level", unit = "mm" }'
RATES = """\
[schedule]
name = "Rates of a simulated city"
currency = "USD"
source = "invented for tests"
rate_change = "by end"
end_day_counts = false
line_rounding = { to = 0.01, rule = "half up" }
total_rounding = { to = 0.01, rule = "half up" }

[[version]]
name = "2025"
effective = 2024-01-01
source = "invented for tests"

[[version.volume]]
name = "sewer"
unit = "m3"
basis = "discharge"

[[version.charge]]
name = "volume charge"
kind = "volume"
volume = "sewer"
rate = 7
"""


def write_site(
    folder: Path, seed: int, days: int = 60, months: int = 2, over: float = 1.2, title: str = ""
) -> Path:
    """One site at 15 minutes, billed `over` times what it discharges."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True)
    flow = world.flows(rng, 0.002, 0.006 + 0.004 * rng.random(), days)
    head = world.parshall_head(flow)
    error = world.zero_path(rng, len(flow), 0.0015, 0.001)
    read = np.round(1000 * (head + error + rng.normal(0, 0.001, len(flow))), 2)
    world.write_csv(folder / "log.csv", ["time", "level"], [world.stamps(len(flow)), read])
    total = flow[:-1].sum() * world.STEP
    world.invoices(folder / "invoices.csv", [round(over * total / months, 3)] * months, days)
    (folder / "rates.toml").write_text(RATES)
    text = world.HEAD.replace("Simulated site", title or f"Site {seed}")
    text += '[rates]\nfile = "rates.toml"\n\n'
    text += world.EFFLUENT.format(device=DEVICE, columns=COLUMNS)
    (folder / "case.toml").write_text(text + world.visit_text(head, error, rng, 60))
    return folder / "case.toml"


def copy_site(source: Path, folder: Path) -> Path:
    """The same site once more."""
    shutil.copytree(source.parent, folder)
    return folder / "case.toml"


def one_that_dies(task: tuple) -> tuple:
    """Stands in for the work on one site: the process ends at the site in the north."""
    from sewer_audit import many_sites

    if "north" in task[1]:
        os._exit(9)
    return many_sites._one(task)
