"""What every command of ``sewer-audit`` shares; imports nothing heavy."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

__all__ = [
    "DRAWS",
    "SEED",
    "add_command",
    "add_run_options",
    "draws_wanted",
    "whole_count",
    "write_page",
]

DRAWS, SEED = 20_000, 1


def add_command(commands, name: str, run: Callable, about: str) -> argparse.ArgumentParser:
    """Add one command.

    Parameters
    ----------
    commands : argparse subparsers
        What the program's parser returned [-].
    name : str
        The word on the command line [text].
    run : callable
        Takes the parsed arguments, returns the exit code or None [-].
    about : str
        One line of help [text].

    Returns
    -------
    argparse.ArgumentParser
        The command's parser, for its arguments [-].
    """
    command = commands.add_parser(name, help=about, description=about)
    command.set_defaults(run=run)
    return command


def add_run_options(command: argparse.ArgumentParser, out: str, adaptive: bool = True) -> None:
    """Add the options of every command that computes and writes a folder."""
    command.add_argument("--out", metavar="FOLDER", required=True, help=f"{out} to write")
    about = f"Monte Carlo draws, default {DRAWS}"
    if adaptive:
        about += "; 'adaptive' adds draws until the printed figures stand still (JCGM 101, 7.9)"
    kind = draws_wanted if adaptive else whole_count
    command.add_argument("--draws", type=kind, default=DRAWS, metavar="NUMBER", help=about)
    command.add_argument("--seed", type=int, default=SEED, help=f"default {SEED}")
    command.add_argument("--pdf", action="store_true", help="also print the page to PDF")
    command.add_argument("--quiet", action="store_true", help="show no progress")


def draws_wanted(text: str) -> int | str:
    """Number of draws from the command line, or the word that leaves it to the figures."""
    if text == "adaptive":
        return text
    if not text.replace("_", "").lstrip("+-").isdigit():
        raise argparse.ArgumentTypeError(f"{text!r} is neither a whole number nor 'adaptive'")
    return whole_count(text)


def whole_count(text: str) -> int:
    """Number of draws from the command line."""
    try:
        count = int(text.replace("_", ""))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number") from None
    if not 100 <= count <= 10_000_000:
        raise argparse.ArgumentTypeError("between 100 and 10000000 draws")
    return count


def write_page(given: argparse.Namespace, case: Any, name: str, **how: Any) -> int:
    """Run the notebook behind a command, write its folder and say where.

    case: Its file or folder, or what finds it.
    """
    from sewer_audit.report.folder.kernel import warm_kernel

    with warm_kernel() as kernel:  # it imports while this process does
        from sewer_audit.report import write_report

        result = write_report(
            case() if callable(case) else case,
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
