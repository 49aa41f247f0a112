"""The command ``brief``: the uncertainty of a case for management, on two pages."""

from __future__ import annotations

import argparse

from toolkit.commands.options import add_command, add_run_options

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
    from toolkit.report import write_report

    result = write_report(
        given.case if given.case is not None else sample_case(),
        given.out,
        notebook="uncertainty_explained",
        draws=given.draws,
        seed=given.seed,
        progress=not given.quiet,
        pdf=given.pdf,
        name="brief",
    )
    print(f"brief written: {result.folder}")
    for line in result.lines:
        print(line)
    return 0
