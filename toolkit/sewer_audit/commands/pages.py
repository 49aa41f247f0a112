"""The commands that run one notebook on one case: ``report``, ``brief``, ``plan``; ``letter``."""

from __future__ import annotations

import argparse
from typing import Any

from sewer_audit.commands.options import (
    DRAWS,
    SEED,
    add_command,
    add_run_options,
    draws_wanted,
    write_page,
)

__all__ = ["add_brief", "add_letter", "add_plan", "add_report"]


def add_report(commands) -> None:
    """Add ``report``, the main job.

    Parameters
    ----------
    commands : argparse subparsers
        What the program's parser returned [-].
    """
    about = "audit the case and write the evidence folder"
    _add(commands, "report", about, "evidence folder", "evidence", "evidence_report")


def add_brief(commands) -> None:
    """Add ``brief``, the uncertainty of a case for management on two pages.

    Parameters
    ----------
    commands : argparse subparsers
        What the program's parser returned [-].
    """
    about = "write the uncertainty brief for management: two pages, and the folder that proves them"
    _add(commands, "brief", about, "brief folder", "brief", "uncertainty_explained")


def add_plan(commands) -> None:
    """Add ``plan``: what to install, how long, how often to visit, and is it worth it.

    Parameters
    ----------
    commands : argparse subparsers
        What the program's parser returned [-].
    """
    about = "plan a measurement: what to install, how long, how often to visit, is it worth it"
    sample = "before_a_logger"
    words = ("plan", about, "folder of the plan", "plan", "monitoring_plan")
    _add(commands, *words, sample, adaptive=False)


def add_letter(commands) -> None:
    """Add ``letter``: the draft that the report also shows, and the version for counsel.

    Parameters
    ----------
    commands : argparse subparsers
        What the program's parser returned [-].
    """
    about = "print the draft of a letter to the billing authority, with blanks for names"
    command = add_command(commands, "letter", run_letter, about)
    command.add_argument("case", metavar="CASE", help="case.toml, or the folder that holds it")
    command.add_argument(
        "--counsel",
        action="store_true",
        help="the version for your own counsel, which also names what was billed too low",
    )
    command.add_argument("--draws", type=draws_wanted, default=DRAWS, metavar="NUMBER")
    command.add_argument("--seed", type=int, default=SEED, help=f"default {SEED}")


def run_letter(given: argparse.Namespace) -> int:
    """Print the letter; nothing is written or sent."""
    from sewer_audit import audit, load_case
    from sewer_audit.report.evidence.letter import cover_letter

    result = audit(load_case(given.case), draws=given.draws, seed=given.seed)
    print(cover_letter(result, counsel=given.counsel))
    return 0


def _add(
    commands,
    word: str,
    about: str,
    out: str,
    name: str,
    notebook: str,
    sample: str = "",
    adaptive: bool = True,
) -> None:
    def run(given: argparse.Namespace) -> int:
        return write_page(given, given.case or _sample, name, notebook=notebook)

    def _sample() -> Any:
        from sewer_audit.case import sample_case

        return sample_case(sample)

    command = add_command(commands, word, run, about)
    command.add_argument(
        "case",
        metavar="CASE",
        nargs="?",
        help="case.toml, or the folder that holds it; an invented sample if left out",
    )
    add_run_options(command, out, adaptive)
