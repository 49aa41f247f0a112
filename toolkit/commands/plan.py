"""``sewer-audit plan``: what to install, how long, how often to visit, and is it worth it."""

from __future__ import annotations

import argparse

from toolkit.commands.options import add_command, add_run_options, write_page

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

    case = sample_case("before_a_logger") if given.case is None else given.case
    return write_page(given, case, "plan", notebook="monitoring_plan")
