"""Sentences by code: a TOML file for each subject, filled with named values.

A template is a whole sentence. ``{name}`` stands for a value, ``{name:kind}`` for one written as
its kind asks in the units of the case (``Words.KINDS``, or a format of Python such as ``.3g``), and
``{name:# invoice|# invoices}`` for the form its number asks for. ``[[name?text]]`` is said where
there is such a value (not nothing, false, empty or not a number), ``[[name?text||other]]`` else as
the other says.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

__all__ = ["SUBJECTS", "fields_of", "render", "template"]

FIELD = re.compile(r"\{(\w+)(?::([^{}]*))?\}")
OPTION = re.compile(r"\[\[(\w+)\?((?:(?!\[\[|\]\]).)*)\]\]", re.S)
PLACE = files("sewer_audit.wording")
SUBJECTS = sorted(p.name.removesuffix(".toml") for p in PLACE.iterdir() if p.name[-5:] == ".toml")
"""Names of the files of words [text]."""


@cache
def _subject(name: str) -> dict[str, Any]:
    return tomllib.loads((PLACE / f"{name}.toml").read_text(encoding="utf-8"))


def template(code: str) -> Any:
    """The template of a code, or the table of all below it.

    Parameters
    ----------
    code : str
        Such as "verdict.rule.stated" [text].

    Returns
    -------
    str or dict
        As the file of its subject holds it [text].
    """
    subject, *keys = code.split(".")
    found: Any = _subject(subject)
    for key in keys:
        found = found[key]
    return found


def fields_of(text: str) -> dict[str, set[str]]:
    """Names a template takes, each with the kinds it is written as; "?" where it only decides."""
    named: dict[str, set[str]] = {}
    for name, kind in FIELD.findall(text):
        named.setdefault(name, set()).add(kind)
    for name in re.findall(r"\[\[(\w+)\?", text):
        named.setdefault(name, set()).add("?")
    return named


def render(
    text: str, values: Mapping[str, Any], written: Callable[[Any, str], str], safe: Any = str
) -> str:
    """A template with its values; one that is missing is a KeyError."""

    def option(found: re.Match[str]) -> str:
        said, _, other = found[2].partition("||")
        value = values[found[1]]
        return said if value is not None and value == value and bool(value) else other

    while OPTION.search(text):
        text = OPTION.sub(option, text)
    return FIELD.sub(lambda f: safe(written(values[f[1]], f[2] or "")), text)
