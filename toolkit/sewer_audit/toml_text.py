"""TOML of the user as a tree, or one clear refusal."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from typing import Any

from sewer_audit.errors import InputRefused, Problem

DEEPEST = 40
"""Tables within tables that a case or a schedule never needs [-]."""
_DOTS = re.compile(rf"(?:[\w-]++[ \t]*+\.[ \t]*+){{{DEEPEST}}}[\w-]")
MOST = 1000
"""Tables of one name that no case or schedule has [-]."""


def read_toml(text: str, name: str, parse_float: Callable[[str], Any] = float) -> dict[str, Any]:
    """Read TOML text of a file.

    Parameters
    ----------
    parse_float : callable
        Makes a number of its digits [-].

    Returns
    -------
    dict
        The tree [-].

    Raises
    ------
    InputRefused
        If it is no TOML, or nested deeper or longer than any case or schedule.
    """
    remedy = "Write it as TOML: key = value, text and quantities in quotation marks"
    if chain := _DOTS.search(text):  # reading it would take memory by the square of its length
        found = f"tables stand within each other more than {DEEPEST} deep, joined by dots"
        line = text.count("\n", 0, chain.start()) + 1
        raise InputRefused(
            Problem(name, found, "Write each table once, under its own heading", line)
        )
    try:
        tree = tomllib.loads(text, parse_float=parse_float)
    except tomllib.TOMLDecodeError as error:
        match = re.search(r"\(at line (\d+), column \d+\)", str(error))
        found = re.sub(r"\s*\(at .*?\)$", "", str(error))
        line = int(match[1]) if match else len(text.splitlines()) or 1  # at the end of the file
        if "\\" in found:
            remedy = 'Write folders with /, as in "logs/a.csv"; a back-slash has a meaning in TOML'
        raise InputRefused(Problem(name, f"not readable as TOML: {found}", remedy, line)) from None
    except RecursionError:
        tree = None
    except ValueError as error:  # a whole number of thousands of digits
        raise InputRefused(Problem(name, f"not readable as TOML: {error}", remedy)) from None
    level: list[Any] = [tree]
    for _ in range(DEEPEST):
        for each in level:
            _count(each, name)
        level = [inner for each in level for inner in _inside(each)]
    if tree is None or level:
        found = f"tables or lists stand within each other more than {DEEPEST} deep"
        raise InputRefused(Problem(name, found, "Write each table once, under its own heading"))
    return tree


def _inside(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return list(value.values())
    return value if isinstance(value, list) else []


def _count(value: Any, name: str) -> None:
    for key, inner in value.items() if isinstance(value, dict) else ():
        if isinstance(inner, list) and len(inner) > MOST and isinstance(inner[-1], dict):
            found = f"[[{key}]] stands {len(inner):,} times; at most {MOST:,} are read"
            raise InputRefused(
                Problem(
                    name,
                    found,
                    "What repeats so often, such as readings by a machine, is a file of its own",
                )
            )
