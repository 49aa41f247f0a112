"""Refusals, problems and flags: how the toolkit says that something is wrong.

Error tree (the root is a ``ValueError``)::

    AuditError
    ├── InputRefused    one or more Problems in the user's files
    ├── UnitError       a unit that is missing, unknown or of the wrong dimension
    ├── OutOfRange      one value outside the published limits of a method
    └── ReportFailed    a notebook or an export did not complete

A :class:`Problem` is a place in a file and what to do about it. A :class:`Flag` is something the
reader of the result must know. Both are collected, never raised one by one.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from importlib import resources
from typing import Any, Literal


@dataclass(frozen=True)
class Problem:
    """One fault in one input, with its place and its remedy.

    Parameters
    ----------
    file : str
        Name of the file as the case states it, never an absolute path [text].
    found : str
        What is wrong, quoting what was found [text].
    remedy : str
        What would be right or what to do [text].
    line : int, optional
        Line of a text file or row of a sheet, counted from 1 [-].
    column : str, optional
        Name of the column, or key of a case file [text].
    severity : str
        "refused" stops the work, "warning" does not [text].
    code : str
        Short name of the rule, for counting [text].
    """

    file: str
    found: str
    remedy: str
    line: int | None = None
    column: str | None = None
    severity: Literal["refused", "warning"] = "refused"
    code: str = "input"

    def __str__(self) -> str:
        place = self.file
        if self.line is not None:
            place += f", line {self.line}"
        if self.column is not None:
            kind = "key" if self.file.endswith(".toml") else "column"
            place += f", {kind} {self.column}"
        return f"{place}: {self.found}{'' if self.found.endswith('?') else '.'} {self.remedy}."


class Severity(StrEnum):
    """How much weight a flag has."""

    NOTE = "note"
    WARNING = "warning"  # rare and telling: the first screen shows it
    STOPS = "stops verdict"  # the estimate it concerns carries no verdict


class Subject(StrEnum):
    """What a flag speaks of."""

    VERDICT = "verdict"
    INVOICES = "invoices and meters"
    RECORD = "record"


@dataclass(frozen=True)
class Kind:
    """One row of ``codes.csv``: severity, subject and, where it stops, the estimates it stops."""

    severity: Severity
    subject: Subject
    stops: tuple[str, ...]


@cache
def codes() -> Mapping[str, Kind]:
    """Every code a flag may have; a code that stands here nowhere is a fault of the program."""
    text = resources.files("sewer_audit").joinpath("codes.csv").read_text("utf-8")
    return {
        row["code"]: Kind(
            Severity(row["severity"]), Subject(row["subject"]), tuple(row["stops"].split())
        )
        for row in csv.DictReader(text.splitlines())
    }


@dataclass(frozen=True)
class Flag:
    """Something the reader of a result must know, with the data that prove it.

    Parameters
    ----------
    code : str
        One of ``codes.csv``, which gives its severity and what it stops [text].
    message : str
        One plain sentence with figures and units [text].
    data : mapping
        The figures behind the sentence, JSON-ready [-].
    lowered : bool
        Told as a note all the same, because nothing that is shown rests on it [-].
    """

    code: str
    message: str
    data: Mapping[str, Any] = field(default_factory=dict)
    lowered: bool = False

    def __post_init__(self) -> None:
        if self.code not in codes():
            raise KeyError(f"no code {self.code!r} in codes.csv")

    @property
    def severity(self) -> Severity:
        """Its weight [-]."""
        return Severity.NOTE if self.lowered else codes()[self.code].severity

    @property
    def subject(self) -> Subject:
        """What it speaks of [-]."""
        return codes()[self.code].subject

    @property
    def stops(self) -> tuple[str, ...]:
        """Estimates that carry no verdict because of it, of effluent, balance and bill [text]."""
        return () if self.severity is not Severity.STOPS else codes()[self.code].stops


class AuditError(ValueError):
    """Root of every error this toolkit raises on purpose."""


class InputRefused(AuditError):
    """One or more problems in the user's files.

    Parameters
    ----------
    problems : Problem or sequence of Problem
        Everything that was found, not only the first fault [-].
    """

    def __init__(self, problems: Problem | Sequence[Problem]):
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class UnitError(AuditError):
    """A unit is missing, unknown, or of the wrong dimension."""


class OutOfRange(AuditError):
    """A value lies outside the published limits of a method."""


class ReportFailed(AuditError):
    """A notebook stopped or an export did not complete; nothing was left half-written."""
