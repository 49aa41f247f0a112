"""Coefficient tables and the facts of device families: files beside this module, with sources.

Coefficients are CSV, a row per size. Everything else about a family (what it asks of the
installation, published accuracy, errors in the field, what an answer changes, remarks) stands in
one file ``data/families/FAMILY.toml``. A source is an id of the register.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any

from sewer_audit.sources import sourced_rows, with_source

DATA = resources.files("sewer_audit.hydraulics").joinpath("data")


@cache
def rows_of(table: str) -> tuple[dict[str, Any], ...]:
    """Rows of one coefficient table.

    Parameters
    ----------
    table : str
        Name of the file in ``data`` without its ending [text].

    Returns
    -------
    tuple of dict
        Column name to float where the cell is a number, else to text; empty cells are None; the
        source in full, with its grade [-].
    """
    return sourced_rows(DATA.joinpath(f"{table}.csv"))


@cache
def families() -> Mapping[str, Mapping[str, Any]]:
    """Every file of a family, by its name."""
    files = sorted(DATA.joinpath("families").iterdir(), key=lambda file: file.name)
    return {
        file.name.removesuffix(".toml"): tomllib.loads(file.read_text("utf-8")) for file in files
    }


@cache
def families_of(method: str) -> tuple[str, ...]:
    """Families whose facts hold for the devices of a method, its own first.

    Returns
    -------
    tuple of str
        Names of families [text].
    """
    own = [name for name, facts in families().items() if method in facts.get("methods", ())]
    return tuple(f for name in own for f in (name, *families()[name].get("as", ())))


def asked_of(method: str) -> tuple[str, ...]:
    """Points of the installation that all have to be met before the published figure counts.

    Returns
    -------
    tuple of str
        Subjects of its checklist [text].
    """
    return tuple(families()[families_of(method)[0]]["asked"])


@cache
def facts_of(kind: str, *names: str) -> tuple[dict[str, Any], ...]:
    """What some families state of one kind.

    Parameters
    ----------
    kind : str
        "accuracy", "field", "installation", "effects" or "remarks" [text].
    *names : str
        Families [text].

    Returns
    -------
    tuple of dict
        Rows in the order of the files, each with its family, source and grade [-].
    """
    return tuple(
        with_source({"family": name, **row})
        for name in names
        for row in families().get(name, {}).get(kind, ())
    )
