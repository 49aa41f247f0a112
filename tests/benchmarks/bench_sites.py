"""Two hundred synthetic sites of one year at 15 minutes, by one worker and by two.

Run: python tests/benchmarks/bench_sites.py [SITES]
Prints time per site, memory of a worker, the scaling from one to two workers, and whether both
wrote the same bytes. A busy machine falsifies the scaling: the load is printed too. The aim is a
scaling of at least 1.7.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

import joblib

sys.path.insert(0, str(Path(__file__).parent.parent))

import many_sites_world as sites
from sewer_audit.many_sites import review_sites

SITES, DRAWS, ORIGINALS = 200, 20_000, 10
AIM = 1.7


def written(folder: Path, count: int) -> list[Path]:
    """So many sites: a few simulated ones, each copied under further names."""
    first = [
        sites.write_site(folder / f"site{k:03d}", k, days=365, months=12, over=0.9 + 0.05 * k)
        for k in range(min(ORIGINALS, count))
    ]
    more = [
        sites.copy_site(first[k % len(first)], folder / f"site{k:03d}")
        for k in range(len(first), count)
    ]
    return first + more


def content(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def main(count: int) -> int:
    """Measure and print."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory() as place:
        cases = written(Path(place) / "cases", count)
        taken, made = {}, {}
        for jobs in (1, 2):
            with joblib.parallel_config(backend="loky"):
                begin = time.perf_counter()
                out = Path(place) / f"out{jobs}"
                found = review_sites(cases, out, jobs=jobs, draws=DRAWS, progress=False)
                taken[jobs] = time.perf_counter() - begin
            made[jobs] = content(out)
            each = found.log
            print(
                f"{jobs} worker(s): {count} sites in {taken[jobs]:.1f} s, "
                f"{taken[jobs] / count:.2f} s a site; failed {found.failed}; "
                f"computing {each['cpu_seconds'].mean():.2f} s a site, "
                f"peak memory of a worker {each['peak_memory_mb'].max():.0f} MB; "
                f"load {os.getloadavg()[0]:.1f}",
                flush=True,
            )
        scaling = taken[1] / taken[2]
        same = made[1] == made[2]
        print(f"scaling 1 to 2 workers {scaling:.2f} (aim {AIM}); same bytes: {same}")
        return 0 if same and scaling >= AIM else 1


if __name__ == "__main__":
    raise SystemExit(main(int(sys.argv[1]) if len(sys.argv) > 1 else SITES))
