"""The command line: ``sewer-audit``, the same as ``python -m sewer_audit``.

Exit codes: 0 done, 1 input refused (the reason on standard error), 2 wrong usage. Nothing heavy is
imported before a command needs it, so that ``--help`` answers at once.
"""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Sequence
from contextlib import suppress

from sewer_audit.commands.drafting import add_draft, add_read_bills
from sewer_audit.commands.explain import add_explain
from sewer_audit.commands.options import add_command
from sewer_audit.commands.pages import add_brief, add_letter, add_plan, add_report
from sewer_audit.commands.rates import add_price
from sewer_audit.commands.review import add_review
from sewer_audit.errors import AuditError, InputRefused

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command."""
    words = parser()
    given = words.parse_args(arguments)
    if not hasattr(given, "run"):
        words.print_help(sys.stderr)
        return 2
    with suppress(ValueError):  # in another thread than the main one
        signal.signal(signal.SIGTERM, signal.default_int_handler)  # asked to end: clear up first
    try:
        return given.run(given) or 0
    except InputRefused as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)
        count = len(error.problems)
        print(f"refused: {count} problem{'s' if count != 1 else ''}", file=sys.stderr)
    except AuditError as error:
        print(f"refused: {error}", file=sys.stderr)
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
    except BrokenPipeError:
        sys.stderr.close()
    return 1


def parser() -> argparse.ArgumentParser:
    """Every command with its options."""
    program = argparse.ArgumentParser(
        prog="sewer-audit",
        description="Audit sewer invoices against effluent records, metered intake and the rate "
        "schedule. Exit codes: 0 done, 1 input refused, 2 wrong usage.",
    )
    commands = program.add_subparsers(title="commands", metavar="COMMAND")
    builders = (
        _start,
        add_draft,
        add_read_bills,
        add_explain,
        add_price,
        _inspect,
        add_report,
        add_letter,
        add_review,
        add_brief,
        add_plan,
    )
    builders += (_discharge, _recheck)
    for build in builders:
        build(commands)
    return program


def _start(commands) -> None:
    command = add_command(
        commands, "start", run_start, "write a commented starter case into a new folder"
    )
    command.add_argument("folder", metavar="FOLDER", help="folder to create")
    command.add_argument(
        "--rates",
        action="store_true",
        help="ask about the printed rate schedule and write rates.toml; the folder may exist",
    )
    command.add_argument(
        "--answers",
        metavar="FILE",
        help="with --rates: answers, one a line, such as rates.answers.txt of an earlier run; "
        "where they end, the rest is asked",
    )


def _inspect(commands) -> None:
    about = "read and screen every input and print every problem; computes nothing"
    command = add_command(commands, "inspect", run_inspect, about)
    command.add_argument("case", metavar="CASE", help="case.toml, or the folder that holds it")


def _discharge(commands) -> None:
    about = "one discharge from a hand reading: value, validity, source, accuracy"
    command = add_command(commands, "discharge", run_discharge, about)
    command.add_argument(
        "device",
        metavar="DEVICE",
        help="for example: parshall; the word list shows them all with their sizes",
    )
    command.add_argument(
        "pairs",
        metavar="key=value",
        nargs="*",
        help="sizes and reading with their units, for example 'throat=6 in' 'head=3 in'",
    )
    command.add_argument("--json", action="store_true", help="print one JSON object")


def _recheck(commands) -> None:
    about = "recompute an evidence folder and say whether every figure is reproduced"
    command = add_command(commands, "recheck", run_recheck, about)
    command.add_argument("folder", metavar="FOLDER", help="evidence folder")
    command.add_argument(
        "--sha256",
        metavar="FIGURE",
        help="SHA-256 of manifest.json that was noted elsewhere when the folder was written",
    )


def run_start(given: argparse.Namespace) -> int:
    """Write a starter case, or a rate file from answers."""
    from pathlib import Path

    from sewer_audit.starter import write_starter

    if given.answers and not given.rates:
        print("--answers belongs to --rates", file=sys.stderr)
        return 2
    folder = Path(given.folder)
    if not (given.rates and folder.is_dir() and any(folder.iterdir())):
        folder = write_starter(given.folder)
        print(f"starter case written: {folder}")
    if given.rates:
        from sewer_audit.starter.asking import ask_for_rates

        written = ask_for_rates(folder, given.answers)
        print(f"rate schedule written: {written}, and the answers beside it")
    print("fill its files, then: sewer-audit inspect", folder)
    return 0


def run_inspect(given: argparse.Namespace) -> int:
    """Print every problem of every input."""
    from sewer_audit.auditing import inspect_file

    inspection = inspect_file(given.case)
    print(inspection)
    return 1 if inspection.refused else 0


def run_discharge(given: argparse.Namespace) -> int:
    """Answer one hand reading."""
    from sewer_audit.hydraulics import hand_reading

    if given.device == "list":
        return _list_devices(given)
    wrong = [pair for pair in given.pairs if "=" not in pair]
    if wrong:
        print(f"{wrong[0]!r} is not key=value, such as 'throat=6 in'", file=sys.stderr)
        return 2
    pairs = dict(pair.split("=", 1) for pair in given.pairs)
    answer = hand_reading(given.device, {k.strip(): v.strip() for k, v in pairs.items()})
    if given.json:
        import json

        print(json.dumps(answer.as_dict(), indent=2, sort_keys=True))
    else:
        print(answer)
    return 0


def _list_devices(given: argparse.Namespace) -> int:
    """Print every device with the sizes it takes."""
    from sewer_audit.hydraulics.kinds import device_list, device_rows

    if given.pairs:
        print(f"list stands alone; it takes no {given.pairs[0]!r}", file=sys.stderr)
        return 2
    if given.json:
        import json

        print(json.dumps(device_rows(), indent=2))
    else:
        print(device_list())
    return 0


def run_recheck(given: argparse.Namespace) -> int:
    """Recompute an evidence folder."""
    from sewer_audit.report.folder.kernel import warm_kernel

    with warm_kernel() as kernel:  # it imports while this process does
        from sewer_audit.report import recheck

        result = recheck(given.folder, progress=True, sha256=given.sha256, kernel=kernel)
    print(result)
    return 0 if result.reproduced else 1


if __name__ == "__main__":
    sys.exit(main())
