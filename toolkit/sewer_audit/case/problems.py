"""What a case file is refused for, with its line, its key and what would be right."""

from __future__ import annotations

import re
from typing import Any

from pydantic import ValidationError

from sewer_audit.case.keys import key_of, known_here
from sewer_audit.case.models import CaseFile
from sewer_audit.errors import Problem

WAYS = ("str", "ColumnTable", "list[str]")
"""What stands in a place for the ways in which a value may be written."""
_PREPARED = re.compile(r"function-before\[\w+\(\), (\w+)\]")
"""How the same is written where the value is looked at before it is checked."""

MOST = 200
"""Faults of a case file that are listed with their lines [-]."""


def problems_of(error: ValidationError, text: str, name: str) -> list[Problem]:
    """Every fault of a case file that validation found."""
    every = error.errors(include_url=False)
    for detail in every:
        loc = detail["loc"]
        detail["loc"] = tuple(_PREPARED.sub(r"\1", p) if isinstance(p, str) else p for p in loc)
    problems, details = [], _one_way(every)
    for detail in details[:MOST]:
        place = [part for part in detail["loc"] if part not in WAYS]
        found, remedy = _worded(detail, place)
        key = _key(place)
        problems.append(Problem(name, found, remedy, line_of(text, place), key or None))
    if len(details) > MOST:
        found = f"{len(details) - MOST:,} further faults are not listed"
        problems.append(Problem(name, found, "Correct these first"))
    return list(dict.fromkeys(problems))


def _one_way(details: list[Any]) -> list[Any]:
    """Of a value that may be text, a list or a table, the faults of what was meant."""
    kinds: dict[tuple[Any, ...], str] = {}
    for detail in details:
        way = next((part for part in detail["loc"] if part in WAYS), None)
        if way == "str" and detail["loc"][-1] == "str":
            given = {dict: "ColumnTable", list: "list[str]"}.get(type(detail["input"]), "str")
            kinds[detail["loc"][:-1]] = given
    kept = []
    for detail in details:
        at = next((n for n, part in enumerate(detail["loc"]) if part in WAYS), None)
        meant = None if at is None else kinds.get(detail["loc"][:at])
        if meant is None or detail["loc"][at] == meant:
            kept.append(detail)
    return kept


def _worded(detail: dict[str, Any], place: list[Any]) -> tuple[str, str]:
    kind, message = detail["type"], detail["msg"].removeprefix("Value error, ")
    if kind == "extra_forbidden":
        return f"unknown key {place[-1]!r}", known_here(CaseFile, place[:-1], place[-1])
    if kind == "missing":
        return f"the key {place[-1]!r} is missing", f"Add it: {key_of(CaseFile, place).short}"
    if kind == "literal_error":
        return f"found {detail['input']!r}", f"Write one of {detail['ctx']['expected']}"
    head, mark, tail = message.partition("; ")
    if not mark:
        return f"found {detail['input']!r}: {message}", "Correct the value"
    return head, tail[:1].upper() + tail[1:]


def _key(place: list[Any]) -> str:
    key = ""
    for part in place:
        key += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if key else str(part)
    return key


def without_faults(tree: dict[str, Any], error: ValidationError) -> bool:
    """Take out of a case what was refused, so that the rest can be looked at."""
    before = repr(tree)
    _take_out(tree, error.errors(include_url=False))
    return repr(tree) != before


def _take_out(tree: dict[str, Any], faults: list[Any]) -> None:
    unknown = [detail["loc"] for detail in faults if detail["type"] == "extra_forbidden"]
    if unknown and not any(set(place) & set(WAYS) for place in unknown):
        for place in unknown:
            _remove(tree, place)
        return
    parts = {detail["loc"][: 2 if _is_list(tree, detail["loc"]) else 1] for detail in faults}
    if not all(parts) or any(part[0] in ("case", "invoices") for part in parts):
        return
    for part in sorted(parts, key=str, reverse=True):
        _remove(tree, part)


def _is_list(tree: dict[str, Any], place: tuple[Any, ...]) -> bool:
    return len(place) > 1 and isinstance(tree.get(place[0]), list)


def _remove(tree: Any, place: tuple[Any, ...]) -> None:
    *way, last = place
    for part in way:
        inside = part in tree if isinstance(tree, dict) else isinstance(part, int)
        if not inside:
            return
        tree = tree[part]
    if isinstance(tree, dict):
        tree.pop(last, None)
    elif isinstance(tree, list) and isinstance(last, int) and last < len(tree):
        del tree[last]


def line_of(text: str, place: list[Any]) -> int | None:
    """Line of the deepest part of a key that is written in the file.

    Parameters
    ----------
    place : list
        Names of tables and keys, and places in lists, from the top [-].

    Returns
    -------
    int or None
        Counted from 1; None where no part of the key is written [-].
    """
    wanted = _entries(place)
    best, here = None, ()
    counts: dict[tuple[str, ...], int] = {}
    inside: dict[tuple[str, ...], bool] = {(): True}
    for number, line in enumerate(text.splitlines(), start=1):
        header = re.match(r"\s*(\[\[?)\s*([^\]]+?)\s*\]\]?", line)
        key = re.match(r"\s*([A-Za-z0-9_-]+)\s*=", line)
        if header:
            here = tuple(part.strip().strip('"') for part in header[2].split("."))
            counts = {name: n for name, n in counts.items() if name[: len(here)] != here} | {
                here: counts.get(here, 0) + 1
            }
            entry = wanted.get(here)
            right = entry is None or header[1] != "[[" or counts[here] == entry + 1
            above = all(inside.get(here[:n], True) for n in range(len(here)))
            inside[here] = here in wanted and right and above
            if inside[here]:
                best = number
        elif key and (*here, key[1]) in wanted and inside.get(here, False):
            best = number
    return best


def _entries(place: list[Any]) -> dict[tuple[str, ...], int | None]:
    """Every table and key on the way to a place, with the entry of its list if it is one."""
    found: dict[tuple[str, ...], int | None] = {}
    names: tuple[str, ...] = ()
    for part in place:
        if isinstance(part, int):
            found[names] = part
        else:
            names = (*names, part)
            found[names] = None
    return found
