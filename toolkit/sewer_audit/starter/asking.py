"""A guided questionnaire over patterns of schedules: from answers to a rate file.

The patterns and their questions are data (``questions.toml``). Answers come one a line, from a
person or from a file; a blank line is "none" where that is an answer, ``#`` begins a remark. A
figure that changed between editions is answered once for each, ``41.80; 44.35``, one that did not
``41.80 for all``; a person who states one alone is asked back, one from a file is written with a
remark. Behind any answer ``@`` and a place may stand; each volume and charge asks for its section
and page anyway.
"""

from __future__ import annotations

import json
import re
import sys
import tomllib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal, InvalidOperation
from functools import cache, partial
from importlib import resources
from pathlib import Path
from typing import Any

from sewer_audit.case.keys import fields_of, key_of, models_at
from sewer_audit.charges.pricing.worked_example import price_example
from sewer_audit.charges.schedule.loading import parse_rates
from sewer_audit.charges.schedule.versions import Schedule
from sewer_audit.errors import AuditError, InputRefused, Problem
from sewer_audit.starter import starter_text
from sewer_audit.units import number_in, to_si

ONCE = ("text", "choice", "lines", "unit", "mass", "yes")
"""Kinds of answers that are the same in every edition; all others may change between them."""
FOR_ALL = " for all"


@cache
def _questions() -> dict[str, Any]:
    text = resources.files("sewer_audit.starter").joinpath("questions.toml").read_text("utf-8")
    return tomllib.loads(text)


class NotThat(Exception):
    """An answer that cannot be read; says what would be right."""


@dataclass
class Answers:
    """Where the answers come from, and what was asked and answered.

    Parameters
    ----------
    lines : iterable of str
        One answer a line [text].
    name : str
        Name for messages; empty where a person answers and is asked again [text].
    say : callable
        Takes what is shown to the person [-].
    then : iterable of str, optional
        A person who goes on where the lines end [text].
    """

    lines: Iterable[str]
    name: str = ""
    say: Callable[[str], None] = print
    then: Iterable[str] | None = None
    told: list[str] = field(default_factory=list)
    line: int = 0

    def __post_init__(self) -> None:
        self._next: Iterator[str] = iter(self.lines)

    def ask(
        self, question: str, read: Callable[[str], Any], at: int | None = None
    ) -> tuple[Any, str]:
        """The answer to a question as read, and the place stated behind it; at: asked before."""
        while True:
            self.say(question)
            text = self._line(question)
            answer, _, place = (part.strip() for part in text.partition("@"))
            try:
                value = read(answer)
            except (NotThat, AuditError) as fault:
                if self.name:
                    found = f"{answer!r} does not answer {question.splitlines()[0]!r}"
                    raise InputRefused(
                        Problem(
                            self.name, found, str(fault)[:1].upper() + str(fault)[1:], self.line
                        )
                    ) from None
                self.say(f"  {fault}")
                continue
            told = "\n".join([*(f"# {row}" for row in question.splitlines()), text])
            at = len(self.told) if at is None else at
            self.told[at : at + 1] = [told]
            return value, place

    def _line(self, question: str) -> str:
        for text in self._next:
            self.line += 1
            if not text.lstrip().startswith("#"):
                return text.strip()
        if self.then is not None:
            self._next, self.name, self.then, self.say = iter(self.then), "", None, print
            self.say(question)
            return self._line(question)
        raise InputRefused(
            Problem(
                self.name or "answers",
                f"the answers end before {question.splitlines()[0]!r}",
                "Add the answer; a blank line stands for none",
                self.line,
            )
        )


class _Once(list[str]):
    """One figure of a file for several editions; nobody said that it holds in all of them."""


