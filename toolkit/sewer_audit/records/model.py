"""The tidy records every reader of this room returns, and what they say about themselves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sewer_audit.errors import Flag, InputRefused, Problem

if TYPE_CHECKING:
    import pandas as pd

FEWEST = 5
"""Fewest reads that tell to how many counts they are written (judgement): 1 in 10,000 by chance."""
ROLES: dict[str, str] = {
    "head": "length",
    "distance": "length",
    "echo_time": "time",
    "air_temperature": "temperature",
    "humidity": "ratio",
    "depth": "length",
    "velocity": "velocity",
    "downstream_head": "length",
    "flow": "discharge",
    "totaliser": "volume",
    "rain": "length",
}
"""What a column of a logger export may hold, and the dimension of its values."""
INTERVAL = "interval_s"
"""Column of a record whose readings are means: how long an interval each stands for [s]."""
DOUBTFUL = "doubtful"
"""Column of a record with a status column: whether it calls the reading doubtful [-]."""


@dataclass(frozen=True)
class ColumnSpec:
    """One column of a file: the name it has there and the unit of its values.

    Parameters
    ----------
    name : str
        As written in the header of the file [text].
    unit : str
        Trade unit of the values, such as "in" or "gpm" [text].
    because : str
        How it is known that the unit the file itself names is wrong, if it is [text].
    """

    name: str
    unit: str
    because: str = ""


@dataclass(frozen=True)
class ClockCorrection:
    """A stretch of stamps known to be wrong by a whole amount, because the clock was set by hand.

    Parameters
    ----------
    start : str
        First wrong stamp, as written in the file [text].
    end : str
        Last wrong stamp, as written in the file [text].
    shift : float
        Added to these stamps; positive where the clock was slow [s].
    """

    start: str
    end: str
    shift: float


@dataclass(frozen=True)
class Table:
    """A file as text: header, rows, and the line each row stood on.

    lines: Line of the file, or row of the sheet, of each row, counted from 1.
    """

    name: str
    header: list[str]
    rows: list[list[str]]
    lines: list[int]
    header_line: int = 1
    units: list[str] = field(default_factory=list)
    decimal: str = "."
    counts: Mapping[str, int] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True)
class InvoiceRecord:
    """Invoices in force, their charge lines, and what was superseded.

    Parameters
    ----------
    frame : DataFrame
        One row per invoice in force, in order of time: invoice, start, end (UTC, half-open),
        own_start (from which on no earlier invoice holds the days), shares_with (which one does),
        second_by (what tells which of two for one period was issued later, or ""),
        previous_read, current_read, read_type, billed_volume (Decimal, billing unit), billed_m3
        [m3], total (Decimal), line [-].
    lines : DataFrame
        Charge lines as Decimal, indexed like `frame` [money].
    superseded : DataFrame
        Invoices replaced, cancelled or netted, with what became of them [-].
    problems : tuple of Problem
        Warnings [-].
    flags : tuple of Flag
        What a reader of the result must know [-].
    volume_unit : str
        Unit the invoices state volumes in [text].
    currencies : tuple
        Each sign or code of a currency in the cells, with file, line and column where it stands
        first [-].
    """

    frame: pd.DataFrame
    lines: pd.DataFrame
    superseded: pd.DataFrame
    problems: tuple[Problem, ...]
    flags: tuple[Flag, ...]
    volume_unit: str
    currencies: tuple[tuple[str, str, int, str], ...] = ()


@dataclass(frozen=True)
class MeterChange:
    """A change of meter in the reads of a register.

    Parameters
    ----------
    time, last_time : Timestamp
        Of the first read of the new meter, and of the last read of the old one [UTC].
    final_read, first_read : float
        Last read of the old meter and first read of the new one [counts].
    count_before_m3, count_after_m3 : float
        Volume of one count of the old and of the new meter [m3].
    """

    time: pd.Timestamp
    last_time: pd.Timestamp
    final_read: float
    first_read: float
    count_before_m3: float
    count_after_m3: float

    @property
    def together(self) -> bool:
        """Whether both reads were taken within an hour, so that no volume went unread [-]."""
        return (self.time - self.last_time).total_seconds() <= 3600


@dataclass(frozen=True)
class RegisterRecord:
    """Readings of a meter's register and the cumulative volume they stand for.

    Parameters
    ----------
    frame : DataFrame
        time (UTC), register (as read), read_type, volume_m3 (since the first read; NaN where the
        read is rejected), status ("measured", "estimated", "rejected"), reason, line [-].
    problems : tuple of Problem
        Warnings [-].
    flags : tuple of Flag
        What a reader of the result must know [-].
    count_m3 : float
        Volume of one count of the register [m3].
    changes : tuple of MeterChange
        Every change of meter, in order of time [-].
    dated : frozenset of Timestamp
        Reads of which the day alone is written, no hour [UTC].
    parts : tuple of (RegisterRecord, int)
        Of a meter with several registers each by itself, with its sign; the first is the main
        one [-].
    """

    frame: pd.DataFrame
    problems: tuple[Problem, ...]
    flags: tuple[Flag, ...]
    count_m3: float
    changes: tuple[MeterChange, ...] = ()
    parts: tuple[tuple[RegisterRecord, int], ...] = ()
    dated: frozenset[pd.Timestamp] = frozenset()

    @property
    def step(self) -> float:
        """To how many counts the reads are written: ones, tens, hundreds, thousands [counts]."""
        reads = self.frame.loc[self.frame["volume_m3"].notna(), "register"].to_numpy(dtype=float)
        if len(reads) < FEWEST:
            return 1.0
        return next((step for step in (1000.0, 100.0, 10.0) if not (reads % step).any()), 1.0)


@dataclass(frozen=True)
class LoggerRecord:
    """Readings of a logger in SI and UTC, each with its status.

    Parameters
    ----------
    frame : DataFrame
        time (UTC), one float column per role in SI, status ("measured" or "rejected") and reason;
        a value that could not be read is NaN and its text stands in `kept` [SI].
    problems : tuple of Problem
        Warnings [-].
    flags : tuple of Flag
        What a reader of the result must know [-].
    counts : mapping of str to int
        Rows by what became of them; "rows in files" is the sum of the others it names [-].
    step : float
        Usual interval between readings [s].
    gaps : DataFrame
        start, end (UTC), seconds, kind: every interval between readings longer than usual [s].
    kept : DataFrame
        file, line, time, text, reason of every row rejected on reading or set aside [text].
    zone : str
        Time zone the stamps were read in [text].
    screening : DataFrame
        One row per rule applied: rule, parameter, value, unit, reason, rejected, marked [-].
    spans : DataFrame
        rule, start, end (UTC), readings: stretches a rule rejected or marked [-].
    held : mapping of str to (array, str, bool)
        Rule to the rows it finds but does not reject, why, and whether they are flow after all [-].
    """

    frame: pd.DataFrame
    problems: tuple[Problem, ...]
    flags: tuple[Flag, ...]
    counts: Mapping[str, int]
    step: float
    gaps: pd.DataFrame
    kept: pd.DataFrame
    zone: str
    screening: pd.DataFrame | None = None
    spans: pd.DataFrame | None = None
    held: Mapping[str, tuple[Any, str, bool]] = field(default_factory=dict)


@dataclass(frozen=True)
class HandRecord:
    """Readings taken by hand with a ruler or staff."""

    frame: pd.DataFrame
    problems: tuple[Problem, ...]
    flags: tuple[Flag, ...]
    role: str


def plain(value: Any) -> Any:
    """A value as JSON can hold it."""
    if hasattr(value, "tolist"):
        return value.tolist()
    if isinstance(value, dict):
        return {str(name): plain(part) for name, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(part) for part in value]
    return value if isinstance(value, (str, int, float, bool, type(None))) else str(value)


class Findings:
    """Problems and flags of one file as they are found; raised together."""

    LIMIT = 20
    STRIDE = 10_000_000
    """Added to the lines of each further file where the rows of several stand in one table [-]."""

    def __init__(self, file: str):
        self.file = file
        self.files: tuple[str, ...] = ()
        self.problems: list[Problem] = []
        self.flags: list[Flag] = []
        self._seen: dict[tuple[str, str | None], int] = {}

    def add(
        self,
        found: str,
        remedy: str,
        *,
        line: int | None = None,
        column: str | None = None,
        code: str = "input",
        severity: str = "refused",
    ) -> None:
        """Note one problem; beyond a limit per code and column only the count goes on."""
        file = self.file
        if self.files and line is not None:
            file, line = self.files[line // self.STRIDE], line % self.STRIDE
        key = (code, column)
        self._seen[key] = self._seen.get(key, 0) + 1
        if self._seen[key] <= self.LIMIT:
            problem = Problem(file, found, remedy, line, column, severity, code)  # type: ignore[arg-type]
            self.problems.append(problem)

    def place(self, line: int) -> str:
        """A line in words, with its file where the rows of several files stand together [text]."""
        if not self.files:
            return f"line {line}"
        return f"line {line % self.STRIDE} of {self.files[line // self.STRIDE]}"

    def warn(self, found: str, remedy: str, **place) -> None:
        """Note one warning."""
        self.add(found, remedy, severity="warning", **place)

    def flag(self, code: str, message: str, **data) -> None:
        """Note one flag with the data that prove it."""
        ready = {name: plain(value) for name, value in data.items()}
        self.flags.append(Flag(code, message, ready))

    @property
    def refused(self) -> bool:
        """Whether anything found stops the work [-]."""
        return any(problem.severity == "refused" for problem in self.problems)

    def summary(self) -> tuple[Problem, ...]:
        """Everything found, with a line for what was only counted [-]."""
        extra = [
            Problem(
                self.file,
                f"{count - self.LIMIT} further places with the same fault",
                "Mend the ones listed first; the cause is likely the same",
                None,
                column,
                "warning",
                code,
            )
            for (code, column), count in self._seen.items()
            if count > self.LIMIT
        ]
        return tuple(self.problems + extra)

    def raise_if_refused(self) -> None:
        """Raise everything found if anything of it stops the work."""
        if self.refused:
            raise InputRefused(self.summary())
