"""``sewer-audit review``: one quarter of a case beside the quarters before it."""

from __future__ import annotations

import argparse

from toolkit.command_options import add_command, add_run_options

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
    command.add_argument("case", metavar="CASE", help="case.toml, or the folder that holds it")
    command.add_argument(
        "--quarter", metavar="2026Q1", default="", help="the last one with an invoice if left out"
    )
    add_run_options(command, "review folder")


def run_review(given: argparse.Namespace) -> int:
    """Write the review folder.

    Parameters
    ----------
    given : argparse.Namespace
        Words from the command line [-].

    Returns
    -------
    int
        Exit code [-].
    """
    from toolkit.report import write_report

    result = write_report(
        given.case,
        given.out,
        "quarterly_review",
        {"quarter": given.quarter},
        draws=given.draws,
        seed=given.seed,
        progress=not given.quiet,
        pdf=given.pdf,
        name="review",
    )
    print(f"review written: {result.folder}")
    for line in result.lines:
        print(line)
    return 0
