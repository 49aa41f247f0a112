"""What each key of a case or a rate file means: one row of ``keys.csv``, or its own description.

A row names the table (the class of the model that states the key; a row of ``*`` holds for every
table that has no row of its own), the unit or dimension, an example as it is written in the file,
the meaning, and, where a default acts, what it is or where it comes from. A key may carry its
description in the model instead (``Field(description=...)``).
"""

from __future__ import annotations

import csv
import difflib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources
from types import NoneType
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from sewer_audit.units import DIMENSIONS

HIDDEN = {("Schedule", "file")}
"""Fields that no file may state."""

UNITLESS = ("", "-", "text", "table", "list of tables")


@dataclass(frozen=True)
class Key:
    """One key at one place of a file, as a reader is told of it."""

    path: str
    unit: str
    example: str
    means: str
    default: str
    choices: tuple[str, ...]
    tables: tuple[type[BaseModel], ...]
    required: bool

    @property
    def short(self) -> str:
        """Meaning and example in one line [text]."""
        if not self.example:
            return self.means
        return f"{self.path.rpartition('.')[2]} = {self.example} ({self.means})"

    def __str__(self) -> str:
        told = [f"{self.path}: {self.means}."]
        if self.choices:
            told.append("  one of: " + ", ".join(self.choices))
        if self.unit not in UNITLESS:
            told.append(f"  unit: {self.unit}")
        told.append(f"  default: {'none, the key is needed' if self.required else self.default}")
        if self.example:
            told.append(f"  example: {self.path.rpartition('.')[2]} = {self.example}")
        elif self.tables:
            told += ["  example:", *(f"    {line}" for line in self.table_example)]
        return "\n".join(told)

    @property
    def table_example(self) -> list[str]:
        """The heading of a table, and below it the keys it cannot do without."""
        lines = [f"[[{self.path}]]" if self.unit == "list of tables" else f"[{self.path}]"]
        for name, field in fields_of(self.tables[0]).items():
            key = key_at(f"{self.path}.{name}", self.tables[0], name)
            if field.is_required() and key.example:
                lines.append(f"{name} = {key.example}")
        return lines


@cache
def _rows() -> dict[tuple[str, str], dict[str, str]]:
    text = resources.files("sewer_audit").joinpath("keys.csv").read_text("utf-8")
    return {(row["table"], row["key"]): row for row in csv.DictReader(text.splitlines())}


def row_of(model: type[BaseModel], name: str) -> dict[str, str]:
    """Row of a key, of the nearest class that has one; empty where none has."""
    own = [each.__name__ for each in model.__mro__]
    return next((_rows()[(t, name)] for t in (*own, "*") if (t, name) in _rows()), {})


def means(model: type[BaseModel], name: str) -> str:
    """Meaning of a key."""
    return model.model_fields[name].description or row_of(model, name).get("means", "")


