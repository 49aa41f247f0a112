"""Time of the audit of the sample beside reading its logger file, in one run.

    python tests/benchmarks/bench_audit.py [--runs 5] [--years 3]

The first table: ``audit()`` on the sample (105,000 rows, 20,000 draws) and ``pandas.read_csv`` of
its logger file. The second: three years of one-minute heads, 36 invoices, 20,000 draws: volumes,
volumes with budget, brute force extrapolated from a measured slice, peak memory. Medians; quote the
ratios, not the seconds of one machine.
"""

from __future__ import annotations

import argparse
import statistics
import time
import tracemalloc
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from sewer_audit import load_case, sample_case
from sewer_audit.effluent import Periods, assemble, discharge_series, levels, zero_path
from sewer_audit.effluent.volumes import period_volumes
from sewer_audit.hydraulics import build_device
from sewer_audit.uncertainty import Draws, Visit, variance_budget

MINUTE = 60.0


def median_time(job, runs: int) -> float:
    """Median processor time of a job, which other work on the machine disturbs least [s]."""
    spans = []
    for _ in range(runs):
        begin = time.process_time()
        job()
        spans.append(time.process_time() - begin)
    return statistics.median(spans)


def bench_sample(runs: int) -> None:
    """The sample: audit beside read_csv."""
    from sewer_audit import audit

    case = load_case(sample_case())
    log = case.path(case.data.effluent.file)
    audit(case)
    reading = median_time(lambda: pd.read_csv(log), runs)
    whole = median_time(lambda: audit(case, draws=20_000, seed=1), runs)
    rows = len(pd.read_csv(log))
    print(f"sample, {rows} rows, 20,000 draws: audit {whole:.2f} s, read_csv {reading:.3f} s,")
    print(f"  ratio {whole / reading:.1f}")


def long_record(years: int) -> pd.DataFrame:
    """Invented one-minute heads with a daily and weekly pattern."""
    rng = np.random.default_rng(11)
    seconds = np.arange(0, years * 365 * 86400, 60)
    day = np.sin(2 * np.pi * seconds / 86400)
    week = ((seconds // 86400) % 7 < 5) * 0.02
    head = 0.11 + 0.05 * day + week + 0.002 * rng.standard_normal(len(seconds))
    stamps = pd.Timestamp("2023-01-01", tz="UTC") + pd.to_timedelta(seconds, unit="s")
    return pd.DataFrame({"time": stamps, "head": np.round(np.maximum(head, 0.0), 3)})


def job_of(frame: pd.DataFrame, years: float, count: int):
    """Volumes of a long record, with the periods they are of."""
    device = build_device("parshall flume", {"throat": "6 in"})
    edges = pd.date_range("2023-01-01", periods=int(12 * years) + 1, freq="30D", tz="UTC")
    names = tuple(f"{n}" for n in range(len(edges) - 1))
    periods = Periods(names, edges[:-1], edges[1:], "UTC")
    end = years * 365 * 86400.0
    visits = [Visit(end * (k + 1) / 10, 0.001, 0.001, False, str(k)) for k in range(9)]

    def volumes():
        series = discharge_series(frame, levels(frame, device, None), device)
        causes = assemble(device, [], False)
        nodes = np.unique(periods.seconds(series.epoch))
        zero = zero_path(visits, 0.0, end, causes, nodes=nodes)
        return period_volumes(series, device, periods, causes, zero, Draws(count, 1), 1800.0)

    return volumes, periods


def bench_scaling(runs: int, years: int) -> None:
    """Time against rows, and against draws."""
    for share, count in ((1 / 3, 20_000), (2 / 3, 20_000), (1, 20_000), (1, 10_000), (1, 2_000)):
        frame = long_record(years).assign(status="measured")
        frame = frame.iloc[: int(len(frame) * share)]
        volumes, _ = job_of(frame, years * share, count)
        spent = median_time(volumes, runs)
        print(f"  {len(frame):>8} rows, {count:>6} draws: volumes {spent:.2f} s")


def bench_long(runs: int, years: int) -> None:
    """Three years of one-minute heads."""
    frame = long_record(years)
    with TemporaryDirectory() as folder:
        file = Path(folder) / "log.csv"
        frame.to_csv(file, index=False)
        reading = median_time(lambda: pd.read_csv(file), runs)
    frame["status"] = "measured"
    volumes, periods = job_of(frame, years, 20_000)
    draws = Draws(20_000, 1)

    def with_budget():
        found = volumes()
        variance_budget(
            lambda only: found.model.draw(draws, only), found.model.names, all_draws=found.volumes
        )

    plain, whole = median_time(volumes, runs), median_time(with_budget, runs)
    tracemalloc.start()
    volumes()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    slow, noisy, worst = brute(frame, periods, volumes())
    size = frame.memory_usage(deep=True).sum()
    print(f"{len(frame)} rows, {12 * years} invoices, 20,000 draws: read_csv {reading:.2f} s")
    print(f"  volumes {plain:.2f} s, ratio {plain / reading:.2f}")
    print(f"  with budget {whole:.2f} s, ratio {whole / reading:.2f}")
    print(f"  peak memory {peak / 1e6:.0f} MB, {peak / size:.1f} times the frame")
    print(f"  brute force, zero and coefficient: {slow:.0f} s, {slow / plain:.0f} times as long")
    print(f"  and every reading's noise: {noisy:.0f} s, {noisy / plain:.0f} times as long")
    print(f"  largest disagreement with brute force {worst:.1e} (relative, {BRUTE} draws)")


BRUTE = 20


def brute(frame: pd.DataFrame, periods: Periods, found) -> tuple[float, float, float]:
    """Seconds 20,000 draws would take reading by reading, and the disagreement of a few.

    The zero's path and the coefficient alone first; then with the noise of every reading drawn
    too, which the fast scheme treats by formula.
    """
    head = frame["head"].to_numpy()
    seconds = np.arange(len(head)) * MINUTE
    draws = Draws(20_000, 1)
    offsets, model = found.model.draw_offsets(draws)[:BRUTE], found.model
    factor = (1 + draws.of(model.causes["discharge coefficient"]))[:BRUTE]
    edges = found.zero.edges
    fast = model.evaluate(offsets, {"discharge coefficient": factor - 1}, BRUTE)
    begin, slow = time.process_time(), np.zeros((BRUTE, len(periods.names)))
    ends = np.searchsorted(seconds, periods.seconds(frame["time"].iloc[0]))
    for draw in range(BRUTE):
        path = np.interp(seconds, np.repeat(edges, 2)[1:-1], offsets[draw])
        flow = 0.3812 * np.maximum(head + path, 0) ** 1.58 * factor[draw]
        for place, (low, high) in enumerate(ends):
            part = flow[low : high + 1]
            slow[draw, place] = MINUTE * (part.sum() - (part[0] + part[-1]) / 2)
    spent = time.process_time() - begin
    rng, begin = np.random.default_rng(1), time.process_time()
    for _ in range(BRUTE):
        rng.standard_normal(len(head))
    noise = time.process_time() - begin
    bias = found.noise_bias * factor[:, None]
    worst = float(np.abs((fast + bias) / slow - 1).max())
    return spent / BRUTE * 20_000, (spent + noise) / BRUTE * 20_000, worst


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--years", type=int, default=3)
    parser.add_argument("--only", choices=["sample", "long", "scaling"])
    given = parser.parse_args()
    if given.only in (None, "sample"):
        bench_sample(given.runs)
    if given.only in (None, "long"):
        bench_long(given.runs, given.years)
    if given.only in (None, "scaling"):
        bench_scaling(given.runs, given.years)
