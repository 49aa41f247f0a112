"""The draft of a case: proposals as comments, questions, pictures; nothing counts unasked."""

from __future__ import annotations

import atexit
import os
import re
import shutil
import tempfile
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import pandas as pd

from sewer_audit.case import home, sample_case
from sewer_audit.drafting.looking import Look, look_at
from sewer_audit.drafting.proposals import Found, Proposal, Question
from sewer_audit.drafting.proposing import propose
from sewer_audit.errors import InputRefused, Problem

__all__ = ["Draft", "draft_case", "raw_sample"]

NOT_TAKEN, OPEN = "#? ", "#! "
HEADING = re.compile(r"(?:#\? )?\[\[?[A-Za-z]")
ANSWERED = re.compile(r"#! \w+ = *\S")
HEAD = """\
# A draft from what lies in the folder. Nothing in it counts until you take it:
#   lines that begin with "#? " are proposals, with what speaks for them; take the "#? " away,
#   or run   sewer-audit draft FOLDER --take NAME   for a whole group;
#   lines that begin with "#! " are questions no file can answer, with what the answer is worth;
#   take the "#! " away and write the value, or run   sewer-audit draft FOLDER --answer NAME=VALUE
# Run either as often as you like: what was taken, answered or edited here stays.
# A first report is possible as soon as the invoices, their questions and the schedule stand.
"""


