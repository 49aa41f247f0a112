"""``sewer-audit read-bills``: figures of PDF bills, each with its page, box and picture."""

from __future__ import annotations

import argparse

from sewer_audit.commands.options import add_command

__all__ = ["add_read_bills"]


def add_read_bills(commands) -> None:
    """Add the command.

    Parameters
    ----------
    commands : argparse subparsers
        What the program's parser returned [-].
    """
    about = "read PDF bills by one bill that you type; every doubtful figure is asked"
    command = add_command(commands, "read-bills", run_read_bills, about)
    command.add_argument("folder", metavar="FOLDER", help="folder that holds the bills")
    command.add_argument("--out", metavar="FOLDER", help="where to write; FOLDER/read if left out")


def run_read_bills(given: argparse.Namespace) -> int:
    """Read the bills; 1 while questions are open."""
    from sewer_audit.drafting import read_bills

    result = read_bills(given.folder, given.out)
    print(result)
    return 1 if result.asked else 0
