"""How long the evidence report of the sample takes, step by step; run by hand.

    python tests/benchmarks/bench_report.py [--runs N]

Aims: the report in at most 30 s on two cores, `audit()` in it in at most 3 s, `--help` in 0.5 s.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
AUDIT = """\
import time
from sewer_audit import audit, load_case, sample_case
case = load_case(sample_case())
audit(case, draws=500, seed=1)  # imports and caches
start, used = time.perf_counter(), time.process_time()
audit(case, draws=20_000, seed=1).findings()
print(time.perf_counter() - start, time.process_time() - used)
"""


def seconds(command: list[str]) -> tuple[float, float]:
    """Wall clock of one command, and processor time of it and its children [s]."""
    start, used = time.perf_counter(), os.times()
    subprocess.run(command, check=True, capture_output=True, env=ENVIRONMENT, cwd=ROOT)
    now = os.times()
    spent = now.children_user + now.children_system - used.children_user - used.children_system
    return time.perf_counter() - start, spent


def audit_seconds() -> tuple[float, float]:
    """`audit()` and its findings in a warm process: wall clock and processor time [s]."""
    done = subprocess.run(
        [sys.executable, "-c", AUDIT],
        check=True,
        capture_output=True,
        text=True,
        env=ENVIRONMENT,
        cwd=ROOT,
    )
    wall, spent = map(float, done.stdout.split())
    return wall, spent


def row(name: str, aim: float | None, runs: list[tuple[float, float]]) -> None:
    """One line of the table."""
    wall, spent = zip(*runs, strict=True)
    middle = statistics.median(wall)
    told = "" if aim is None else f"{aim:6.1f} s   {'met' if middle <= aim else 'MISSED'}"
    used = statistics.median(spent)
    print(f"{name:44s} {middle:7.2f} s {max(wall):7.2f} s {used:7.2f} s   {told}")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--runs", type=int, default=3)
    runs = range(options.parse_args().runs)
    toolkit = [sys.executable, "-m", "sewer_audit"]
    print(f"load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(f"{'what':44s} {'median':>9s} {'worst':>9s} {'CPU':>9s}   {'aim':>8s}")
    row("sewer-audit --help", 0.5, [seconds([*toolkit, "--help"]) for _ in runs])
    row("audit() and findings, sample, 20,000 draws", 3.0, [audit_seconds() for _ in runs])
    with tempfile.TemporaryDirectory() as folder:
        out = str(Path(folder) / "out")
        report = [*toolkit, "report", "--out", out, "--quiet"]
        review = [*toolkit, "review", "sample_bills", "--out", f"{out}2", "--quiet"]
        row("sewer-audit report, sample", 30.0, [seconds(report) for _ in runs])
        row("sewer-audit recheck of it", None, [seconds([*toolkit, "recheck", out]) for _ in runs])
        row("sewer-audit review, sample", None, [seconds(review) for _ in runs])
        row("report with --pdf", None, [seconds([*report, "--pdf"]) for _ in runs])


if __name__ == "__main__":
    main()