@dataclass(repr=False)
class Draft:
    """What lies in a folder, what is proposed and what is asked.

    looks: each file, what it probably is, and why; found: proposals and questions.
    """

    folder: Path
    looks: list[Look]
    found: Found

    def __str__(self) -> str:
        return self.told()

    def told(self, before: str = "") -> str:
        """What lies there, what is proposed and what is still asked of the file `before`."""
        blocks = _blocks(before)
        told = [f"{look.file}: {look.what}; {look.why}" for look in self.looks]
        told += ["", "proposed (nothing of it counts until taken):"]
        taken = {p.name for p in self.found.proposals if _taken(blocks, p)}
        for name in dict.fromkeys(p.name for p in self.found.proposals):
            mine = [p for p in self.found.proposals if p.name == name]
            refused = "; ".join(p.refused for p in mine if p.refused)
            state = f" NOT READABLE: {refused}" if refused else ""
            state = f"{sum(len(p.lines) for p in mine)} lines.{state}"
            told.append(f"  {name}: {'taken' if name in taken else state}")
        told += ["", "asked:"]
        for q in self.still_open(before=before).itertuples():
            told.append(f"  {q.question}: {q.text} (worth: {q.worth})")
        later = [q.name for q in self.found.questions if q.group in
                 {p.name for p in self.found.proposals} - taken]  # fmt: skip
        told += [f"  once their proposal is taken: {', '.join(later)}"] if later else []
        return "\n".join(told)

    def text(
        self,
        take: Sequence[str] = (),
        answers: Mapping[str, str] | None = None,
        before: str = "",
        up: str = "..",
    ) -> str:
        """The case file with the proposals taken and the questions answered.

        before: the file as it was written before; what counts in it, or was answered, stays.
        up: how the case file reaches the folder.
        """
        answers = dict(answers or {})
        self._check(take, answers)
        stands = _blocks(before)
        blocks = {name: rows for name, rows in stands.items() if _counts(rows)}
        blocks |= {name: rows for name, rows in self._fresh(up).items() if name not in blocks}
        order = [*stands, *(name for name in blocks if name not in stands)]
        blocks = {name: blocks[name] for name in order if name in blocks}
        proposed = {_place(p.table, p.name): p.name for p in self.found.proposals}
        for name, of in proposed.items():
            if of in take:
                blocks[name] = [_adopted(row) for row in blocks[name]]
        for question in self.found.questions:
            if question.name in answers:
                place = _place(question.table, question.group)
                if place not in proposed:
                    blocks[place] = [_adopted(row) for row in blocks[place]]
                _put(blocks[place], question, answers.pop(question.name))
        for name, value in answers.items():
            group, _, key = name.rpartition(".")
            place = next(place for place, of in proposed.items() if of == group)
            lines = {each.key: each.value for p in self.found.proposals if p.name == group
                     for each in p.lines}  # fmt: skip
            quoted = lines.get(key, '"').startswith('"')
            _put(blocks[place], Question(name, "", key, "", "", quoted=quoted), value)
        top = re.split(rf"(?m)^{HEADING.pattern}", before)[0].rstrip() if before else HEAD
        return "\n".join([top, *(line for rows in blocks.values() for line in rows)]) + "\n"

    def _fresh(self, up: str) -> dict[str, list[str]]:
        """Each table of the case as it is proposed and asked: nothing of it counts."""
        found = self.found
        blocks: dict[str, list[str]] = {}
        tables = ["[case]", "[invoices]", "[rates]", "[account.reads]"]
        places = [_place(each.table, each.name) for each in found.proposals]
        for place in dict.fromkeys([*tables, *places]):
            rows = []
            for proposal in found.proposals:
                if _place(proposal.table, proposal.name) != place:
                    continue
                for each in proposal.lines:
                    rows += _evidence(each.evidence)
                    plain = f"{each.key}: {each.value}" if each.key[0] == "#" else ""
                    rows.append(
                        plain or f"{NOT_TAKEN}{each.key} = {each.value}".replace('"../', f'"{up}/')
                    )
                if proposal.refused:
                    rows += _evidence(f"as it stands it cannot be read: {proposal.refused}")
            for question in found.questions:
                if _place(question.table, question.group) == place:
                    told = f"{question.name}: {question.text} Worth: {question.worth}."
                    rows += [
                        *_evidence(told),
                        *_evidence(question.hint),
                        OPEN + question.open_line,
                    ]
            if rows:
                blocks[place] = ["", f"{NOT_TAKEN}{place}", *rows]
        return blocks

    def _check(self, take: Sequence[str], answers: Mapping[str, str]) -> None:
        known = [*dict.fromkeys(proposal.name for proposal in self.found.proposals)]
        asked = [question.name for question in self.found.questions]
        problems = [_unknown(name, known, "proposed", "take") for name in take if name not in known]
        for proposal in self.found.proposals:
            if proposal.name in take and proposal.refused:
                problems.append(Problem("draft", f"{proposal.name} cannot be taken: "
                                        f"{proposal.refused}", "Mend the file first"))  # fmt: skip
        problems += [_unknown(name, asked, "asked", "answer") for name in answers
                     if name not in asked and name.rpartition(".")[0] not in known]  # fmt: skip
        if problems:
            raise InputRefused(problems)

    def write(
        self,
        out: Path,
        take: Sequence[str] = (),
        answers: Mapping[str, str] | None = None,
        again: bool = False,
        before: str | None = None,
    ) -> Path:
        """Write case.toml and first_look.html; what counts in the file before stays.

        again: nothing stays; before: the file to go on from, that in `out` if left out.
        """
        earlier = self.written(out) if before is None and not again else before or ""
        case = out / "case.toml"
        up = Path(os.path.relpath(self.folder.resolve(), out.resolve())).as_posix()
        text = self.text(take, answers, earlier, up)
        out.mkdir(parents=True, exist_ok=True)
        case.write_text(text, encoding="utf-8")
        (out / "first_look.html").write_text(self.page(), encoding="utf-8")
        return case

    def written(self, out: Path) -> str:
        """The draft that lies there, or ""; refused where a file lies there that is none."""
        case = out / "case.toml"
        text = case.read_text(encoding="utf-8-sig") if case.is_file() else ""
        if text and not text.startswith(HEAD.partition("\n")[0]):
            found, remedy = "a case that no draft wrote lies there", "Name another folder, or write"
            raise InputRefused(Problem("case.toml", found, f"{remedy} over it with --again"))
        return text

    def _repr_html_(self) -> str:
        from sewer_audit.drafting.showing import body_of

        return body_of(self)

    def __repr__(self) -> str:
        return str(self)

    def still_open(
        self, take: Sequence[str] = (), answers: Mapping[str, str] | None = None, before: str = ""
    ) -> pd.DataFrame:
        """Questions that are not answered yet and belong to the site or to what is taken.

        before: the file as it was written before. Units: answers [as the key].
        """
        blocks = _blocks(self.text(take, answers, before))
        grouped = {p.name for p in self.found.proposals}
        rows = []
        for q in self.found.questions:
            block = blocks.get(_place(q.table, q.group), [])
            asked = (OPEN + q.open_line).rstrip() in map(str.rstrip, block)
            if asked and (q.group not in grouped or not block[1].startswith(NOT_TAKEN)):
                rows.append((q.name, q.text, q.worth))
        return pd.DataFrame(rows, columns=["question", "text", "worth"])

    def findings(self) -> dict[str, Any]:
        """The draft as JSON can hold it: files, proposed lines, questions [text]."""
        return {name: frame.to_dict("records") for name, frame in self.tables().items()}

    def tables(self) -> dict[str, pd.DataFrame]:
        """Files, proposed lines with their evidence, and questions [text]."""
        lines = [(p.name, p.table, line.key, line.value, line.evidence, p.refused)
                 for p in self.found.proposals for line in p.lines]  # fmt: skip
        heads = ["proposal", "table", "key", "value", "evidence", "refused"]
        files = [(look.file, look.what, look.why) for look in self.looks]
        asked = [(q.name, q.text, q.worth, q.hint) for q in self.found.questions]
        return {
            "files": pd.DataFrame(files, columns=["file", "what", "why"]),
            "proposals": pd.DataFrame(lines, columns=heads),
            "questions": pd.DataFrame(asked, columns=["question", "text", "worth", "notes"]),
        }

    def form(self, out: str | Path | None = None):
        """The same as a form in a notebook: boxes to tick, fields to fill, nothing filled in."""
        from sewer_audit.drafting.showing import form_of

        return form_of(self, Path(out) if out else self.folder / "draft")

    def page(self) -> str:
        """Files, proposals with their pictures, and questions, as one page."""
        from sewer_audit.drafting.showing import page_of

        return page_of(self)


