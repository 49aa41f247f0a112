"""``sewer-audit draft`` and ``read-bills``: from raw files and PDF bills to a first case."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from sewer_audit.commands.options import add_command

__all__ = ["add_draft", "add_read_bills"]


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


def add_draft(commands) -> None:
    """Add the command.

    Parameters
    ----------
    commands : argparse subparsers
        What the program's parser returned [-].
    """
    about = "look at a folder of raw files and propose a case; nothing counts until you take it"
    command = add_command(commands, "draft", run_draft, about)
    command.add_argument("folder", metavar="FOLDER", help="folder of raw files")
    command.add_argument("--out", metavar="FOLDER", help="where to write; FOLDER/draft if left out")
    command.add_argument(
        "--take", metavar="NAME", action="append", default=[], help="take a proposal as it stands"
    )
    command.add_argument(
        "--answer", metavar="NAME=VALUE", action="append", default=[], help="answer a question"
    )
    again = "begin anew: forget what was taken, answered and edited"
    command.add_argument("--again", action="store_true", help=again)


def run_draft(given: argparse.Namespace) -> int:
    """Write the draft and its page."""
    from sewer_audit.drafting import draft_case

    wrong = [pair for pair in given.answer if "=" not in pair]
    if wrong:
        print(f"{wrong[0]!r} is not NAME=VALUE", file=sys.stderr)
        return 2
    draft = draft_case(given.folder)
    answers = dict(pair.split("=", 1) for pair in given.answer)
    out = Path(given.out) if given.out else Path(given.folder) / "draft"
    case = draft.write(out, given.take, answers, again=given.again)
    print(draft.told(case.read_text(encoding="utf-8")))
    print(f"\nwritten: {case} and {case.parent / 'first_look.html'}")
    return 0