def models_in(annotation: Any) -> tuple[type[BaseModel], ...]:
    """The tables that may stand where a type stands."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return (annotation,)
    return tuple(dict.fromkeys(m for part in get_args(annotation) for m in models_in(part)))


def fields_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """The keys a table may state.

    Returns
    -------
    dict
        Name to field [-].
    """
    return {
        name: field
        for name, field in model.model_fields.items()
        if (model.__name__, name) not in HIDDEN and field.annotation is not NoneType
    }


def walk(root: type[BaseModel]) -> Iterator[tuple[str, type[BaseModel], str]]:
    """Every key of a file.

    Yields
    ------
    tuple of str, type and str
        Path such as "effluent.visit.hand", the table's model and the key's name [text].
    """
    yield from _walk(root, "", ())


def _walk(model: Any, above: str, seen: tuple[Any, ...]) -> Iterator[Any]:
    for name, field in fields_of(model).items():
        path = f"{above}.{name}" if above else name
        yield path, model, name
        for inner in models_in(field.annotation):
            if inner not in seen:
                yield from _walk(inner, path, (*seen, inner))


def key_at(path: str, model: type[BaseModel], name: str) -> Key:
    """What is told of one key."""
    field, row = model.model_fields[name], row_of(model, name)
    choices = tuple(dict.fromkeys(_choices(field.annotation)))
    return Key(
        path=path,
        unit=row.get("unit", "-"),
        example=row.get("example", "") or (f'"{choices[0]}"' if len(choices) == 1 else ""),
        means=means(model, name),
        default=_default(field, row),
        choices=choices,
        tables=models_in(field.annotation),
        required=field.is_required(),
    )


def _default(field: FieldInfo, row: dict[str, str]) -> str:
    """The default as it acts, and where it comes from."""
    if field.is_required():
        return ""
    value, note = field.get_default(call_default_factory=True), row.get("default", "")
    if value is None or isinstance(value, BaseModel) or value in ("", [], {}, (), False):
        plain = {False: "false"}.get(value, "not stated") if isinstance(value, bool) else ""
        return f"{plain} ({note})" if plain and note else note or plain or "not stated"
    if isinstance(value, bool):
        shown = "true"
    elif isinstance(value, tuple) and len(value) == 2 and row.get("example", "").count("/"):
        shown = f"{value[0]}"
    else:
        unit = DIMENSIONS.get(row.get("unit", ""), ("", "", ""))[1]
        shown = f"{value:g}" if isinstance(value, float) else f"{value}"
        shown += f" {unit}" if unit not in ("", "1") else ""
    return f"{shown} ({note})" if note and note != shown else shown


def _choices(annotation: Any) -> Iterator[str]:
    for part in get_args(annotation):
        if isinstance(part, str):
            yield part
        elif not (isinstance(part, type) and issubclass(part, BaseModel)):
            yield from _choices(part)


def models_at(root: type[BaseModel], place: list[Any]) -> tuple[type[BaseModel], ...]:
    """The tables that may stand at a place.

    Parameters
    ----------
    place : list
        Keys, numbers of entries and kinds of charge, as validation names them [text].

    Returns
    -------
    tuple of type
        Empty where no table may stand [-].
    """
    here: tuple[type[BaseModel], ...] = (root,)
    for part in place:
        tagged = tuple(model for model in here if part == _tag(model))
        owners = [model for model in here if part in fields_of(model)]
        if tagged:
            here = tagged
        elif owners:
            found = (m for o in owners for m in models_in(o.model_fields[part].annotation))
            here = tuple(dict.fromkeys(found))
    return here


def key_of(root: type[BaseModel], place: list[Any]) -> Key:
    """What is told of the key at a place.

    Parameters
    ----------
    place : list
        Keys, numbers of entries and kinds of charge, as validation names them [text].
    """
    owner = next(model for model in models_at(root, place[:-1]) if place[-1] in fields_of(model))
    path = ".".join(part for part in place if isinstance(part, str))
    return key_at(path, owner, place[-1])


def _tag(model: type[BaseModel]) -> str:
    """The one kind a table is of, if its kind is fixed."""
    field = model.model_fields.get("kind")
    words = [] if field is None else list(_choices(field.annotation))
    return words[0] if len(words) == 1 else ""


def known_here(root: type[BaseModel], place: list[Any], unknown: str) -> str:
    """Which keys a place knows, for the message about one that it does not.

    Parameters
    ----------
    place : list
        Where the key stands, without the key itself [text].
    """
    known = sorted({name for model in models_at(root, place) for name in fields_of(model)})
    path = ".".join(part for part in place if isinstance(part, str) and "(" not in part)
    near = difflib.get_close_matches(unknown, known, 1)
    others = [] if near else [p.rpartition(".")[0] for p, _, name in walk(root) if name == unknown]
    meant = f"Perhaps {near[0]!r} is meant. " if near else ""
    if others:
        meant = (
            f"It belongs under [{others[0]}]. " if others[0] else "It belongs above all tables. "
        )
    ask = f"'sewer-audit explain {path}'" if path else "'sewer-audit explain'"
    return f"{meant}Known here are {', '.join(known)}; {ask} says what each means"


def json_schema(root: type[BaseModel]) -> dict[str, Any]:
    """The keys of a file as a JSON schema, for editors that complete and explain them.

    Returns
    -------
    dict
        Draft 2020-12; values are described, not restricted, but for closed lists of words [-].
    """
    models = dict.fromkeys([root, *(model for _, model, _ in walk(root))])
    tables = {model.__name__: _table_schema(model) for model in models}
    top = tables.pop(root.__name__)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **top, "$defs": tables}


def _table_schema(model: type[BaseModel]) -> dict[str, Any]:
    keys = {name: key_at(name, model, name) for name in fields_of(model)}
    return {
        "type": "object",
        "description": (model.__doc__ or "").split("\n")[0],
        "properties": {
            name: _key_schema(key, model.model_fields[name]) for name, key in keys.items()
        },
        "required": [name for name, key in keys.items() if key.required],
        "additionalProperties": model.model_config.get("extra") == "allow",
    }


def _key_schema(key: Key, field: FieldInfo) -> dict[str, Any]:
    told = key.means + (f" [{key.unit}]" if key.unit not in UNITLESS else "")
    schema: dict[str, Any] = {
        "description": f"{told}; default: {key.default}" if key.default else told
    }
    if key.choices and not key.tables and "str |" not in str(field.annotation):
        words = {"enum": [*key.choices]}
        schema |= {"anyOf": [words, {"type": "array", "items": words}]}
    elif key.unit == "list of tables":
        kinds = [{"$ref": f"#/$defs/{table.__name__}"} for table in key.tables]
        schema |= {"type": "array", "items": kinds[0] if len(kinds) == 1 else {"anyOf": kinds}}
    elif key.unit == "table" and not key.example:
        schema |= {"$ref": f"#/$defs/{key.tables[0].__name__}"}
    return schema
