"""The case file: what is audited, with which evidence, under which decision rule.

``load_case`` reads ``case.toml``, refuses everything that is unknown, unitless or impossible with
the line and key and what would be right, and returns a :class:`Case` that nothing changes later.
"""

from __future__ import annotations

import csv
import difflib
import os
import shutil
import tomllib
import weakref
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from tempfile import mkdtemp
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from sewer_audit.case.models import CaseFile
from sewer_audit.case.models_uses import records_of
from sewer_audit.case.problems import line_of, problems_of, without_faults
from sewer_audit.errors import AuditError, InputRefused, Problem
from sewer_audit.spoken import Spoken, speaking
from sewer_audit.toml_text import read_toml

__all__ = [
    "Case",
    "home",
    "load_case",
    "open_case",
    "sample_case",
]


IN_MEMORY = "record in memory.csv"
"""What a record is called that came as a table."""


class _Folder:
    """Where tables of memory lie as files, for as long as a case names them."""

    def __init__(self) -> None:
        self.path = Path(mkdtemp(prefix="case-"))
        weakref.finalize(self, shutil.rmtree, self.path, ignore_errors=True)


@dataclass(frozen=True, repr=False)
class Case:
    """A validated case and the folder its files are found from.

    Parameters
    ----------
    file : Path
        The case file [-].
    data : CaseFile
        Its validated tables [SI].
    tree : mapping
        The tables as the file states them [text].
    memory : dict
        What was read of its files, shared with the cases made from it by ``with_`` [SI].
    frames : tuple, optional
        Holds the folders of tables that came from memory [-].
    """

    file: Path
    data: CaseFile
    tree: Mapping[str, Any] = field(default_factory=dict, compare=False)
    memory: dict[Any, Any] = field(default_factory=dict, compare=False)
    frames: Any = field(default=None, compare=False)

    def __repr__(self) -> str:
        tables = ", ".join(f"[{name}]" for name in self.tree if name != "case")
        return f"{self.title} ({self.file.name}: {tables})"

    def with_(self, changes: Mapping[str, Any] | None = None, **tables: Any) -> Case:
        """The same case with some keys changed; what a change leaves alone is not read again.

        Parameters
        ----------
        changes : mapping, optional
            Path of a key to its new value as the file would state it, such as
            ``{"rule.tolerance": "3 %", "intake.main.multiplier": 10}``; an entry of a list is
            named by its name or its number from 1; None takes the key away [as the key].
        **tables : mapping
            The same by table: ``rule={"tolerance": "3 %"}`` [as the key].

        Returns
        -------
        Case
            Validated anew [-].

        Raises
        ------
        InputRefused
            If the changed case is refused.
        """
        tree = deepcopy(dict(self.tree))
        given = dict(changes or {})
        given |= {f"{name}.{key}": value for name, t in tables.items() for key, value in t.items()}
        for path, value in given.items():
            _put(tree, path.split("."), value, self.file.name)
        return _checked(self.file, tree, self.memory, self.frames)

    @classmethod
    def from_frames(cls, tables: Mapping[str, Any], /, **frames: Any) -> Case:
        """A case whose files are tables in memory.

        Parameters
        ----------
        tables : mapping
            The case as its file would state it; the files it names are those of `frames`, such
            as ``{"invoices": {"file": "bills.csv", ...}}`` beside ``bills=frame`` [as the key].
        **frames : DataFrame
            Each written out as a CSV file and read back by the same checks as any file [as the
            case states].

        Returns
        -------
        Case
            Validated [-].

        Raises
        ------
        InputRefused
            If the case is refused.
        """
        folder = _Folder()
        for name, frame in frames.items():
            _write_frame(frame, folder.path / f"{name}.csv")
        file = folder.path / "case.toml"
        return _checked(file, deepcopy(dict(tables)), {}, (folder,))

    def with_record(self, record: Any) -> Case:
        """The same case with another effluent record, a table in memory.

        Parameters
        ----------
        record : DataFrame
            With the columns that [effluent.columns] names [as the case states].

        Returns
        -------
        Case
            Validated; every other file stays where it lies [-].

        Raises
        ------
        InputRefused
            If the case has no [effluent] table, or the changed case is refused.
        """
        if self.data.effluent is None:
            found = "a record is given, but the case has no [effluent] table"
            raise InputRefused(Problem(self.file.name, found, "State method, sizes and columns"))
        folder = _Folder()
        _write_frame(record, folder.path / IN_MEMORY)
        tree = deepcopy(dict(self.tree))
        tree["effluent"]["file"] = IN_MEMORY
        return _checked(self.file, tree, {}, (folder, *(self.frames or ())))

    @property
    def title(self) -> str:
        """What the case is called [text]."""
        return self.data.case.title

    @property
    def zone(self) -> ZoneInfo:
        """Time zone of the invoices and, unless stated otherwise, of every record [-]."""
        return self.data.zone

    @property
    def spoken(self) -> Spoken:
        """Units and zone in which sentences about this case are written [-]."""
        shown = self.data.display
        return Spoken(shown.volume, shown.discharge, shown.head, self.zone, shown.money)

    def path(self, name: str) -> Path:
        """Where a file named in the case lies."""
        name = name.replace("\0", "\N{REPLACEMENT CHARACTER}")  # no file is called so
        for folder in self.frames or ():  # tables that were in memory, the latest first
            if (folder.path / name).is_file():
                return folder.path / name
        return Path(os.path.realpath(self.file.parent / name))  # a link to itself stays one

    @cached_property
    def device(self) -> Any:
        """The flow element or conduit the logger stands at, or None without a record [-]."""
        effluent = self.data.effluent
        if effluent is None:
            return None
        from sewer_audit.hydraulics import build_device

        return build_device(effluent.method, effluent.sizes)

    @cached_property
    def notes(self) -> Any:
        """What is published of the device, in the units of this case; None without one [-]."""
        with speaking(self.spoken):
            return None if self.device is None else self.device.notes

    @cached_property
    def device_fault(self) -> str | None:
        """Why the device cannot be built, or None [text]."""
        try:
            self.device  # noqa: B018
        except AuditError as error:
            return str(error)
        return None

    @cached_property
    def printed_figures(self) -> list[dict[str, str]]:
        """Rows of invoices.printed, with `file` and `crop` named as from the case file [text]."""
        name = self.data.invoices.printed
        if name is None or not os.path.isfile(self.path(name)):
            return []
        with open(self.path(name), encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.DictReader(stream))
        start = os.path.dirname(name.replace("\\", "/"))
        for row in rows:
            for key in ("file", "crop"):
                place = os.path.normpath(os.path.join(start, row.get(key) or ""))
                row[key] = place.replace("\\", "/") if row.get(key) else ""
        return rows

    @property
    def named_files(self) -> list[tuple[str, str]]:
        """(key, file name) of every input the case names, in the order of the case [text]."""
        data = self.data
        named = [("invoices.file", file) for file in data.invoices.files]
        if data.invoices.printed is not None:
            named.append(("invoices.printed", data.invoices.printed))
            bills = dict.fromkeys(row["file"] for row in self.printed_figures)
            named += [("invoices.printed", file) for file in bills]
        if data.rates is not None:
            named.append(("rates.file", data.rates.file))
        for intake in data.intake:
            named += [(f"intake[{intake.meter}].file", file) for file in intake.every_file]
        for key, _, files in records_of(data.quantified).values():
            named += [(key, file) for file in files]
        if data.effluent is not None:
            named += [("effluent.file", file) for file in data.effluent.files]
            if data.effluent.rain_gauge is not None:
                gauge = data.effluent.rain_gauge.files
                named += [("effluent.rain_gauge.file", file) for file in gauge]
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
    case, problems = open_case(file)
    if case is None or problems:
        raise InputRefused(problems)
    return case


