"""What a draft is made of: lines, proposals, questions; and what several rooms of it ask."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import resources

import numpy as np

from sewer_audit.drafting.bills import meanings
from sewer_audit.drafting.looking import Grid, Look, word_in
from sewer_audit.records.files.dialect import normalise
from sewer_audit.records.files.numbers import decimal_mark

__all__ = [
    "Found",
    "Line",
    "Proposal",
    "Question",
    "ask_decimal",
    "day_order",
    "file_list",
    "not_taken",
    "said",
    "text_of",
]


@dataclass(frozen=True)
class Line:
    """One line of the case with what speaks for it."""

    key: str
    value: str
    evidence: str = ""


@dataclass
class Proposal:
    """Lines of one table of the case that are taken together.

    name: what the person takes it by; table: its heading in the case; pictures: (title, times,
    values) of what would be read so.
    """

    name: str
    table: str
    lines: list[Line] = field(default_factory=list)
    refused: str = ""
    pictures: list[tuple[str, np.ndarray, np.ndarray]] = field(default_factory=list)

    def add(self, key: str, value: str, evidence: str = "") -> None:
        """One line more."""
        self.lines.append(Line(key, value, evidence))


@dataclass(frozen=True)
class Question:
    """What no file can know: the key it fills, and what an answer is worth.

    form: the line that is written, with … for the answer, where it is not the value of the key.
    """

    name: str
    table: str
    key: str
    text: str
    worth: str
    hint: str = ""
    quoted: bool = True
    form: str = ""

    @property
    def open_line(self) -> str:
        """The line as it waits for an answer."""
        return self.form or f"{self.key} = "

    def line(self, answer: str) -> str:
        """The line with its answer."""
        if self.form:
            return self.form.replace("…", answer)
        return f"{self.key} = {text_of(answer) if self.quoted else answer}"

    def fits(self, row: str) -> bool:
        """Whether a line is this question, open or answered."""
        if self.form:
            return row.endswith(self.form.partition("…")[2])
        return re.match(rf"(#[!?] )?{self.key} *=", row) is not None

    @property
    def group(self) -> str:
        """Name of the proposal that it completes, or ""."""
        return self.name.rpartition(".")[0]


@dataclass
class Found:
    """Everything proposed and asked."""

    proposals: list[Proposal] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)

    def ask(
        self,
        code: str,
        hint: str = "",
        at: Proposal | None = None,
        key: str = "",
        form: str = "",
        **data: str,
    ) -> None:
        """Ask a question of the table of questions; `at` is the proposal that it completes."""
        row = _asked()[code]
        name = f"{at.name}.{key or row['key']}" if at else code
        text, worth = (row[part] for part in ("text", "worth"))
        for word, value in data.items():
            text, worth = (each.replace(f"{{{word}}}", value) for each in (text, worth))
        table = row["table"] or (at.table if at else "")
        self.questions.append(
            Question(
                name, table, key or row["key"], text, worth, hint, row["quoted"] == "yes", form
            )
        )

    @property
    def bills_day_first(self) -> bool | None:
        """Order of dates that is proposed for the bills; None where it is open or needs none."""
        lines = [each for p in self.proposals if p.name == "invoices" for each in p.lines]
        return next((each.value == "true" for each in lines if each.key == "day_first"), None)


@cache
def _asked() -> dict[str, dict[str, str]]:
    text = resources.files("sewer_audit.drafting").joinpath("questions.csv").read_text("utf-8")
    return {row["name"]: row for row in csv.DictReader(text.splitlines())}


def text_of(value: str) -> str:
    """A TOML string."""
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'


def not_taken(grids: Sequence[Grid], taken: Sequence[Grid]) -> str:
    """Tables of the same kind that do not go with the first, told."""
    left = [f"{each.file} {each.sheet or ''}".strip() for each in grids if each not in taken]
    return f"; not with them, for their columns are others: {', '.join(left)}" if left else ""


def file_list(names: Sequence[str]) -> str:
    return text_of(names[0]) if len(names) == 1 else f"[{', '.join(map(text_of, names))}]"


def said(notes: Sequence[Look], subject: str) -> str:
    """Lines of notes that speak of a subject, word for word, with file and line."""
    words, told = meanings("note")[subject], []
    for look in notes:
        for line, text in enumerate(look.text.splitlines(), start=1):
            if word_in(normalise(re.sub(r"\W+", " ", text)), words) and look.what == "note":
                told.append(f"{look.file}, line {line}: {text.strip()!r}")
    return "; ".join(told[:4])


def day_order(found: Found, proposal: Proposal, cells: Sequence[str], name: str) -> bool | None:
    """Order of dates from the stamps that fit only one; asked where none does."""
    days = Counter(cell[:7] for cell in cells)
    parts = [(m, count) for day, count in days.items()
             if (m := re.match(r"(\d{1,2})[/.-](\d{1,2})[/.-]\d", day))]  # fmt: skip
    day_first = sum(count for m, count in parts if int(m[1]) > 12)
    month_first = sum(count for m, count in parts if int(m[2]) > 12)
    evidence = (f"{day_first:,} of {len(cells):,} stamps can only be day first, {month_first:,} "
                "only month first")  # fmt: skip
    if not parts:
        return None
    if bool(day_first) != bool(month_first):
        proposal.add("day_first", "true" if day_first else "false", evidence)
        return bool(day_first)
    found.ask("day_first", evidence, proposal, what=name)
    return None


def ask_decimal(found: Found, proposal: Proposal, grids: Sequence[Grid], name: str) -> None:
    """The decimal mark where the file leaves it open."""
    cells = [cell for grid in grids for row in grid.table.rows[:3000] for cell in row]
    if decimal_mark(cells) is None:
        odd = next((cell for cell in cells if re.fullmatch(r"\d{1,3},\d{3}", cell.strip())), "")
        found.ask("decimal", f"{odd!r} can be read both ways", proposal, what=name)
