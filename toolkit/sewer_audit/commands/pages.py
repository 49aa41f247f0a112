"""The commands that run one notebook on one case: ``report``, ``brief``, ``plan``."""

from __future__ import annotations

import argparse

from sewer_audit.commands.options import add_command, add_run_options, write_page

__all__ = ["add_brief", "add_plan", "add_report"]


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
        from sewer_audit.case import sample_case

        case = sample_case(sample) if given.case is None else given.case
        return write_page(given, case, name, notebook=notebook)

    command = add_command(commands, word, run, about)
    command.add_argument(
        "case",
        metavar="CASE",
        nargs="?",
        help="case.toml, or the folder that holds it; an invented sample if left out",
    )
    add_run_options(command, out, adaptive)