def open_case(file: str | Path) -> tuple[Case | None, list[Problem]]:
    """Read a case file as far as it can be read.

    Parameters
    ----------
    file : str or Path
        The case file, or the folder that holds a ``case.toml`` [-].

    Returns
    -------
    case : Case or None
        Without the tables that are refused; None where nothing is left to work with [-].
    problems : list of Problem
        Everything found: line, key, what is wrong and what would be right [-].

    Raises
    ------
    InputRefused
        If the file is missing, empty or no TOML.
    """
    path = Path(file)
    if os.path.isdir(path):
        path = path / "case.toml"
    text = _read(path)
    tree = _toml(text, path.name)
    problems: list[Problem] = []
    data = None
    while data is None:
        try:
            data = CaseFile.model_validate(tree)
        except ValidationError as error:
            problems = problems or problems_of(error, text, path.name)
            if not without_faults(tree, error):
                return None, problems
    case = _in_its_currency(Case(path, data, tree))
    with speaking(case.spoken):
        return case, problems + _missing_files(case, text) + _device_problems(case, text)


def _checked(file: Path, tree: dict[str, Any], memory: dict[Any, Any], frames: Any) -> Case:
    """A case from its tables, refused as its file would be."""
    try:
        data = CaseFile.model_validate(tree)
    except ValidationError as error:
        raise InputRefused(problems_of(error, "", file.name)) from None
    case = _in_its_currency(Case(file, data, tree, memory, frames))
    with speaking(case.spoken):
        problems = _missing_files(case, "") + _device_problems(case, "")
    if problems:
        raise InputRefused(problems)
    return case


def _in_its_currency(case: Case) -> Case:
    """The case speaking in the currency of its schedule, where it states none itself."""
    data = case.data
    if data.rates is None or "money" in data.display.model_fields_set:
        return case
    try:
        tree = tomllib.loads(case.path(data.rates.file).read_text("utf-8-sig"))
    except (OSError, ValueError):
        return case  # told when the schedule itself is read
    schedule = tree.get("schedule")
    currency = schedule.get("currency") if isinstance(schedule, dict) else None
    if not isinstance(currency, str) or not currency or currency == data.display.money:
        return case
    display = data.display.model_copy(update={"money": currency})
    return replace(case, data=data.model_copy(update={"display": display}))


