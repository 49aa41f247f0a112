"""Many cases side by side: each audited and reviewed, one summary, none stops the others.

Parallelism goes through joblib, so the same call runs on a Dask cluster inside
``joblib.parallel_config(backend="dask")``. Every site gets the same draws and seed wherever it
runs, a worker hands back one small record and keeps nothing, and results stand in the order the
cases were given: a parallel run equals a serial one.
"""

from __future__ import annotations

import gc
import os
import re
import signal
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from sewer_audit.errors import AuditError, InputRefused, Problem
from sewer_audit.many_sites.page import summary_page
from sewer_audit.many_sites.rows import ranked_table, site_record
from sewer_audit.report.folder.manifest import json_text

__all__ = [
    "SECONDS",
    "ReviewedSites",
    "review_sites",
]

SECONDS = 600.0
"""Longest time a site may take unless stated otherwise [s]."""
PAGE, TABLE, RECORDS = "sites.html", "sites.csv", "sites.json"


@dataclass(frozen=True)
class ReviewedSites:
    """What came out of a run over many sites."""

    folder: Path
    table: pd.DataFrame
    log: pd.DataFrame

    @property
    def failed(self) -> int:
        """Sites without a result [-]."""
        return int((self.table["status"] != "reviewed").sum())


def review_sites(
    cases: Sequence[str | Path],
    out: str | Path,
    quarter: str | None = None,
    jobs: int = 1,
    draws: int | Literal["adaptive"] = 20_000,
    seed: int = 1,
    progress: bool = True,
    pages: bool = False,
    memory: float | None = None,
    seconds: float = SECONDS,
) -> ReviewedSites:
    """Audit and review many cases, side by side.

    Parameters
    ----------
    cases : sequence of str or Path
        Case files or their folders [-].
    out : str or Path
        Folder to write; an older one of the same kind is replaced file by file [-].
    quarter : str, optional
        Quarter reviewed, such as "2026Q1"; every invoice if left out [text].
    jobs : int
        Cases at once; -1 for one a core. On a Dask cluster its workers set the pace [-].
    draws : int or "adaptive"
        Monte Carlo draws of every site; "adaptive" takes as many as each site needs [-].
    seed : int
        Their seed [-].
    progress : bool
        Say on standard error what is done [-].
    pages : bool
        Also write the review page of every site [-].
    memory : float, optional
        Largest data memory of a worker; a site that needs more fails alone. POSIX only [MB].
    seconds : float
        Longest time a site may take; one that needs more fails alone. POSIX, and not inside the
        threads of a Dask worker [s].

    Raises
    ------
    InputRefused
        If no case is named, or the folder holds something else.
    AuditError
        If the number of jobs, the memory or the time makes no sense.
    """
    _check(jobs, memory, seconds)
    folder = Path(out).absolute()
    files = _files(cases)
    _refuse_target(folder)
    folder.mkdir(parents=True, exist_ok=True)
    names = _names(files)
    tasks = [
        (place, str(file), str(folder / name), quarter, draws, seed, pages, memory, seconds)
        for place, (file, name) in enumerate(zip(files, names, strict=True))
    ]
    found = _run(tasks, names, jobs, progress)
    records = [{"site": name, **found[place][0]} for place, name in enumerate(names)]
    log = pd.DataFrame(
        {
            "site": names,
            "seconds": [found[place][1] for place in range(len(names))],
            **{
                name: [found[place][2 + k] for place in range(len(names))]
                for k, name in enumerate(("cpu_seconds", "peak_memory_mb", "process"))
            },
        }
    )
    table = ranked_table(records)
    about = {"quarter": quarter, "draws": draws, "seed": seed, "sites": records}
    (folder / RECORDS).write_text(json_text(about), encoding="utf-8")
    _safe(table).to_csv(folder / TABLE, index=False, lineterminator="\n")
    (folder / PAGE).write_text(summary_page(table, quarter, draws, seed), encoding="utf-8")
    return ReviewedSites(folder, table, log)


def _check(jobs: int, memory: float | None, seconds: float) -> None:
    if not seconds > 0:
        raise AuditError(f"{seconds:g} s for a site; state more than nothing")
    if jobs == 0 or jobs < -64:
        raise AuditError(f"{jobs} jobs; one or more, or -1 for one a core")
    if memory is not None and not memory >= 300:
        raise AuditError(f"{memory:g} MB for a worker; one site needs about 250, state 300 or more")
    if memory is not None and sys.platform == "win32":
        raise AuditError("a memory limit needs a POSIX system; leave it out here")


def _files(cases: Sequence[str | Path]) -> list[Path]:
    files = [Path(case) for case in cases]
    files = [file / "case.toml" if file.is_dir() else file for file in files]
    if not files:
        raise InputRefused(Problem("cases", "no case is named", "Name case files or folders"))
    return [file.absolute() for file in files]