@dataclass
class _Table:
    """One table of the rate file while it is answered: key to its value in each edition."""

    head: str
    place: list[str]
    values: dict[str, list[str | None]] = field(default_factory=dict)
    places: dict[str, str] = field(default_factory=dict)
    asked: dict[str, tuple[str, Any, int]] = field(default_factory=dict)
    once: set[str] = field(default_factory=set)
    where: str = ""

    def ask(self, key: str, answers: Answers) -> None:
        """Ask for a key, also once more."""
        question, read, at = self.asked[key]
        value, place = answers.ask(question, partial(read, person=not answers.name), at)
        self.values.pop(key, None)
        self.once.discard(key)
        if isinstance(value, _Once):
            self.once.add(key)
        if value is not None:
            self.values[key], self.places[key] = value, place

    def text(self, edition: int) -> str:
        many = self.head in ("version.volume", "version.charge")
        rows = [f"[[{self.head}]]" if many else f"[{self.head}]"]
        rows[0] += f"{' ' * max(1, 34 - len(rows[0]))} # {self.where}" if self.where else ""
        for key, each in self.values.items():
            value = each[edition if len(each) > 1 else 0]
            if value is not None:
                once = "stated once for all editions" if key in self.once else ""
                beside = "; ".join(filter(None, (self.places.get(key), once)))
                row = f"{key} = {value}"
                rows.append(f"{row:<34} # {beside}" if beside else row)
        return "\n".join(rows)


def write_rates(answers: Answers) -> tuple[str, list[str]]:
    """Ask everything and write the schedule.

    Raises
    ------
    InputRefused
        With the line of an answer that cannot be read, or what the schedule lacks.
    """
    asked = _questions()
    head = _Table("schedule", ["schedule"])
    _ask_all(answers, asked["head"], head, 1)
    for key in ("line_rounding", "total_rounding"):
        head.values.setdefault(key, ['{ rule = "none" }'])
    editions, _ = answers.ask(
        "First day of each edition, oldest first, such as 2024-07-01; 2026-01-01 "
        "(a figure is then asked for each edition)",
        _dates,
    )
    tables, samples = [*_volumes(answers, len(editions))], _Table("version.samples", [])
    volumes = [str(json.loads(table.values["name"][0])) for table in tables]
    tables += _charges(answers, len(editions), volumes, samples)
    while True:
        text, rows = _written(head, editions, tables, samples)
        try:
            schedule = parse_rates(text, "rates.toml")
        except InputRefused as fault:
            again = {id(rows[p.line][0]): rows[p.line] for p in fault.problems if p.line in rows}
            if answers.name or not again:
                raise
            answers.say("\n".join(map(str, fault.problems)))
            for table, key in again.values():
                table.ask(key, answers)
            continue
        return text, [*_examples(answers, schedule)]


def _written(
    head: _Table, editions: list[date], tables: list[_Table], samples: _Table
) -> tuple[str, dict[int, tuple[_Table, str]]]:
    """The rate file, and whose answer stands in which line."""
    lines = ["# Written from answers about the printed schedule; the place of each rule beside it."]
    rows: dict[int, tuple[_Table, str]] = {}

    def add(table: _Table, edition: int) -> None:
        lines.append("")
        for row in table.text(edition).split("\n"):
            lines.append(row)
            key = row.partition(" = ")[0]
            if key in table.asked:
                rows[len(lines)] = (table, key)

    add(head, 0)
    for number, day in enumerate(editions):
        lines.extend(["", "[[version]]", f"effective = {day}", f'name = "from {day}"'])
        for table in [*tables, *([samples] if samples.values else [])]:
            add(table, number)
    return "\n".join(lines) + "\n", rows