def _put(tree: Any, path: list[str], value: Any, name: str) -> None:
    """Set a key of the tables of a case, or take it away."""
    *way, last = path
    for part in way:
        if isinstance(tree, list):
            called = [each for each in tree if part in (each.get("name"), each.get("meter"))]
            number = int(part) - 1 if part.isdigit() else -1
            tree = called[0] if called else tree[number] if 0 <= number < len(tree) else None
        else:
            tree = tree.setdefault(part, {})
        if not isinstance(tree, (dict, list)):
            found = f"{'.'.join(path)} names no table: nothing is called {part!r}"
            raise InputRefused(Problem(name, found, "Name a table, or an entry by name or number"))
    if value is None:
        tree.pop(last, None)
    else:
        tree[last] = value


def _write_frame(frame: Any, file: Path) -> None:
    """Write a table as text that reads back to the same figures; an unnamed index is no column."""
    frame.to_csv(file, index=frame.index.name is not None, encoding="utf-8")


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
    here = Path(__file__).parents[1]  # of the package
    for place in (here / folder, here.parents[1] / folder):
        if place.is_dir():
            return place
    raise AuditError(f"the folder {folder} is missing from this installation; install it again")


def _read(path: Path) -> str:
    if os.path.lexists(path) and not os.path.isfile(path) and not os.path.isdir(path):
        found = "this is no plain file, or a link that leads nowhere"
        raise InputRefused(Problem(path.name[:200], found, "Name another file"))
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        remedy = "Name an existing case file, or write a starter with 'sewer-audit start FOLDER'"
        raise InputRefused(Problem(path.name, "there is no such file", remedy)) from None
    except IsADirectoryError:
        raise InputRefused(
            Problem(path.name, "this is a folder", "Name the case file in it")
        ) from None
    except (OSError, ValueError) as error:
        if not isinstance(error, UnicodeDecodeError):
            found = f"the file cannot be read ({getattr(error, 'strerror', error)})"
            raise InputRefused(Problem(path.name[:200], found, "Name another file")) from None
        found = f"byte {error.start} is no UTF-8 text"
        raise InputRefused(Problem(path.name, found, "Save the file as UTF-8")) from None


def _toml(text: str, name: str) -> dict[str, Any]:
    if not text.strip():
        raise InputRefused(
            Problem(name, "the file is empty", "Write a starter with 'sewer-audit start FOLDER'")
        )
    return read_toml(text, name)


def _missing_files(case: Case, text: str) -> list[Problem]:
    problems = []
    for key, name in case.named_files:
        line = _line_of_text(text, name)
        if Path(name).is_absolute():
            found, remedy = "the path is absolute", "Write it relative to the case file"
            problems.append(Problem(case.file.name, found, remedy, line, key))
        elif not os.path.isfile(case.path(name)):
            found = f"there is no file {name!r} beside the case file"
            remedy = "Correct the name, or put the file there"
            if "\\" in name:
                remedy = f"Write folders with /, as in {name.replace(chr(92), '/')!r}"
            elif not name.isprintable():
                remedy = (
                    'Write folders with /, as in "logs/a.csv": in TOML a back-slash and the letter '
                    "after it mean a sign, such as a new line or a tab"
                )
            problems.append(Problem(case.file.name, found, remedy, line, key))
    return problems


def _line_of_text(text: str, fragment: str) -> int | None:
    for number, line in enumerate(text.splitlines(), start=1):
        if f'"{fragment}"' in line or f"'{fragment}'" in line:
            return number
    return None


def _device_problems(case: Case, text: str) -> list[Problem]:
    strange = _strange_keys(case, text)
    if strange:
        return strange
    if case.device_fault is not None:
        head, mark, tail = case.device_fault.partition("; ")
        remedy = tail[:1].upper() + tail[1:] if mark else "Correct the device's sizes"
        return [Problem(case.file.name, head, remedy, line_of(text, ["effluent"]), "effluent")]
    device = case.device
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
            line_of(text, ["effluent", "columns"]),
            "effluent.columns",
        )
    ]


def _meant(key: str, known: tuple[str, ...]) -> str:
    """The key that was probably meant, as a sentence."""
    near = difflib.get_close_matches(key, known, 1)
    return f"Perhaps {near[0]!r} is meant. " if near else ""


def _strange_keys(case: Case, text: str) -> list[Problem]:
    """Keys of [effluent] that are neither of a record nor of its device."""
    effluent = case.data.effluent
    if effluent is None:
        return []
    from sewer_audit.hydraulics.kinds import find_kind

    try:
        sizes = find_kind(effluent.method).sizes
    except AuditError:
        return []
    known = sorted(type(effluent).model_fields)
    return [
        Problem(
            case.file.name,
            f"unknown key {key!r}",
            f"{_meant(key, (*sizes, *known))}Known here are, of the device, {', '.join(sizes)}; "
            f"of the record, {', '.join(known)}; 'sewer-audit explain effluent' says what each "
            "means",
            line_of(text, ["effluent", key]),
            f"effluent.{key}",
        )
        for key in effluent.sizes
        if key not in sizes
    ]
