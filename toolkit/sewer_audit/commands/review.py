"""``sewer-audit review``: one quarter of a case beside those before it, or many cases at once."""

from __future__ import annotations

import argparse

from sewer_audit.commands.options import add_command, add_run_options, write_page

__all__ = ["add_review", "run_review"]


def add_review(commands) -> None:
    """Add the command.

    Parameters
    ----------
    commands : argparse subparsers
        What the program's parser returned [-].
    """
    about = "review one quarter: volumes, cost, flags, forecast, savings, actions"
    command = add_command(commands, "review", run_review, about)
    command.add_argument(
        "case",
        metavar="CASE",
        nargs="+",
        help="case.toml or the folder that holds it; several, or a pattern such as "
        "'cases/*/case.toml', are reviewed side by side",
    )
    command.add_argument(
        "--quarter", metavar="2026Q1", default="", help="the last one with an invoice if left out"
    )
    command.add_argument(
        "--hindsight",
        action="store_true",
        help="use what became known after the quarter too; one case only",
    )
    command.add_argument(
        "--since",
        metavar="FOLDER",
        help="the last review, to show what changed; the one in --out if left out; one case only",
    )
    command.add_argument(
        "--jobs", type=int, metavar="N", help="cases at once, -1 for one a core; many cases only"
    )
    command.add_argument(
        "--memory",
        type=float,
        metavar="MB",
        help="largest data memory of a worker; many cases only",
    )
    command.add_argument(
        "--seconds",
        type=float,
        metavar="S",
        help="longest time a site may take, default 600; many cases only",
    )
    command.add_argument(
        "--pages", action="store_true", help="a page for every site too; many cases only"
    )
    add_run_options(command, "review folder")


def run_review(given: argparse.Namespace) -> int:
    """Write the review folder."""
    from sewer_audit.errors import InputRefused, Problem

    cases = _expanded(given.case)
    limits = (given.jobs, given.memory, given.seconds)
    if len(cases) > 1 or given.pages or any(limit is not None for limit in limits):
        if given.hindsight or given.since:
            found = "--hindsight and --since are for one case"
            raise InputRefused(Problem(cases[0], found, "Leave them out, or review one case"))
        return _many(cases, given)
    how = {"quarter": given.quarter, "hindsight": given.hindsight, "before": _before(given)}
    return write_page(given, cases[0], "review", notebook="quarterly_review", parameters=how)


def _before(given: argparse.Namespace) -> str:
    """What is kept of the last review: the one named, else the one that is about to be replaced.

    It travels in the new folder as a parameter, so that the folder rechecks without the old one.
    """
    from sewer_audit.auditing.quarterly.since import last_review
    from sewer_audit.errors import InputRefused

    try:
        found = last_review(given.since or given.out)
    except InputRefused:
        if given.since:
            raise
        return ""  # no folder yet, or one that holds no review
    return "" if found is None else found.text()


def _expanded(words: list[str]) -> list[str]:
    """Patterns replaced by the files they match, in order of their names."""
    from glob import glob

    from sewer_audit.errors import InputRefused, Problem

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
