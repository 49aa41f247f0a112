"""``sewer-audit plan``: what to install, how long, how often to visit, and is it worth it."""

from __future__ import annotations

import argparse

from toolkit.commands.options import add_command, add_run_options

__all__ = ["add_plan", "run_plan"]


def add_plan(commands) -> None:
    """Add the command.

    Parameters
    ----------
    commands : argparse subparsers
        What the program's parser returned [-].
    """
    about = "plan a measurement: what to install, how long, how often to visit, is it worth it"
    command = add_command(commands, "plan", run_plan, about)
    command.add_argument(
        "case",
        metavar="CASE",
        nargs="?",
        help="case.toml, or the folder that holds it; an invented sample if left out",
    )
    add_run_options(command, "folder of the plan")


def run_plan(given: argparse.Namespace) -> int:
    """Write the folder of a plan.

    Parameters
    ----------
    given : argparse.Namespace
        The parsed arguments [-].

    Returns
    -------
    int
        Exit code [-].
    """
    from toolkit.case import sample_case
    from toolkit.report import write_report

    result = write_report(
        given.case if given.case is not None else sample_case("before_a_logger"),
        given.out,
        notebook="monitoring_plan",
        draws=given.draws,
        seed=given.seed,
        progress=not given.quiet,
        pdf=given.pdf,
        name="plan",
    )
    print(f"plan written: {result.folder}")
    for line in result.lines:
        print(line)
    return 0
