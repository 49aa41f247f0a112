"""The reference: of every key from its description, of how keys work together from a text.

The text is ``reference.md``, a section for each topic; what people call a thing that the keys call
otherwise stands in ``plain_words.csv``.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from importlib import resources

from pydantic import BaseModel

from sewer_audit.case.keys import Key, fields_of, json_schema, key_at, walk
from sewer_audit.case.models import CaseFile
from sewer_audit.charges.schedule.versions import Schedule

FILES: dict[str, type[BaseModel]] = {"case": CaseFile, "rates": Schedule}
EMPTY = frozenset(
    "a an and at by do doe for how i in is it my of on or our the to what when".split()
)
"""Words that ask for nothing."""
MOST = 12
"""Keys named beside those that were asked for by name [-]."""
HEADINGS = {"case": "The case (case.toml)", "rates": "The rate schedule (rates.toml)"}


def schema_of(file: str) -> str:
    """The JSON schema of a file."""
    return json.dumps(json_schema(FILES[file]), indent=1, ensure_ascii=False) + "\n"


def reference(whole: bool = False) -> str:
    """Every table of both files, or every key of every table."""
    lines = []
    for file, root in FILES.items():
        lines += [HEADINGS[file], ""]
        for key in _tables(root):
            mark = "[[{}]]" if key.unit == "list of tables" else "[{}]"
            lines.append(f"  {mark.format(key.path):<28} {key.means}")
            lines += [f"      {row}" for row in _keys(key)] if whole else []
        lines.append("")
    lines += ["How keys work together", "", *(f"  {topic}" for topic in topics()), ""]
    if whole:
        lines += [f"{topic}\n\n{text}\n" for topic, text in topics().items()]
    else:
        lines += ["sewer-audit explain TABLE lists its keys, sewer-audit explain KEY says what it",
                  "means; any words are looked for. --all prints every key."]  # fmt: skip
    return "\n".join(lines).rstrip()


@cache
def topics() -> Mapping[str, str]:
    """Topic to its text [text]."""
    text = resources.files("sewer_audit").joinpath("reference.md").read_text("utf-8")
    parts = (part.split("\n", 1) for part in text.split("\n## ")[1:])
    return {head.strip(): body.strip() for head, body in parts}


def _tables(root: type[BaseModel]) -> Iterator[Key]:
    """Tables worth a heading: those whose keys are stated one a line; the same one once."""
    seen = set()
    for path, model, name in walk(root):
        key = key_at(path, model, name)
        if key.tables and key.unit in ("table", "list of tables") and not key.example:
            if path.count(".") < 2 or key.tables not in seen:
                yield key
            seen.add(key.tables)


def about(words: str) -> str:
    """What is known of a table, of a key, or of what its descriptions speak of.

    Parameters
    ----------
    words : str
        A path, the end of a path, a size of a device, a topic, or words [text].
    """
    asked = words.strip("[] ").removeprefix("case:").removeprefix("rates:")
    said = _words(asked)
    sections = [
        f"{topic}\n\n{text}" for topic, text in topics().items() if said and said <= _words(topic)
    ]
    if sections and len(said) > 1:
        return "\n\n".join(sections)
    found = [key for key in _every() if key.path == asked]
    told = _full(found or [key for key in _every() if key.path.endswith(f".{asked}")])
    told += _sizes(asked)
    if not found and said:
        told += _plain(asked.lower(), said)
        others = _ranked(said, "\n".join(told))
        told += ["in other places:", *others] if told and others else others
        names = [topic for topic, text in topics().items() if said <= _words(f"{topic} {text}")]
        told += [f"read on: sewer-audit explain {topic.lower()!r}" for topic in names]
    return "\n".join(told)


@cache
def _every() -> tuple[Key, ...]:
    return tuple(key_at(*each) for root in FILES.values() for each in walk(root))


def _full(keys: Sequence[Key]) -> list[str]:
    """Keys with all that is known of them; those of one meaning once."""
    told, seen = [], {}
    for key in keys:
        seen.setdefault((key.means, key.example if not key.choices else ""), []).append(key)
    for same in seen.values():
        choices = tuple(dict.fromkeys(word for other in same for word in other.choices))
        key, paths = replace(same[0], choices=choices), list(dict.fromkeys(k.path for k in same))
        more = f" and {len(paths) - 8} more places" if len(paths) > 8 else ""
        also = f"\n  also: {', '.join(paths[1:8])}{more}" if paths[1:] else ""
        told.append(str(key) + also)
        if len(seen) <= 3 and key.tables:
            told.append("\n".join(f"  {row}" for row in _keys(key)))
    return told


@cache
def _words(text: str) -> frozenset[str]:
    """Words of a text in small letters, without those that say nothing and without a plural s."""
    words = re.findall(r"[a-z0-9]+(?:['-][a-z]+)*", text.lower().replace("_", " "))
    return frozenset(w.removesuffix("s") if len(w) > 3 else w for w in words) - EMPTY


def _plain(asked: str, said: frozenset[str]) -> list[str]:
    """What the table of plain words says of any of its words that stand in what was asked."""
    text = resources.files("sewer_audit").joinpath("plain_words.csv").read_text("utf-8")
    rows = []
    for row in csv.DictReader(text.splitlines()):
        names = [_words(word) for word in row["words"].split("|")]
        hits = [len(name) for name in names if name and name <= said]
        rows.append((99 if asked in row["words"].split("|") else max(hits, default=-1), row))
    most = max(fit for fit, _ in rows)
    told = []
    for row in [row for fit, row in rows if fit == most >= 0]:
        told += [row["says"]] if row["says"] else []
        told += _lines([key for path in row["see"].split() for key in _every() if key.path == path])
    return told


def _ranked(said: frozenset[str], told: str) -> list[str]:
    """Keys whose path, words or description hold all that was asked, the nearest first."""
    fits = []
    for key in _every():
        inside = _words(f"{key.path.replace('.', ' ')} {' '.join(key.choices)}")
        if said <= inside | _words(f"{key.means} {key.unit} {key.example}"):
            last = _words(key.path.rpartition(".")[2])
            fits.append((-len(said & last), -len(said & inside), key.path.count("."), key))
    keys = [
        key for *_, key in sorted(fits, key=lambda fit: fit[:3]) if f": {key.means}" not in told
    ]
    rows = _lines(keys)
    more = [f"  and {len(rows) - MOST} more places"] if len(rows) > MOST else []
    return rows[:MOST] + more


def _lines(keys: Sequence[Key]) -> list[str]:
    """One line a key; those of one meaning once."""
    firsts = {key.means: key for key in reversed(keys)}
    return [f"  {key.path}: {key.means}" for key in keys if firsts[key.means] is key]


def _keys(table: Key) -> Iterator[str]:
    """Every key of a table, one a line; what tables of several kinds share stands first."""
    shared = set.intersection(*(set(fields_of(model)) for model in table.tables))
    models = table.tables if len(table.tables) == 1 else (table.tables[0], *table.tables)
    for number, model in enumerate(models):
        common = number == 0 and len(models) > 1
        if not common and len(models) > 1:
            yield f"-- {key_at('', model, 'kind').choices[0] if 'kind' in fields_of(model) else ''}"
        for name in fields_of(model):
            if len(models) == 1 or (name in shared) == common:
                key = key_at(name, model, name)
                need = "needed" if key.required else f"default: {key.default}"
                written = f"{name} = {key.example}" if key.example else name
                yield f"{written:<34} # {key.means} ({need})"


def _sizes(asked: str) -> Iterator[str]:
    """Devices of that name, or that take a size of that name."""
    from sewer_audit.hydraulics.kinds import device_rows

    name = asked.removeprefix("effluent.")
    for row in device_rows():
        named = name in (row["device"], *row["methods"])
        for key in row["keys"]:
            if named or key["name"] == name:
                need = "needed" if key["required"] else "may be left out"
                yield (
                    f"effluent.{key['name']} of {row['device']}: {key['about']} ({need})\n"
                    f'  example: {key["name"]} = "{key["example"]}"'
                )
