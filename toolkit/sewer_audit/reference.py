"""The reference: of every key from its description, of how keys work together from a text.

The text is ``reference.md``, a section for each topic.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from functools import cache
from importlib import resources

from pydantic import BaseModel

from sewer_audit.case.keys import Key, fields_of, json_schema, key_at, walk
from sewer_audit.case.models import CaseFile
from sewer_audit.charges.schedule.versions import Schedule

__all__ = ["about", "reference", "schema_of"]

FILES: dict[str, type[BaseModel]] = {"case": CaseFile, "rates": Schedule}
HEADINGS = {"case": "The case (case.toml)", "rates": "The rate schedule (rates.toml)"}


def schema_of(file: str) -> str:
    """The JSON schema of a file.

    Parameters
    ----------
    file : str
        "case" or "rates" [text].

    Returns
    -------
    str
        JSON [text].
    """
    return json.dumps(json_schema(FILES[file]), indent=1, ensure_ascii=False) + "\n"


def reference(whole: bool = False) -> str:
    """Every table of both files, or every key of every table.

    Parameters
    ----------
    whole : bool
        True for the keys as well [-].

    Returns
    -------
    str
        For a terminal [text].
    """
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

    Returns
    -------
    str
        For a terminal; empty where nothing is known [text].
    """
    asked = words.strip("[] ").removeprefix("case:").removeprefix("rates:")
    sections = [
        f"{topic}\n\n{text}"
        for topic, text in topics().items()
        if " " in asked and all(word in topic.lower() for word in asked.lower().split())
    ]
    if sections:
        return "\n\n".join(sections)
    every = [
        key_at(path, model, name) for root in FILES.values() for path, model, name in walk(root)
    ]
    found = [each for each in every if each.path == asked]
    found = found or [each for each in every if each.path.endswith(f".{asked}")]
    found = found or [
        each for each in every if all(w in _text(each) for w in asked.lower().split())
    ]
    told, seen = [], {}
    for key in found:
        seen.setdefault((key.means, key.example), []).append(key)
    for same in seen.values():
        key, paths = same[0], list(dict.fromkeys(other.path for other in same))
        more = f" and {len(paths) - 8} more places" if len(paths) > 8 else ""
        also = f"\n  also: {', '.join(paths[1:8])}{more}" if paths[1:] else ""
        told.append(str(key) + also)
        if len(seen) <= 3 and key.tables:
            told.append("\n".join(f"  {row}" for row in _keys(key)))
    return "\n".join([*told, *_sizes(asked)])


def _text(key: Key) -> str:
    return f"{key.path} {key.means} {' '.join(key.choices)}".lower()


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
