"""Reading and screening three years of one-minute records, beside the data library's own reader.

Run: python tests/benchmarks/bench_records.py
Prints the times of one run and their ratio; the limit is 3, the aim 2.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from sewer_audit.records import ColumnSpec, read_logger
from sewer_audit.records.rules.screening import screen

MINUTES = 3 * 365 * 1440 + 1440
LIMIT = 3.0


def write(path: Path) -> None:
    """Invented heads with daily and weekly pattern, noise, gaps and marks of missing values."""
    rng = np.random.default_rng(7)
    keep = np.ones(MINUTES, dtype=bool)
    for start in rng.integers(0, MINUTES - 3000, 40):
        keep[start : start + rng.integers(10, 3000)] = False
    stamps = pd.date_range("2023-01-01", periods=MINUTES, freq="min", tz="America/Chicago")
    day = np.arange(MINUTES) / 1440
    head = 4 + np.sin(2 * np.pi * day) + 0.3 * np.sin(2 * np.pi * day / 7)
    text = pd.Series(np.round(head + rng.normal(0, 0.05, MINUTES), 2)).astype(str)
    text[rng.random(MINUTES) < 0.001] = "-999"
    frame = pd.DataFrame({"time": stamps.strftime("%Y-%m-%d %H:%M"), "head": text})
    frame[keep].to_csv(path, index=False)


def best(job, times: int = 3) -> float:
    """Shortest processor time of a few runs [s], which other work on the machine hardly moves."""
    seconds = []
    for _ in range(times):
        start = time.process_time()
        job()
        seconds.append(time.process_time() - start)
    return min(seconds)


def main() -> int:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        write(path)
        columns = {"head": ColumnSpec("head", "in")}

        def ours() -> None:
            record = read_logger(path, zone="America/Chicago", columns=columns)
            screen(record, record.frame["head"].to_numpy())

        plain = best(lambda: pd.read_csv(path))
        whole = best(ours)
        rows = sum(1 for _ in path.open()) - 1
    print(f"rows {rows}, read_csv {plain:.2f} s, read and screen {whole:.2f} s", end=", ")
    print(f"ratio {whole / plain:.1f} (aim at most {LIMIT:g})")
    return 0 if whole <= LIMIT * plain else 1


if __name__ == "__main__":
    raise SystemExit(main())