def ask_for_rates(folder: Path, answers_file: str | None = None) -> Path:
    """Write ``rates.toml`` of a case from answers, and the answers beside it.

    Parameters
    ----------
    answers_file : str, optional
        One answer a line; standard input if None [text].

    Raises
    ------
    InputRefused
        If a rate file of the person's own stands there, or an answer cannot be read.
    """
    target = folder / "rates.toml"
    if target.exists() and target.read_text(encoding="utf-8") != starter_text("rates"):
        found = "a rate schedule stands there already"
        raise InputRefused(Problem("rates.toml", found, "Move it away, or name another folder"))
    if answers_file is None:
        name = "" if sys.stdin.isatty() else "standard input"
        answers = Answers(sys.stdin, name)
    else:
        file = Path(answers_file)
        try:
            lines = file.read_text(encoding="utf-8-sig").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            found = f"cannot be read ({error})"
            raise InputRefused(Problem(file.name, found, "Name a text file")) from None
        further = sys.stdin if sys.stdin.isatty() else None
        answers = Answers(lines, file.name, say=lambda _: None, then=further)
    text = ""
    try:
        text, examples = write_rates(answers)
        target.write_text(text, encoding="utf-8")
    finally:  # what a person told is never lost; a file of answers stays as it is
        if answers.told and (text or not answers.name):
            told = "\n".join(answers.told) + "\n"
            (folder / "rates.answers.txt").write_text(told, encoding="utf-8")
    for example in examples if answers_file else ():
        print(example)
    if once := text.count("stated once for all editions"):
        print(
            f"{once} rows of rates.toml are marked 'stated once for all editions': answer with one "
            f"for each, separated by ;, or write '{FOR_ALL.strip()}' behind one that holds in all"
        )
    return target


def _examples(answers: Answers, schedule: Schedule) -> Iterator[str]:
    """The ordinance's own examples, one after the other until none is left."""
    while True:
        example, _ = answers.ask(
            "An example of the ordinance, such as volume=100 kgal, days=30, total=863.70 "
            "(blank for no more)",
            lambda text: price_example(schedule, _pairs(text)) if text else None,
        )
        if example is None:
            return
        answers.say(str(example))
        yield str(example)


def _pairs(text: str) -> dict[str, str]:
    """Words and values; a comma within a value belongs to it."""
    found = re.findall(r"([^=,]+)=([^=]*)(?:,|$)(?=[^=,]+=|$)", text)
    if not found:
        raise NotThat("write word=value, with commas between")
    return {word.strip(): value.strip() for word, value in found}


def _volumes(answers: Answers, editions: int) -> Iterator[_Table]:
    asked, number = _questions(), 0
    while True:
        which = (
            "The charged volume is" if number == 0 else "Another charged volume (blank for none)"
        )
        pattern, _ = answers.ask(
            _listed(which, asked["volume"]), _pick(asked["volume"], number > 0)
        )
        if pattern is None:
            return
        table = _Table("version.volume", ["version", "volume"])
        _ask_all(answers, asked["volume_first"], table, editions)
        table.values |= {key: [json.dumps(v)] for key, v in asked["volume"][pattern]["set"].items()}
        _ask_all(answers, asked["volume"][pattern].get("ask", []), table, editions)
        for more in asked["volume"][pattern].get("then", "").split():
            _ask_all(answers, asked[more], table, editions)
        _ask_all(answers, asked["volume_last"], table, editions)
        table.where, _ = answers.ask("Section and page where that stands", _needed)
        number += 1
        yield table


def _charges(
    answers: Answers, editions: int, volumes: list[str], samples: _Table
) -> Iterator[_Table]:
    asked, lines = _questions(), []
    while True:
        question = _listed("Next line of the bill (blank when it is complete)", asked["charge"])
        pattern, _ = answers.ask(question, _pick(asked["charge"], bool(lines)))
        if pattern is None:
            return
        stated = asked["charge"][pattern]
        table = _Table("version.charge", ["version", "charge", stated["set"]["kind"]])
        _ask_all(answers, asked["charge_first"], table, editions, lines)
        table.values |= {key: [json.dumps(value)] for key, value in stated["set"].items()}
        if len(volumes) > 1 and "volume" in _keys_of(table):
            name, _ = answers.ask(f"On which volume: {', '.join(volumes)}", _one_of(volumes))
            table.values["volume"] = [json.dumps(name)]
        _ask_all(answers, stated["ask"], table, editions, lines)
        if stated.get("then") == "period":
            _ask_all(answers, asked["period"], table, editions)
        if stated.get("then") == "samples" and not samples.values:
            samples.place = ["version", "samples"]
            _ask_all(answers, asked["samples"], samples, 1)
        table.where, _ = answers.ask("Section and page where that stands", _needed)
        lines.append(json.loads(table.values["name"][0]))
        yield table


