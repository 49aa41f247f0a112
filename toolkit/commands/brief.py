"""The command ``brief``: the uncertainty of a case for management, on two pages."""

from __future__ import annotations

import argparse

from toolkit.commands.options import add_command, add_run_options, write_page

__all__ = ["add_brief", "run_brief"]


def add_brief(commands) -> None:
    """Add the command.

    Parameters
    ----------
    commands : argparse subparsers
        What the program's parser returned [-].
    """
    about = "write the uncertainty brief for management: two pages, and the folder that proves them"
    command = add_command(commands, "brief", run_brief, about)
    command.add_argument(
        "case",
        metavar="CASE",
        nargs="?",
        help="case.toml, or the folder that holds it; the invented sample if left out",
    )
    add_run_options(command, "brief folder")


def run_brief(given: argparse.Namespace) -> int:
    """Write the brief folder.

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

    case = sample_case() if given.case is None else given.case
    return write_page(given, case, "brief", notebook="uncertainty_explained")
