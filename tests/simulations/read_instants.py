"""How often right invoices are accused because the site reads its meter at other instants.

    python tests/simulations/read_instants.py --cases 100 --every 7

Invented accounts with a week and a day in their use, without printed reads: a site that reads once
a week or once a month knows the volume of an invoice by interpolation only. The invoices are right,
so whatever `audit` finds wrong by the rules is a false accusation.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from sewer_audit import audit, load_case

START = datetime(2025, 1, 6)
INVOICES = 12
CASE = """
[case]
title = "invented account"
time_zone = "Etc/UTC"
basis = "intake"
return_factor = 0.90
[invoices]
file = "invoices.csv"
volume_unit = "kgal"
read_hour = "08:00"
end_day_counts = false
[rates]
file = "rates.toml"
[[intake]]
meter = "main"
file = "main.csv"
unit = "gal"
multiplier = 100
digits = 6
"""
RATES = """
[schedule]
name = "invented"
currency = "USD"
rate_change = "by end"
end_day_counts = false
line_rounding = { to = 0.01 }
total_rounding = { to = 0.01 }
[[version]]
effective = 2020-01-01
[[version.volume]]
name = "sewer"
unit = "kgal"
basis = "intake"
return_factor = 0.90
rounding = { to = 0.1 }
[[version.charge]]
name = "volume"
kind = "volume"
rate = 6.40
"""


def register(rng: np.random.Generator) -> np.ndarray:
    """Counts of the register at every hour: weekends, a daily cycle, and days that vary."""
    hours = np.arange(24 * 420)
    working = (hours // 24) % 7 < 5
    week = np.where(working, 1.0, rng.uniform(0.2, 0.9))
    day = 1 + 0.6 * np.sin(2 * np.pi * ((hours % 24) - 6) / 24)
    varying = np.repeat(rng.lognormal(0, rng.uniform(0.05, 0.4), 420), 24)
    return 50_000 + np.concatenate([[0], np.cumsum(week * day * varying * rng.uniform(5, 60))])


def accused(seed: int, every: int) -> list[str]:
    """Right invoices that are found wrong, of one account read about every so many days."""
    rng = np.random.default_rng([seed, every])
    counts = register(rng)

    def at(moment: datetime) -> int:
        hour = (moment - START) / timedelta(hours=1)
        return int(np.interp(hour, np.arange(len(counts)), counts))

    ends = [START + timedelta(days=3, hours=8)]
    for _ in range(INVOICES):
        ends.append(ends[-1] + timedelta(days=int(rng.integers(28, 34))))
    rows = ["invoice,start,end,billed_volume,volume,total"]
    for number, (start, end) in enumerate(pairwise(ends)):
        volume = int((at(end) - at(start)) * 0.9 + 0.5) / 10  # one count is 100 gallons
        amount = f"{volume * 6.40 + 1e-9:.2f}"
        rows.append(f"A{number},{start:%Y-%m-%d},{end:%Y-%m-%d},{volume:.1f},{amount},{amount}")
    reads, moment = ["time,register"], START + timedelta(hours=float(rng.uniform(2, 70)))
    while moment < ends[-1] + timedelta(days=9):
        reads.append(f"{moment:%Y-%m-%d %H:%M},{at(moment) % 10**6}")
        moment += timedelta(days=every, hours=float(rng.uniform(-30, 30)))
    with tempfile.TemporaryDirectory() as folder:
        for name, text in (
            ("case.toml", CASE),
            ("rates.toml", RATES),
            ("invoices.csv", "\n".join(rows) + "\n"),
            ("main.csv", "\n".join(reads) + "\n"),
        ):
            (Path(folder) / name).write_text(text)
        claim = audit(load_case(folder), draws=400, seed=1).claim
    return claim.loc[claim["by_the_rules"].abs() > 0.005, "invoice"].tolist()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1, help="first seed")
    parser.add_argument("--every", type=int, default=7, help="days between reads of the site")
    given = parser.parse_args()
    found = [accused(given.seed + k, given.every) for k in range(given.cases)]
    wrong = sum(map(bool, found))
    print(f"{wrong} of {given.cases} right accounts accused, reads every {given.every} days")


if __name__ == "__main__":
    main()