def _keys_of(table: _Table) -> set[str]:
    return {name for model in models_at(Schedule, table.place) for name in fields_of(model)}


def _ask_all(
    answers: Answers,
    questions: list[dict[str, Any]],
    table: _Table,
    editions: int,
    lines: Iterable[str] = (),
) -> None:
    """Ask the questions that apply and put their answers into the table."""
    for each in questions:
        conditions = each.get("when", {}).items()
        if any(table.values.get(key) != [json.dumps(value)] for key, value in conditions):
            continue
        prompt = _listed(each["ask"], each["from"]) if "from" in each else each["ask"]
        if editions > 1 and each["as"] not in ONCE:
            prompt += f" - one for each of the {editions} editions, separated by ;"
        read = _reader(each, table, editions, list(lines))
        table.asked[each["key"]] = (prompt, read, len(answers.told))
        table.ask(each["key"], answers)


def _reader(each: dict[str, Any], table: _Table, editions: int, lines: list[str]) -> Any:
    """How an answer becomes what stands in the file, once or for each edition."""
    kind, need = each["as"], each.get("need", False)

    def one(text: str) -> str:
        if kind == "choice":
            return json.dumps(each["from"][_pick(each["from"], False)(text)])
        if kind == "lines":
            return _lines(text, lines)
        if kind in ("sizes", "month shares"):
            example = each["ask"].partition("such as ")[2].partition(" (")[0]
            return _rows(text, example, kind == "month shares")
        if each["key"] == "name" and text in lines:
            raise NotThat(f"a line is called {text!r} already; names must differ")
        if kind == "text":
            choices = key_of(Schedule, [*table.place, *each["key"].split(".")]).choices
            return json.dumps(_one_of(choices)(text) if choices else text)
        return READERS[kind](text)

    def read(text: str, person: bool = False) -> list[str | None] | None:
        if not text:
            if need:
                raise NotThat("an answer is needed here")
            return None
        if kind in ONCE:
            return [one(text)]
        parts = text.removesuffix(FOR_ALL).split(";")
        if len(parts) not in (1, editions):
            raise NotThat(f"{len(parts)} figures for {editions} editions; state one for each")
        found = [one(part.strip()) if need or part.strip() else None for part in parts]
        if len(found) == editions or text.endswith(FOR_ALL):
            return found
        if person:
            raise NotThat(
                f"does {text} hold in all {editions} editions? Then write: {text}{FOR_ALL}; "
                "else one for each edition, separated by ;"
            )
        return _Once(found)

    return read


def _listed(question: str, choices: Iterable[str]) -> str:
    return "\n".join([question, *(f"  {n} {each}" for n, each in enumerate(choices, 1))])


def _pick(choices: Iterable[str], may_end: Any) -> Callable[[str], str | None]:
    names = list(choices)

    def read(text: str) -> str | None:
        if not text and may_end:
            return None
        if text.isdigit() and 1 <= int(text) <= len(names):
            return names[int(text) - 1]
        if text in names:
            return text
        raise NotThat(f"write a number from 1 to {len(names)}, or the words")

    return read


def _one_of(choices: Iterable[str]) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text not in choices:
            raise NotThat(f"write one of {', '.join(choices)}")
        return text

    return read


def _needed(text: str) -> str:
    if not text:
        raise NotThat("state where it is printed, such as: sec. 31-2, p. 4")
    return text


def _dates(text: str) -> list[date]:
    try:
        days = [date.fromisoformat(part.strip()) for part in text.split(";")]
    except ValueError:
        raise NotThat("write each day as 2024-07-01") from None
    if sorted(set(days)) != days:
        raise NotThat("write the oldest first, each day once")
    return days


def _number(text: str) -> str:
    try:
        value = Decimal(text.replace("$", "").strip())
    except InvalidOperation:
        raise NotThat(f"{text!r} is no number; write it as 4.255, without separators") from None
    if not value.is_finite():
        raise NotThat(f"{text!r} is no number")
    return f"{value:f}"


def _share(text: str) -> str:
    return json.dumps(f"{_number(text[:-1])} %") if text.endswith("%") else _number(text)


