"""The commands that make a page of one case, or of many; the letter; the recheck of a folder."""

from __future__ import annotations

import argparse
from glob import glob
from typing import Any

from sewer_audit.errors import InputRefused, Problem


def run_page(given: argparse.Namespace) -> int:
    """Write the folder of a page that one notebook makes."""
    return _write(given, given.case, given.name, notebook=given.notebook)


def _write(given: argparse.Namespace, case: str | None, name: str, **how: Any) -> int:
    """Run the notebook behind a command, write its folder and say where."""
    from sewer_audit.report.folder.kernel import warm_kernel

    with warm_kernel() as kernel:  # it imports while this process does
        from sewer_audit.case import sample_case
        from sewer_audit.report import write_report

        result = write_report(
            case or sample_case(given.sample),
            given.out,
            draws=given.draws,
            seed=given.seed,
            progress=not given.quiet,
            pdf=given.pdf,
            name=name,
            kernel=kernel,
            **how,
        )
    print(f"{name} written: {result.folder}")
    for line in result.lines:
        print(line)
    return 0


def run_letter(given: argparse.Namespace) -> int:
    """Print the letter; nothing is written or sent."""
    from sewer_audit import audit, load_case
    from sewer_audit.report.evidence.letter import cover_letter

    result = audit(load_case(given.case), draws=given.draws, seed=given.seed)
    print(cover_letter(result, counsel=given.counsel))
    return 0


def run_recheck(given: argparse.Namespace) -> int:
    """Recompute an evidence folder."""
    from sewer_audit.report.folder.kernel import warm_kernel

    with warm_kernel() as kernel:  # it imports while this process does
        from sewer_audit.report import recheck

        result = recheck(given.folder, progress=True, sha256=given.sha256, kernel=kernel)
    print(result)
    return 0 if result.reproduced else 1


def run_review(given: argparse.Namespace) -> int:
    """Write the review folder."""
    cases = _expanded(given.case)
    limits = (given.jobs, given.memory, given.seconds)
    if len(cases) > 1 or given.pages or any(limit is not None for limit in limits):
        if given.hindsight or given.since:
            found = "--hindsight and --since are for one case"
            raise InputRefused(Problem(cases[0], found, "Leave them out, or review one case"))
        return _many(cases, given)
    how = {"quarter": given.quarter, "hindsight": given.hindsight, "before": _before(given)}
    return _write(given, cases[0], "review", notebook="quarterly_review", parameters=how)


def _before(given: argparse.Namespace) -> str:
    """What is kept of the last review: the one named, else the one that is about to be replaced.

    It travels in the new folder as a parameter, so that the folder rechecks without the old one.
    """
    from sewer_audit.auditing.quarterly.since import last_review

    try:
        found = last_review(given.since or given.out)
    except InputRefused:
        if given.since:
            raise
        return ""  # no folder yet, or one that holds no review
    return "" if found is None else found.text()


def _expanded(words: list[str]) -> list[str]:
    """Patterns replaced by the files they match, in order of their names."""
    cases: list[str] = []
    for word in words:
        found = sorted(glob(word, recursive=True)) if set(word) & set("*?[") else [word]
        if not found:
            remedy = "Quote the pattern and check the folder it starts from"
            raise InputRefused(Problem(word, "no case matches this pattern", remedy))
        cases += found
    return list(dict.fromkeys(cases))


def _many(cases: list[str], given: argparse.Namespace) -> int:
    """Review many cases side by side; 1 if any gave no result."""
    from sewer_audit.many_sites import SECONDS, review_sites

    result = review_sites(
        cases,
        given.out,
        quarter=given.quarter or None,
        jobs=1 if given.jobs is None else given.jobs,
        draws=given.draws,
        seed=given.seed,
        progress=not given.quiet,
        pages=given.pages,
        memory=given.memory,
        seconds=SECONDS if given.seconds is None else given.seconds,
    )
    done = len(result.table) - result.failed
    print(f"review of {len(cases)} sites written: {result.folder}")
    print(f"{done} reviewed, {result.failed} without a result; open sites.html in that folder")
    return 1 if result.failed else 0
