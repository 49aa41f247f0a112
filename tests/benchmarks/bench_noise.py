"""Time of the noise variance of a sum, for more and more readings, as ratios within one run.

    python tests/benchmarks/bench_noise.py

Ten times the readings must cost about ten times as much: linear, not quadratic.
"""

from __future__ import annotations

import math
import sys
import time
from itertools import pairwise

import numpy as np

from sewer_audit.uncertainty import noise_variance

COUNTS = (50_000, 500_000, 5_000_000)


def best_of(count: int, rounds: int = 5) -> float:
    at = np.cumsum(np.where(np.arange(count) % 7, 60.0, 61.0))
    best = math.inf
    for _ in range(rounds):
        begin = time.perf_counter()
        noise_variance(np.ones(count), at, 3600.0)
        best = min(best, time.perf_counter() - begin)
    return best


def main() -> int:
    spent = [best_of(count) for count in COUNTS]
    for count, seconds in zip(COUNTS, spent, strict=True):
        print(f"{count:>10,} readings  {seconds:8.4f} s  {seconds / spent[0]:7.1f} x the first")
    linear = all(b < 40 * a for a, b in pairwise(spent))
    print("linear" if linear else "slower than linear")
    return 0 if linear else 1


if __name__ == "__main__":
    sys.exit(main())