def _rows(text: str, example: str, of_months: bool) -> str:
    """Names, or numbers of months, and figures: "1 in = 21.40, 2 in = 62.90"."""
    rows = []
    for part in text.split(","):
        name, mark, figure = (each.strip() for each in part.rpartition("="))
        if not (name and mark):
            raise NotThat(f"{part.strip()!r} is no row; write: {example}")
        if of_months and name not in map(str, range(1, 13)):
            raise NotThat(f"{name!r} is no month from 1 to 12; write: {example}")
        rows.append(f"{json.dumps(name)} = {_share(figure)}")
    return "{ " + ", ".join(rows) + " }"


def _blocks(text: str) -> str:
    """Blocks by their widths (first, next) or upper ends (to); the last is "above"."""
    rows, edge = [], Decimal(0)
    for part in text.split(","):
        match = re.fullmatch(r"\s*(first|next|to|above)\s*([\d.]*)\s*=\s*(\S+)\s*", part)
        if match is None or (match[1] == "above") == bool(match[2]):
            raise NotThat(f"{part.strip()!r} is no block; write: first 20 = 5.12, above = 3.905")
        if match[1] == "above":
            rows.append(f"{{ rate = {_number(match[3])} }}")
            continue
        width = Decimal(_number(match[2]))
        edge = width if match[1] == "to" else edge + width
        rows.append(f"{{ to = {edge:f}, rate = {_number(match[3])} }}")
    return "[" + ", ".join(rows) + "]"


def _rounding(text: str) -> str:
    step, _, rule = text.partition(" ")
    rule = rule.strip() or "half up"
    if rule not in ("half up", "half even", "down", "up"):
        raise NotThat("write a step and half up, half even, down or up, such as: 0.01 half up")
    return f'{{ to = {_number(step)}, rule = "{rule}" }}'


def _months(text: str) -> str:
    months: list[int] = []
    for part in text.split(","):
        match = re.fullmatch(r"\s*(\d+)(?:\s*-\s*(\d+))?\s*", part)
        if match is None or not all(1 <= int(m) <= 12 for m in match.groups() if m):
            raise NotThat("write months as numbers, such as 12, 1, 2 or 4-11")
        first, last = int(match[1]), int(match[2] or match[1])
        months += [(first - 1 + n) % 12 + 1 for n in range((last - first) % 12 + 1)]
    return f"[{', '.join(str(month) for month in months)}]"


def _lines(text: str, lines: list[str]) -> str:
    if text == "all":
        return json.dumps("all")
    names = [part.strip() for part in text.split(",")]
    for name in names:
        if name not in lines:
            raise NotThat(f"no line {name!r} stands above; there are {', '.join(lines)}")
    return json.dumps(names)


def _span(text: str) -> str:
    first, last = map(_number, text.split("-", 1) if "-" in text else ("", ""))
    if Decimal(first) > Decimal(last):
        raise NotThat("write the smaller first, such as 27-33")
    return f"[{first}, {last}]"


def _yes(text: str) -> str:
    return "true" if _one_of(("yes", "no"))(text) == "yes" else "false"


def _unit(text: str, dimension: str) -> str:
    to_si(1.0, text, dimension)
    return json.dumps(text)


def _quantity(text: str) -> str:
    number, unit = number_in(text, "volume")
    if not unit:
        return _number(text)
    to_si(float(number), unit, "volume")
    return json.dumps(text)


def _month(text: str) -> str:
    if text not in map(str, range(1, 13)):
        raise NotThat("write the month as a number from 1 to 12")
    return text


def _volume(text: str) -> str:
    return json.dumps(text) if text == "actual use" else _number(text)


READERS: dict[str, Callable[[str], str]] = {
    "number": _number,
    "share": _share,
    "blocks": _blocks,
    "rounding": _rounding,
    "months": _months,
    "month": _month,
    "quantity": _quantity,
    "formula": json.dumps,
    "span": _span,
    "yes": _yes,
    "volume": _volume,
    "unit": partial(_unit, dimension="volume"),
    "mass": partial(_unit, dimension="mass"),
}