def _names(files: Sequence[Path]) -> list[str]:
    """A folder name for each case: its place in the list and the name of its folder."""
    width = max(3, len(str(len(files))))
    names = []
    for place, file in enumerate(files, start=1):
        word = file.parent.name if file.stem == "case" else file.stem
        plain = "".join(sign if sign.isalnum() and sign.isascii() else "-" for sign in word)
        names.append(f"{place:0{width}d}-{plain.strip('-')[:60] or 'site'}")
    return names


def _refuse_target(folder: Path) -> None:
    remedy = "Name a new folder"
    if folder.exists() and not folder.is_dir():
        raise InputRefused(Problem(folder.name, "a file of this name exists", remedy))
    if folder.is_dir() and any(folder.iterdir()) and not (folder / RECORDS).is_file():
        found = "the folder exists and holds something else than a review of many sites"
        raise InputRefused(Problem(folder.name, found, remedy))


def _run(
    tasks: list[tuple], names: list[str], jobs: int, progress: bool
) -> dict[int, tuple[dict[str, Any], float, float, float, int]]:
    """Every task once; a worker that dies costs its own site only."""
    from joblib import Parallel, delayed

    tell, found = _Teller(len(tasks), names, progress), {}

    def collect(chosen: list[tuple], count: int) -> None:
        run = Parallel(
            n_jobs=count, return_as="generator_unordered", batch_size=1, pre_dispatch="2*n_jobs"
        )
        for place, record, seconds, *rest in run(delayed(_one)(task) for task in chosen):
            found[place] = (record, seconds, *rest)
            tell(place, record, seconds)

    try:
        collect(tasks, jobs)
    except Exception:
        for task in [each for each in tasks if each[0] not in found]:
            try:
                collect([task], 2)  # alone in a process of its own
            except Exception as error:
                record = _failure("failed", [f"its worker ended ({type(error).__name__})"])
                found[task[0]] = (record, *[float("nan")] * 3, 0)
                tell(task[0], record, float("nan"))
    return found


class _Teller:
    """Says on standard error how far a run is."""

    def __init__(self, count: int, names: list[str], progress: bool) -> None:
        self.count, self.names, self.progress, self.done = count, names, progress, 0

    def __call__(self, place: int, record: dict[str, Any], seconds: float) -> None:
        self.done += 1
        if self.progress:
            line = f"{self.done} of {self.count}: {self.names[place]} {record['status']}"
            print(f"{line} ({seconds:.1f} s)", file=sys.stderr, flush=True)


def _one(task: tuple) -> tuple[int, dict[str, Any], float, float, float, int]:
    """One site from case file to record; whatever goes wrong becomes part of the record."""
    place, file, folder, quarter, draws, seed, pages, memory, seconds = task
    begin, used = time.perf_counter(), time.process_time()
    try:
        with _bounded(memory), _timed(seconds):
            record = site_record(file, folder, quarter, draws, seed, pages)
    except InputRefused as error:
        record = _failure("refused", [str(problem) for problem in error.problems])
    except AuditError as error:
        record = _failure("refused", [str(error)])
    except _TooLongError:
        record = _failure("failed", [f"it takes longer than {seconds:g} s"])
    except MemoryError:
        record = _failure("failed", ["it needs more memory than a worker may take"])
    except Exception as error:
        first = (str(error).splitlines() or ["no message"])[0]
        record = _failure("failed", [f"{type(error).__name__}: {first}"])
    gc.collect()
    passed, used = time.perf_counter() - begin, time.process_time() - used
    return place, record, passed, used, _peak_memory(), os.getpid()


def _failure(status: str, problems: list[str]) -> dict[str, Any]:
    return {"status": status, "problems": [_without_paths(problem) for problem in problems]}


def _without_paths(text: str) -> str:
    """Folders of the machine are taken out of a message; names of files stay."""
    return re.sub(r"(?:[A-Za-z]:)?[\\/](?:[^\s'\"\\/:]+[\\/])+", "", text)


@contextmanager
def _bounded(memory: float | None) -> Iterator[None]:
    """Limits the data memory of this process while a site is worked on."""
    if memory is None:
        yield
        return
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_DATA)
    wanted = int(memory * 1e6)
    limit = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (limit, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))


class _TooLongError(BaseException):
    """A site has used up its time; nothing on the way may take it for a fault of its own."""


@contextmanager
def _timed(seconds: float) -> Iterator[None]:
    """Ends the work on a site after a time, where the system has an alarm."""
    if not hasattr(signal, "SIGALRM") or threading.current_thread() is not threading.main_thread():
        yield
        return

    def ring(*_: Any) -> None:
        raise _TooLongError

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def _peak_memory() -> float:
    """Largest resident memory of this process so far [MB]."""
    try:
        import resource
    except ImportError:
        return float("nan")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak / 1e3


def _safe(table: pd.DataFrame) -> pd.DataFrame:
    """No cell of text begins with a sign that a spreadsheet takes for a formula."""

    def quoted(value: Any) -> Any:
        formula = isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r"))
        return f"'{value}" if formula else value

    return table.apply(lambda column: column.map(quoted))
