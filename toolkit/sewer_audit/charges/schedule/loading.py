"""Read a rate file, and say where it is wrong."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from sewer_audit.case.keys import key_of, known_here
from sewer_audit.case.problems import line_of
from sewer_audit.charges.schedule.versions import Schedule
from sewer_audit.errors import InputRefused, Problem
from sewer_audit.toml_text import read_toml


def load_rates(path: str | Path, shown_as: str | None = None) -> Schedule:
    """Read a rate schedule from a TOML file.

    Parameters
    ----------
    shown_as : str, optional
        Name to use for it in messages; its file name by default [text].

    Raises
    ------
    InputRefused
        If the file cannot be read, is no TOML, or states what cannot be priced; every fault found
        is named with its key.
    """
    name = shown_as or Path(path).name
    try:
        if not Path(path).is_file() and Path(path).exists():  # a pipe would be waited for
            raise OSError(22, "it is no plain file")
        text = Path(path).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise InputRefused(
            Problem(name, f"cannot be read ({error.strerror})", "Check its name in [rates] file")
        ) from None
    except UnicodeDecodeError as error:
        raise InputRefused(
            Problem(name, f"is not UTF-8 text ({error.reason})", "Save it as UTF-8")
        ) from None
    return parse_rates(text, name)


def parse_rates(text: str, name: str = "rates.toml") -> Schedule:
    """Read a rate schedule from TOML text.

    Raises
    ------
    InputRefused
        With every fault and its key.
    """
    data = read_toml(text, name, Decimal)
    if "file" in data:
        raise InputRefused(
            Problem(name, "this key is not known", known_here(Schedule, [], "file"), column="file")
        )
    try:
        return Schedule.model_validate({**data, "file": name})
    except ValidationError as error:
        faults = error.errors()
        # a table that is short only because its rows were refused is no fault of its own
        own = [fault for fault in faults if fault["type"] != "too_short"] or faults
        raise InputRefused([_problem(name, text, data, fault) for fault in own]) from None


def _problem(name: str, text: str, data: dict[str, Any], fault: Any) -> Problem:
    """One fault of the validation, in the words of the file."""
    found, remedy, place = fault["msg"].removeprefix("Value error, "), "", [*fault["loc"]]
    if fault["type"] == "extra_forbidden":
        found, remedy = "this key is not known", known_here(Schedule, place[:-1], place[-1])
    elif fault["type"] == "missing":
        found, remedy = "this key is missing", f"Add it: {key_of(Schedule, place).short}"
    elif fault["type"] == "too_short":
        found, remedy = (
            "nothing is stated here",
            f"State at least one: {key_of(Schedule, place).short}",
        )
    elif fault["type"] == "union_tag_invalid":
        found = f"kind {fault['input'].get('kind')!r} is not known"
        remedy = f"Write one of {fault['ctx']['expected_tags']}"
    elif fault["type"] == "union_tag_not_found":
        found, remedy = "the charge has no kind", 'Add kind = "fixed", "volume", ...'
    elif not remedy:
        what, _, remedy = found.partition("; ")
        given = fault["input"] if isinstance(fault["input"], (str, int, Decimal)) else None
        shown = given is not None and fault["type"] != "value_error"
        found = f"{what} (found {str(given)!r})" if shown else what
        remedy = remedy[:1].upper() + remedy[1:] or "Correct it as the rate format describes"
    line, place = line_of(text, _written(data, fault["loc"])), _place(data, fault["loc"])
    return Problem(name, found, remedy, line, place, code="rates")


def _written(data: dict[str, Any], keys: tuple[int | str, ...]) -> list[int | str]:
    """Keys of a fault as they stand in the file; of an edition that inherits only its own table."""
    inside: Any = data
    for place, key in enumerate(keys):
        if isinstance(inside, dict) and "inherits" in inside:
            return [*keys[:place]]
        known = isinstance(key, int) and isinstance(inside, list) and key < len(inside)
        known |= isinstance(inside, dict) and key in inside
        if not known:  # the tag of a kind, or a key that is missing
            return [*keys[:place], *(keys[place + 1 :] if inside and key == _kind(inside) else ())]
        inside = inside[key]
    return [*keys]


def _kind(table: Any) -> Any:
    return table.get("kind") if isinstance(table, dict) else None


def _place(data: Any, keys: tuple[int | str, ...]) -> str:
    """The key of a fault as a reader finds it: tables by number and name."""
    words: list[str] = []
    for key in keys:
        if isinstance(key, int):
            data = data[key] if isinstance(data, list) and key < len(data) else None
            label = data.get("name", data.get("effective", "")) if isinstance(data, dict) else ""
            words[-1] = f"{words[-1]} {key + 1}" + (f" ({label})" if label else "")
        elif isinstance(data, dict) and key not in data and key == data.get("kind"):
            continue  # the tag of the kind, not a key of the file
        else:
            data = data.get(key) if isinstance(data, dict) else None
            words.append(str(key))
    return ".".join(words) or "whole file"
