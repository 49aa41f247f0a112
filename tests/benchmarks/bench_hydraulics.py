"""Cost of every rating against a plain power in numpy, as a ratio within one run.

    python tests/benchmarks/bench_hydraulics.py [number of heads]

Closed-form devices must stay within twice the time of ``C * h**n``. Each is timed next to its own
power, the best of several rounds of both, so that a busy machine disturbs them alike. Solved
devices (critical depth) and tables are printed for information. The cores share so long an array;
the plain power has one of them.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from sewer_audit.hydraulics import build_device

UNIFORM = {"slope": "0.4 %", "roughness": "0.013"}
CLOSED = {
    "parshall": ("parshall", {"throat": "6 in"}),
    "v-notch": ("v-notch", {"angle": "90 deg"}),
    "rectangular-weir": (
        "rectangular-weir",
        {"crest_length": "1 ft", "channel_width": "3 ft", "crest_height": "1 ft"},
    ),
    "cipolletti": ("cipolletti", {"crest_length": "1 ft"}),
    "h-flume": ("h-flume", {"kind": "H", "depth": "1.5 ft"}),
    "trapezoidal": (
        "trapezoidal",
        {"coefficient": "1.55", "exponent": "2.58", "units": "ft", "source": "bench"},
    ),
    "long-throated": (
        "long-throated",
        {"throat_width": "0.3 m", "throat_length": "0.9 m", "approach_width": "0.6 m"},
    ),
    "long-throated with hump": (
        "long-throated",
        {
            "throat_width": "0.3 m",
            "throat_length": "0.9 m",
            "approach_width": "0.6 m",
            "hump": "0.05 m",
        },
    ),
    "area of a circular pipe": ("area-velocity", {"diameter": "0.5 m"}),
    "circular-pipe": ("circular-pipe", {"diameter": "0.5 m", **UNIFORM}),
    "rectangular-channel": (
        "rectangular-channel",
        {"width": "0.5 m", "height": "0.6 m", **UNIFORM},
    ),
}
OTHER = {
    "egg-shaped-pipe": ("egg-shaped-pipe", {"height": "0.9 m", **UNIFORM}),
    "rating-table": (
        "rating-table",
        {"table": "1 in: 5 gpm, 4 in: 60 gpm, 16 in: 900 gpm", "source": "bench"},
    ),
    "u-throated": (
        "u-throated",
        {"diameter": "0.3 m", "throat_length": "0.9 m", "approach_width": "0.6 m"},
    ),
}
ROUNDS = 15


def once(work) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def compare(device, heads: np.ndarray) -> tuple[float, float]:
    """Best times of the rating and of the plain power, taken in turns."""
    ours, plain = [], []
    for _ in range(ROUNDS):
        plain.append(once(lambda: 0.38 * heads**1.58))
        ours.append(once(lambda: device.rating(heads)))
    return min(ours), min(plain)


def main(count: int) -> int:
    heads = np.random.default_rng(1).uniform(0.03, 0.45, count)
    slow = []
    for name, pair in {**CLOSED, **OTHER}.items():
        few = heads if name in CLOSED else heads[: count // 10]
        ours, plain = compare(build_device(*pair), few)
        kind = "closed form" if name in CLOSED else "solved or table"
        print(f"{name:26s} {ours:7.3f} s  {ours / plain:6.2f} x C*h**n  {kind}, {len(few):,}")
        if name in CLOSED and ours > 2 * plain:
            slow.append(name)
    print("all within twice" if not slow else f"slower than twice: {', '.join(slow)}")
    return 1 if slow else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000))