def _unknown(name: str, known: Sequence[str], what: str, column: str) -> Problem:
    """A name that is not there, with those that are near, or that begin or end so."""
    near = [each for each in known if each.startswith(f"{name}.") or each.endswith(f".{name}")]
    near = near or get_close_matches(name, known, 1)
    meant = f"Perhaps {' or '.join(near)} is meant. " if near else ""
    remedy = f"{meant}{what.capitalize()} are {', '.join(known)}"
    return Problem("draft", f"nothing called {name!r} is {what}", remedy, column=column)


def _place(table: str, group: str) -> str:
    """The heading of a table; where there are several, with the name of the proposal."""
    return f"{table}  # {group}" if table.startswith("[[") else table


def _blocks(text: str) -> dict[str, list[str]]:
    """Heading to the lines of its table, the empty line above and the heading first."""
    blocks: dict[str, list[str]] = {}
    rows: list[str] = []
    for row in text.splitlines():
        if HEADING.match(row):
            name = row.removeprefix(NOT_TAKEN).rstrip()
            while name in blocks:
                name += " "
            blocks[name] = rows = ["", row]
        elif blocks and (row.strip() or rows[-1].strip()):
            rows.append(row)
    return {name: rows if rows[-1].strip() else rows[:-1] for name, rows in blocks.items()}


def _taken(blocks: Mapping[str, Sequence[str]], proposal: Proposal) -> bool:
    rows = blocks.get(_place(proposal.table, proposal.name))
    return bool(rows) and not rows[1].startswith(NOT_TAKEN)


def _counts(rows: Sequence[str]) -> bool:
    """Whether anything of a table counts or was answered."""
    return any((row.strip() and row[0] != "#") or ANSWERED.match(row) for row in rows)


def _adopted(row: str) -> str:
    """A line that is taken, or answered; an open question stays one."""
    return row[len(OPEN) :] if ANSWERED.match(row) else row.removeprefix(NOT_TAKEN)


def _put(rows: list[str], question: Question, answer: str) -> None:
    """Write an answer in place of its open line, of a proposed line or of an earlier answer."""
    at = next((n for n, each in enumerate(rows) if n > 1 and question.fits(each)), len(rows))
    mark = OPEN if rows[1].startswith(NOT_TAKEN) else ""
    rows[at : at + 1] = [mark + question.line(answer)]


def _evidence(text: str) -> list[str]:
    return textwrap.wrap(text, 98, initial_indent="# ", subsequent_indent="#   ") if text else []


def draft_case(folder: str | Path) -> Draft:
    """Look at everything in a folder and propose a case.

    Parameters
    ----------
    folder : str or Path
        Folder of raw files: tables, workbooks, bills, notes, whatever lies there [-].

    Returns
    -------
    Draft
        What each file probably is, proposals with their evidence, questions with their worth [-].

    Raises
    ------
    InputRefused
        If there is no such folder, or nothing in it.
    """
    folder = Path(folder)
    looks = look_at(folder) if folder.is_dir() else []
    if not looks:
        raise InputRefused(Problem(folder.name, "no file lies in this folder", "Name a folder that "
                                   "holds the exports, the meter book and the bills"))  # fmt: skip
    return Draft(folder, looks, propose(looks))


def raw_sample() -> Path:
    """Raw files of the invented sample, as they might lie in a folder; gone when Python ends.

    Returns
    -------
    Path
        A folder with bills, two meter books, a logger's export and the rate schedule [-].
    """
    place = Path(tempfile.mkdtemp(prefix="raw-"))
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    folder = place / "raw"
    folder.mkdir()
    bills = sample_case().parent
    names = ("invoices.csv", "main_meter.csv", "cooling_tower_meter.csv", "rates.toml")
    for file in (*(bills / name for name in names), home("sample_logs") / "effluent_log.csv"):
        shutil.copyfile(file, folder / file.name)
    return folder
