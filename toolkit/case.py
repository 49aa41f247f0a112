"""The case file: what is audited, with which evidence, under which decision rule.

``load_case`` reads ``case.toml``, refuses everything that is unknown, unitless or impossible with
the line and key and what would be right, and returns a :class:`Case` that nothing changes later.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from toolkit.case_models import CaseFile
from toolkit.errors import AuditError, InputRefused, Problem

__all__ = ["Case", "home", "load_case", "sample_case"]


@dataclass(frozen=True)
class Case:
    """A validated case and the folder its files are found from.

    Parameters
    ----------
    file : Path
        The case file [-].
    data : CaseFile
        Its validated tables [SI].
    """

    file: Path
    data: CaseFile

    @property
    def title(self) -> str:
        """What the case is called [text]."""
        return self.data.case.title

    @property
    def zone(self) -> ZoneInfo:
        """Time zone of the invoices and, unless stated otherwise, of every record [-]."""
        return self.data.zone

    def path(self, name: str) -> Path:
        """Where a file named in the case lies.

        Parameters
        ----------
        name : str
            As written in the case [text].

        Returns
        -------
        Path
            Relative names start at the folder of the case file [-].
        """
        return (self.file.parent / name).resolve()

    @cached_property
    def device(self) -> Any:
        """The flow element or conduit the logger stands at, or None without a record [-]."""
        effluent = self.data.effluent
        if effluent is None:
            return None
        from toolkit.hydraulics import build_device

        return build_device(effluent.method, effluent.sizes)

    @property
    def named_files(self) -> list[tuple[str, str]]:
        """(key, file name) of every input the case names, in the order of the case [text]."""
        data = self.data
        named = [("invoices.file", data.invoices.file)]
        if data.rates is not None:
            named.append(("rates.file", data.rates.file))
        for intake in data.intake:
            named += [(f"intake[{intake.meter}].file", file) for file in intake.files]
        for use in data.use:
            if use.file is not None:
                named.append((f"use[{use.name}].file", use.file))
        if data.effluent is not None:
            named += [("effluent.file", file) for file in data.effluent.files]
        return named + [(key, file) for key, file in data.account_files if file is not None]


def load_case(file: str | Path) -> Case:
    """Read and validate a case file.

    Parameters
    ----------
    file : str or Path
        The case file, or the folder that holds a ``case.toml`` [-].

    Returns
    -------
    Case
        Validated; every file it names exists [-].

    Raises
    ------
    InputRefused
        With every problem found: line, key, what is wrong and what would be right.
    """
    path = Path(file)
    if path.is_dir():
        path = path / "case.toml"
    text = _read(path)
    tree = _toml(text, path.name)
    try:
        data = CaseFile.model_validate(tree)
    except ValidationError as error:
        raise InputRefused(_problems(error, text, path.name)) from None
    case = Case(path, data)
    problems = _missing_files(case, text) + _device_problems(case, text)
    if problems:
        raise InputRefused(problems)
    return case


def sample_case(name: str = "") -> Path:
    """Where an invented sample case that travels with the package lies.

    Parameters
    ----------
    name : str
        Empty for the main sample, else the name of a folder in ``sample_bills`` [text].

    Returns
    -------
    Path
        Its case file [-].
    """
    return home("sample_bills") / name / "case.toml"


def home(folder: str) -> Path:
    """Folder that travels with the package, in a checkout or inside an installed wheel.

    Parameters
    ----------
    folder : str
        "notebooks", "sample_bills" or "sample_logs" [text].

    Returns
    -------
    Path
        The folder [-].

    Raises
    ------
    AuditError
        If the installation is incomplete.
    """
    here = Path(__file__).parent
    for place in (here / folder, here.parent / folder):
        if place.is_dir():
            return place
    raise AuditError(f"the folder {folder} is missing from this installation; install it again")


def _read(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        remedy = "Name an existing case file, or write a starter with 'sewer-audit start FOLDER'"
        raise InputRefused(Problem(path.name, "there is no such file", remedy)) from None
    except IsADirectoryError:
        raise InputRefused(
            Problem(path.name, "this is a folder", "Name the case file in it")
        ) from None
    except UnicodeDecodeError as error:
        found = f"byte {error.start} is no UTF-8 text"
        raise InputRefused(Problem(path.name, found, "Save the file as UTF-8")) from None


def _toml(text: str, name: str) -> dict[str, Any]:
    if not text.strip():
        raise InputRefused(
            Problem(name, "the file is empty", "Write a starter with 'sewer-audit start FOLDER'")
        )
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        match = re.search(r"\(at line (\d+), column \d+\)", str(error))
        found = re.sub(r"\s*\(at .*?\)$", "", str(error))
        remedy = "Write it as TOML: key = value, text and quantities in quotation marks"
        raise InputRefused(
            Problem(
                name, f"not readable as TOML: {found}", remedy, int(match[1]) if match else None
            )
        ) from None


def _problems(error: ValidationError, text: str, name: str) -> list[Problem]:
    problems = []
    for detail in error.errors(include_url=False):
        place = [part for part in detail["loc"] if part not in ("str", "ColumnTable", "list[str]")]
        found, remedy = _worded(detail, place)
        key = _key(place)
        problems.append(Problem(name, found, remedy, _line_of(text, place), key or None))
    return list(dict.fromkeys(problems))


def _worded(detail: dict[str, Any], place: list[Any]) -> tuple[str, str]:
    kind, message = detail["type"], detail["msg"].removeprefix("Value error, ")
    if kind == "extra_forbidden":
        known = ", ".join(_known_keys(place[:-1]))
        return f"unknown key {place[-1]!r}", f"Known here are {known}"
    if kind == "missing":
        return f"the key {place[-1]!r} is missing", "Add it; 'sewer-audit start' shows an example"
    if kind == "literal_error":
        return f"found {detail['input']!r}", f"Write one of {detail['ctx']['expected']}"
    head, mark, tail = message.partition("; ")
    if not mark:
        return f"found {detail['input']!r}: {message}", "Correct the value"
    return head, tail[:1].upper() + tail[1:]


def _known_keys(place: list[Any]) -> list[str]:
    model: Any = CaseFile
    for part in place:
        if isinstance(part, int):
            continue
        annotation = model.model_fields[part].annotation
        found = [a for a in _classes(annotation) if hasattr(a, "model_fields")]
        if not found:
            return ["see 'sewer-audit start'"]
        model = found[0]
    return sorted(model.model_fields)


def _classes(annotation: Any) -> list[Any]:
    inner = getattr(annotation, "__args__", ())
    return [annotation, *(c for part in inner for c in _classes(part))]


def _key(place: list[Any]) -> str:
    key = ""
    for part in place:
        key += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if key else str(part)
    return key


def _line_of(text: str, place: list[Any]) -> int | None:
    """Line of the deepest part of a key that is written in the file."""
    best, tables, counts = None, [p for p in place if isinstance(p, str)], {}
    wanted = {tuple(tables[:n]) for n in range(1, len(tables) + 1)}
    numbers = [p for p in place if isinstance(p, int)]
    here: tuple[str, ...] = ()
    for number, line in enumerate(text.splitlines(), start=1):
        header = re.match(r"\s*(\[\[?)\s*([^\]]+?)\s*\]\]?", line)
        key = re.match(r"\s*([A-Za-z0-9_-]+)\s*=", line)
        if header:
            here = tuple(part.strip().strip('"') for part in header[2].split("."))
            counts[here] = counts.get(here, 0) + 1
            counted = header[1] == "[[" and bool(numbers)
            if here in wanted and not (counted and counts[here] != numbers[0] + 1):
                best = number
            elif here in wanted:
                here = ("another entry",)
        elif key and (*here, key[1]) in wanted:
            best = number
    return best


def _missing_files(case: Case, text: str) -> list[Problem]:
    problems = []
    for key, name in case.named_files:
        line = _line_of_text(text, name)
        if Path(name).is_absolute():
            found, remedy = "the path is absolute", "Write it relative to the case file"
            problems.append(Problem(case.file.name, found, remedy, line, key))
        elif not case.path(name).is_file():
            found = f"there is no file {name!r} beside the case file"
            remedy = "Correct the name, or put the file there"
            problems.append(Problem(case.file.name, found, remedy, line, key))
    return problems


def _line_of_text(text: str, fragment: str) -> int | None:
    for number, line in enumerate(text.splitlines(), start=1):
        if f'"{fragment}"' in line or f"'{fragment}'" in line:
            return number
    return None


def _device_problems(case: Case, text: str) -> list[Problem]:
    try:
        device = case.device
    except AuditError as error:
        head, mark, tail = str(error).partition("; ")
        remedy = tail[:1].upper() + tail[1:] if mark else "Correct the device's sizes"
        return [Problem(case.file.name, head, remedy, _line_of(text, ["effluent"]), "effluent")]
    if device is None:
        return []
    roles = set(case.data.effluent.columns)  # type: ignore[union-attr]
    level = {"head", "distance", "echo_time"}
    missing = [
        column
        for column in device.columns
        if column not in roles and not (column in ("head", "depth") and roles & level)
    ]
    if not missing:
        return []
    found = f"method {device.method!r} needs a column {' and '.join(missing)}"
    return [
        Problem(
            case.file.name,
            found,
            "Name it under [effluent.columns] with its unit",
            _line_of(text, ["effluent", "columns"]),
            "effluent.columns",
        )
    ]
