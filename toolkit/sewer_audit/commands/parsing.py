"""The command line from its table, ``commands.toml``; imports nothing heavy."""

from __future__ import annotations

import argparse
import tomllib
from collections.abc import Callable
from importlib import import_module, resources
from typing import Any

__all__ = ["parser"]

DRAWS, SEED = 20_000, 1


def parser() -> argparse.ArgumentParser:
    """Every command with its options.

    Returns
    -------
    argparse.ArgumentParser
        `given.run(given)` runs what was asked for [-].
    """
    program = argparse.ArgumentParser(
        prog="sewer-audit",
        description="Audit sewer invoices against effluent records, metered intake and the rate "
        "schedule. Exit codes: 0 done, 1 input refused, 2 wrong usage.",
    )
    commands = program.add_subparsers(title="commands", metavar="COMMAND")
    text = resources.files("sewer_audit.commands").joinpath("commands.toml").read_text("utf-8")
    for name, each in tomllib.loads(text).items():
        command = commands.add_parser(name, help=each["about"], description=each["about"])
        command.set_defaults(run=_later(each["does"]), **each.get("set", {}))
        for argument in each["arguments"]:
            how = {key: value for key, value in argument.items() if key != "name"}
            kind = {"type": TYPES[how.pop("type")]} if "type" in how else {}
            command.add_argument(argument["name"], **how, **kind)
        if "run" in each:
            _add_run_options(command, **each["run"])
    return program


def _later(does: str) -> Callable[[argparse.Namespace], int | None]:
    """The function of a command, imported when it runs."""
    module, _, name = does.partition(":")

    def run(given: argparse.Namespace) -> int | None:
        return getattr(import_module(f"sewer_audit.commands.{module}"), name)(given)

    return run


def _add_run_options(command: argparse.ArgumentParser, out: str, adaptive: bool) -> None:
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


TYPES: dict[str, Any] = {"int": int, "float": float, "draws": draws_wanted}
