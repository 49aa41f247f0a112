"""``sewer-audit explain``: what a key of a case or of a rate file means."""

from __future__ import annotations

import argparse
import sys

from sewer_audit.commands.options import add_command

__all__ = ["add_explain"]


def add_explain(commands) -> None:
    """Add the command.

    Parameters
    ----------
    commands : argparse subparsers
        What the program's parser returned [-].
    """
    about = "say what a key of a case or a rate file means: unit, default, example"
    command = add_command(commands, "explain", run_explain, about)
    command.add_argument(
        "key",
        metavar="KEY",
        nargs="*",
        help="a table or key such as effluent.visit, tolerance or version.charge, or words to "
        "look for; every table if left out",
    )
    command.add_argument("--all", action="store_true", help="the whole reference, key by key")
    command.add_argument(
        "--schema", choices=("case", "rates"), help="the JSON schema of a file, for editors"
    )


def run_explain(given: argparse.Namespace) -> int:
    """Print what was asked for; 1 if nothing is known by that name."""
    from sewer_audit.reference import about, reference, schema_of

    if given.schema:
        print(schema_of(given.schema), end="")
        return 0
    told = reference(whole=given.all) if not given.key else about(" ".join(given.key))
    print(told or f"nothing is known of {' '.join(given.key)!r}; 'sewer-audit explain' lists the "
          "tables", file=sys.stdout if told else sys.stderr)  # fmt: skip
    return 0 if told else 1
