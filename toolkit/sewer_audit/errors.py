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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

__all__ = [
    "AuditError",
    "Flag",
    "InputRefused",
    "OutOfRange",
    "Problem",
    "ReportFailed",
    "UnitError",
]


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
        return f"{place}: {self.found}. {self.remedy}."


@dataclass(frozen=True)
class Flag:
    """Something the reader of a result must know, with the data that prove it.

    Parameters
    ----------
    code : str
        Short name, lower case words joined by hyphens [text].
    message : str
        One plain sentence with figures and units [text].
    severity : str
        "stops verdict" where no verdict may be drawn, else "note" [text].
    data : mapping
        The figures behind the sentence, JSON-ready [-].
    """

    code: str
    message: str
    severity: Literal["stops verdict", "note"] = "note"
    data: Mapping[str, Any] = field(default_factory=dict)


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
