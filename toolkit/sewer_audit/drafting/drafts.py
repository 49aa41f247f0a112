"""The draft of a case: proposals as comments, questions, pictures; nothing counts unasked."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from sewer_audit.case import home, sample_case
from sewer_audit.drafting.looking import Look, look_at
from sewer_audit.drafting.proposing import Found, Proposal, propose, text_of
from sewer_audit.errors import InputRefused, Problem

__all__ = ["Draft", "draft_case", "raw_sample"]

NOT_TAKEN, OPEN = "#? ", "#! "
HEAD = """\
# A draft from what lies in the folder. Nothing in it counts until you take it:
#   lines that begin with "#? " are proposals, with what speaks for them; take the "#? " away,
#   or run   sewer-audit draft FOLDER --take NAME   for a whole group;
#   lines that begin with "#! " are questions no file can answer, with what the answer is worth;
#   write the value, or run   sewer-audit draft FOLDER --answer NAME=VALUE
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
        told = [f"{look.file}: {look.what}; {look.why}" for look in self.looks]
        told += ["", "proposed (nothing of it counts until taken):"]
        for proposal in self.found.proposals:
            state = f" NOT READABLE: {proposal.refused}" if proposal.refused else ""
            told.append(f"  {proposal.name}: {len(proposal.lines)} lines.{state}")
        told += ["", "asked:"]
        told += [f"  {q.name}: {q.text} (worth: {q.worth})" for q in self.found.questions]
        return "\n".join(told)

    def text(self, take: Sequence[str] = (), answers: Mapping[str, str] | None = None) -> str:
        """The case file with the proposals taken and the questions answered."""
        answers = dict(answers or {})
        self._check(take, answers)
        lines = [HEAD]
        tables: list[str] = ["[case]", "[invoices]", "[rates]", "[account.reads]"]
        for proposal in self.found.proposals:
            if proposal.table not in tables:
                tables.append(proposal.table)
        for table in tables:
            mine = [p for p in self.found.proposals if p.table == table]
            if table.startswith("[["):
                for proposal in mine:
                    lines += self._table(table, [proposal], take, answers)
            else:
                lines += self._table(table, mine, take, answers)
        return "\n".join(lines) + "\n"

    def _table(self, table: str, proposals: Sequence[Proposal], take, answers) -> list[str]:
        names = {proposal.name for proposal in proposals}
        many = table.startswith("[[")
        asked = [q for q in self.found.questions if q.table == table
                 and (not many or q.name.rpartition(".")[0] in names)]  # fmt: skip
        known = {question.name for question in self.found.questions}
        further = {} if table == "[effluent.columns]" else {
            name: value for name, value in answers.items()
            if name.rpartition(".")[0] in names and name not in known}  # fmt: skip
        if not proposals and not asked:
            return []
        taken = [p for p in proposals if p.name in take]
        counts = bool(taken) or (not proposals and any(q.name in answers for q in asked))
        out = ["", f"{'' if counts else NOT_TAKEN}{table}"]
        for proposal in proposals:
            mark = "" if proposal in taken else NOT_TAKEN
            for each in proposal.lines:
                out += _evidence(each.evidence)
                plain = f"{each.key}: {each.value}" if each.key[0] == "#" else ""
                out.append(plain or f"{mark}{each.key} = {each.value}")
            if proposal.refused:
                out += _evidence(f"as it stands it cannot be read: {proposal.refused}")
        for question in asked:
            if question.name in answers and counts:
                value = answers[question.name]
                out.append(f"{question.key} = {text_of(value) if question.quoted else value}")
                continue
            out += _evidence(f"{question.name}: {question.text} Worth: {question.worth}.")
            out += _evidence(question.hint)
            out.append(f"{OPEN}{question.key} = ")
        for name, value in further.items():
            out.append(f"{name.rpartition('.')[2]} = {text_of(value)}")
        return out

    def _check(self, take: Sequence[str], answers: Mapping[str, str]) -> None:
        known = [proposal.name for proposal in self.found.proposals]
        asked = {question.name: question for question in self.found.questions}
        problems = [Problem("draft", f"nothing called {name!r} is proposed",
                            f"Proposed are {', '.join(known)}", column="take")
                    for name in take if name not in known]  # fmt: skip
        for proposal in self.found.proposals:
            if proposal.name in take and proposal.refused:
                problems.append(Problem("draft", f"{proposal.name} cannot be taken: "
                                        f"{proposal.refused}", "Mend the file first"))  # fmt: skip
        for name in answers:
            if name not in asked and name.rpartition(".")[0] not in known:
                remedy = f"Asked are {', '.join(asked)}"
                found = f"nothing called {name!r} is asked"
                problems.append(Problem("draft", found, remedy, column="answer"))
        if problems:
            raise InputRefused(problems)

    def write(
        self,
        out: Path,
        take: Sequence[str] = (),
        answers: Mapping[str, str] | None = None,
        again: bool = False,
    ) -> Path:
        """Write case.toml and first_look.html; an earlier draft is kept unless `again`."""
        case = out / "case.toml"
        up = Path(os.path.relpath(self.folder.resolve(), out.resolve())).as_posix()
        text = self.text(take, answers).replace('"../', f'"{up}/')
        if case.exists() and not again:
            raise InputRefused(Problem("case.toml", "a draft was written there before", "Edit it, "
                                       "or have it written over with --again"))  # fmt: skip
        out.mkdir(parents=True, exist_ok=True)
        case.write_text(text, encoding="utf-8")
        (out / "first_look.html").write_text(self.page(), encoding="utf-8")
        return case

    def _repr_html_(self) -> str:
        from sewer_audit.drafting.showing import body_of

        return body_of(self)

    def __repr__(self) -> str:
        return str(self)

    def still_open(
        self, take: Sequence[str] = (), answers: Mapping[str, str] | None = None
    ) -> pd.DataFrame:
        """Questions that are not answered yet and belong to the site or to what is taken.

        Units: answers [as the key].
        """
        self._check(take, answers or {})
        rows = [(q.name, q.text, q.worth) for q in self.found.questions
                if q.name not in (answers or {})
                and q.name.rpartition(".")[0] in ("", "reads", *take)]  # fmt: skip
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
