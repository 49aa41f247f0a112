"""``sewer-audit price``: an example priced from a rate file, before any invoice."""

from __future__ import annotations

import argparse
import sys

from sewer_audit.commands.options import add_command

__all__ = ["add_price"]


def add_price(commands) -> None:
    """Add the command.

    Parameters
    ----------
    commands : argparse subparsers
        What the program's parser returned [-].
    """
    about = "price one example from a rate file, such as the ordinance's own"
    command = add_command(commands, "price", run_price, about)
    command.add_argument("rates", metavar="RATES", help="rates.toml, or the folder that holds it")
    command.add_argument(
        "pairs",
        metavar="key=value",
        nargs="*",
        help="such as 'volume=100 kgal' days=30 'meter_size=2 in' total=863.70; the keys are "
        "printed if none is given",
    )


def run_price(given: argparse.Namespace) -> int:
    """Print every line; 1 if a stated total is not met."""
    from pathlib import Path

    from sewer_audit.charges import load_rates
    from sewer_audit.charges.pricing.worked_example import KNOWN, price_example

    wrong = [pair for pair in given.pairs if "=" not in pair]
    if wrong:
        print(f"{wrong[0]!r} is not key=value, such as 'volume=100 kgal'", file=sys.stderr)
        return 2
    if not given.pairs:
        print("\n".join(f"  {word:<16} {means}" for word, means in KNOWN.items()))
        print("and each count, metered volume and strength the schedule speaks of, by its name")
        return 0
    file = Path(given.rates)
    schedule = load_rates(file / "rates.toml" if file.is_dir() else file)
    example = price_example(schedule, dict(pair.split("=", 1) for pair in given.pairs))
    print(example)
    return 0 if example.agrees else 1
