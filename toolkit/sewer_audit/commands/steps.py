"""What the commands do that come before a page."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path


def run_start(given: argparse.Namespace) -> int:
    """Write a starter case, or a rate file from answers."""
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


def run_draft(given: argparse.Namespace) -> int:
    """Write the draft and its page."""
    from sewer_audit.drafting import draft_case

    answers = _pairs(given.answer, "NAME=VALUE")
    if answers is None:
        return 2
    draft = draft_case(given.folder)
    out = Path(given.out) if given.out else Path(given.folder) / "draft"
    case = draft.write(out, given.take, answers, again=given.again)
    print(draft.told(case.read_text(encoding="utf-8")))
    print(f"\nwritten: {case} and {case.parent / 'first_look.html'}")
    return 0


def run_read_bills(given: argparse.Namespace) -> int:
    """Read the bills; 1 while questions are open."""
    from sewer_audit.drafting import read_bills

    result = read_bills(given.folder, given.out)
    print(result)
    return 1 if result.asked else 0


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


def run_price(given: argparse.Namespace) -> int:
    """Print every line of an example; 1 if a stated total is not met."""
    from sewer_audit.charges import load_rates
    from sewer_audit.charges.pricing.worked_example import KNOWN, price_example

    words = _pairs(given.pairs, "key=value, such as 'volume=100 kgal'")
    if words is None:
        return 2
    if not words:
        print("\n".join(f"  {word:<16} {means}" for word, means in KNOWN.items()))
        print("and each count, metered volume and strength the schedule speaks of, by its name")
        return 0
    file = Path(given.rates)
    example = price_example(load_rates(file / "rates.toml" if file.is_dir() else file), words)
    print(example)
    return 0 if example.agrees else 1


def run_inspect(given: argparse.Namespace) -> int:
    """Print every problem of every input."""
    from sewer_audit.auditing import inspect_file

    inspection = inspect_file(given.case)
    print(inspection)
    return 1 if inspection.refused else 0


def run_discharge(given: argparse.Namespace) -> int:
    """Answer one hand reading, or print every device with the sizes it takes."""
    from sewer_audit.hydraulics import hand_reading
    from sewer_audit.hydraulics.kinds import device_list, device_rows

    if given.device == "list":
        if given.pairs:
            print(f"list stands alone; it takes no {given.pairs[0]!r}", file=sys.stderr)
            return 2
        print(json.dumps(device_rows(), indent=2) if given.json else device_list())
        return 0
    pairs = _pairs(given.pairs, "key=value, such as 'throat=6 in'")
    if pairs is None:
        return 2
    answer = hand_reading(given.device, {k.strip(): v.strip() for k, v in pairs.items()})
    print(json.dumps(answer.as_dict(), indent=2, sort_keys=True) if given.json else answer)
    return 0


def _pairs(words: Sequence[str], form: str) -> dict[str, str] | None:
    """Words and values; None, and told, where one is no pair."""
    wrong = [word for word in words if "=" not in word]
    if wrong:
        print(f"{wrong[0]!r} is not {form}", file=sys.stderr)
        return None
    return dict(word.split("=", 1) for word in words)
