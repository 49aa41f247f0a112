"""Every key of a case and of a rate file is described once, with an example that is accepted."""

from __future__ import annotations

import csv
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Annotated

import pytest
from pydantic import TypeAdapter

import sewer_audit
from sewer_audit.case.keys import json_schema, key_at, known_here, means, row_of, walk
from sewer_audit.case.models import CaseFile
from sewer_audit.charges.schedule.versions import Schedule

KEYS = {(path, model, name) for root in (CaseFile, Schedule) for path, model, name in walk(root)}
FIELDS = sorted({(model.__name__, name): (model, name) for _, model, name in KEYS}.items())


@pytest.mark.parametrize(("model", "name"), [pair for _, pair in FIELDS], ids=str)
def test_every_key_has_one_description(model, name):
    """A key needs Field(description="…, unit …") in its model or a row of keys.csv; not both."""
    said, row = model.model_fields[name].description, row_of(model, name)
    assert said or row.get("means"), f"{model.__name__}.{name} is not described"
    own = row and row["table"] != "*"
    assert not (said and own and row["means"]), (
        f"{model.__name__}.{name} is described twice: in keys.csv as well"
    )
    assert not means(model, name).endswith("."), "a description is a phrase, its place adds the dot"


def test_every_row_of_the_file_describes_a_key():
    text = (Path(sewer_audit.__file__).parent / "keys.csv").read_text(encoding="utf-8")
    rows = [(row["table"], row["key"]) for row in csv.DictReader(text.splitlines())]
    assert len(rows) == len(set(rows))
    used = {(row["table"], name) for _, (model, name) in FIELDS if (row := row_of(model, name))}
    assert not set(rows) - used


@pytest.mark.parametrize(("path", "model", "name"), sorted(KEYS, key=str), ids=str)
def test_every_key_has_an_example(path, model, name):
    """A table shows its heading and the keys it cannot do without, each with its own example."""
    key = key_at(path, model, name)
    if key.tables and not key.example:
        lines = key.table_example
        assert lines[0].strip("[]") == path
        assert tomllib.loads("\n".join(lines)) and "= \n" not in f"{key}\n"
    else:
        assert key.example, f"{path} has no example"


@pytest.mark.parametrize(("model", "name"), [pair for _, pair in FIELDS], ids=str)
def test_every_example_is_accepted(model, name):
    """As the file would state it: text, exact numbers in a rate file, floats in a case."""
    example, field = row_of(model, name).get("example", ""), model.model_fields[name]
    before = model.__pydantic_decorators__.field_validators.values()
    if not example or any(
        name in each.info.fields for each in before if each.info.mode == "before"
    ):
        return
    numbers = Decimal if "charges" in model.__module__ else float
    value = tomllib.loads(f"x = {example}", parse_float=numbers)["x"]
    kind = field.annotation
    for extra in field.metadata:
        kind = Annotated[kind, extra]
    TypeAdapter(kind).validate_python(value)


@pytest.mark.parametrize("root", [CaseFile, Schedule])
def test_the_schema_for_editors_knows_every_key(root):
    schema = json_schema(root)
    tables = {root.__name__: schema, **schema["$defs"]}
    for _, model, name in walk(root):
        assert tables[model.__name__]["properties"][name]["description"]
    assert "file" not in json_schema(Schedule)["properties"]


def test_an_unknown_key_is_told_with_what_its_place_knows():
    near = known_here(CaseFile, ["effluent", "visit", 0], "hands")
    assert near.startswith(
        "Perhaps 'hand' is meant. Known here are hand, hand_standard, instrument"
    )
    assert "'sewer-audit explain effluent.visit'" in near
    assert known_here(CaseFile, ["case"], "tolerance").startswith("It belongs under [rule]. ")
    assert "standard_days" in known_here(Schedule, ["version", 0, "charge", 1, "fixed"], "x")
    assert "standard_days" not in known_here(Schedule, ["version", 0, "charge", 1, "volume"], "x")


def test_a_default_is_told_with_its_unit_and_where_it_comes_from():
    told = {path: str(key_at(path, model, name)) for path, model, name in walk(CaseFile)}
    assert "default: 1800 s (judgement)" in told["effluent.longest_bridge"]
    assert "none, the key is needed" in told["case.title"]
    assert "one of: refuse, examine" in told["invoices.overlapping_days"]
