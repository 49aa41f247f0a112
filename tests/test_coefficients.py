"""Every coefficient and limit a second time, typed from its source, beside the toolkit's own.

``data/coefficients.csv``: a row of the device tables, the figures of a family of devices, or the
figures written into one piece of code (a part of them by name or number, where their sources
differ). A basis "read" is evidence; "from memory" is a regression
value until somebody checks it in the document named, and was typed with the toolkit's own figure in
view: it notices a change, and is no second opinion; "judgement" and "numerics" have no published
figure and are held here so that none changes unseen.
"""

from __future__ import annotations

import ast
import csv
import math
import tomllib
from collections import Counter
from pathlib import Path

import pytest

import sewer_audit

ROWS = list(
    csv.DictReader((Path(__file__).parent / "data" / "coefficients.csv").read_text().splitlines())
)
HOME = Path(sewer_audit.__file__).parent
TABLES = HOME / "hydraulics" / "data"
FILES = [*TABLES.glob("*.csv"), *HOME.glob("balance/data/*.csv"), HOME / "effluent/causes.csv"]
CODE = [*HOME.glob("hydraulics/**/*.py"), *HOME.glob("balance/**/*.py")]
CODE.append(HOME / "effluent/defaults.py")
PLAIN = {0.0, 0.5, 1.0, 2.0, 3.0, 10.0, 100.0, 1000.0}
"""Figures of arithmetic, and the roundest limits; one that is changed is plain no more."""
TINY = 1e-5
TEXT = {"label", "kind", "material", "name", "state", "type", "shape", "text", "source"}
TEXT |= {"way", "equation", "record", "limit_source", "compute", "steady_drain"}
TEXT |= {"better", "evidence", "traps", "group", "cause", "unit", "persistence"}
NAMES = {
    "h_flume.csv": ("kind", "depth_ft"),
    "frames.csv": ("kind", "name"),
    **{f"parshall{metric}.csv": ("label",) for metric in ("", "_metric")},
    "rectangular_weir.csv": ("share",),
    "v_notch.csv": ("angle_deg",),
    "roughness.csv": ("material",),
    "roughness_variation.csv": ("filling",),
    "uses.csv": ("name",),
    "ways.csv": ("kind", "way"),
    "meter_states.csv": ("state",),
    "meter_types.csv": ("type",),
    "causes.csv": ("group", "cause"),
}
"""Table to the columns that name a row; it is the only place where a new table is added."""
BASES = {
    "read",
    "from memory",
    "judgement",
    "computed",
    "exact by definition",
    "exact, geometry or algebra",
    "common practice, no source",
    "numerics, no published figure",
}


def table_rows(file):
    for row in csv.DictReader(file.read_text().splitlines()):
        figures = {key: float(value) for key, value in row.items() if key not in TEXT}
        yield (file.name, " ".join(row[name] for name in NAMES[file.name])), figures


def family_rows(file):
    for part, entries in tomllib.loads(file.read_text()).items():
        if isinstance(entries, list):
            found = [e["relative"] for e in entries if isinstance(e, dict) and "relative" in e]
            if found:
                yield (f"families/{file.name}", part), dict(enumerate(found))


def code_rows(file):
    """Figures of each function and each constant of a module that are not plain."""
    found: dict[str, list[float]] = {}

    def walk(node, place):
        for child in ast.iter_child_nodes(node):
            if isinstance(child, (ast.FunctionDef, ast.ClassDef)):
                walk(child, [*place, child.name])
            elif isinstance(child, (ast.Assign, ast.AnnAssign)) and not place:
                target = child.targets[0] if isinstance(child, ast.Assign) else child.target
                walk(child, [ast.unparse(target).split(",")[0].strip("(")])
            elif isinstance(child, ast.Constant) and type(child.value) in (int, float):
                if child.value not in PLAIN and abs(child.value) > TINY:
                    found.setdefault(".".join(place), []).append(child.value)
            elif not isinstance(child, ast.JoinedStr):
                walk(child, place)

    walk(ast.parse(file.read_text()), [])
    place = file.relative_to(HOME).as_posix()
    return [((place, name), dict(enumerate(values))) for name, values in found.items()]


def own():
    found = []
    for file in FILES:
        found += table_rows(file)
    for file in (TABLES / "families").glob("*.toml"):
        found += family_rows(file)
    for file in CODE:
        found += code_rows(file)
    return dict(found)


def typed():
    found: dict[tuple[str, str], dict] = {}
    for row in ROWS:
        values = [float(value) for value in row["values"].split()]
        names = [int(name) if name.isdigit() else name for name in row["columns"].split()]
        keys = range(len(values)) if names in (["literals"], ["relative"]) else names
        part = dict(zip(keys, values, strict=True))
        whole = found.setdefault((row["place"], row["row"]), {})
        assert not whole.keys() & part.keys(), row
        whole |= part
    return found


def differ(mine, theirs):
    """Places at which two sets of figures differ."""
    places = {(row, key) for row in mine for key in mine[row]}
    places |= {(row, key) for row in theirs for key in theirs[row]}
    return sorted(
        (
            (row, str(key))
            for row, key in places
            if not math.isclose(
                mine.get(row, {}).get(key, math.nan),
                theirs.get(row, {}).get(key, math.nan),
                rel_tol=1e-6,
                abs_tol=1e-12,
            )
        ),
    )


def test_every_figure_is_the_one_that_was_typed_a_second_time():
    assert differ(own(), typed()) == []


def test_a_change_of_one_per_cent_is_noticed_in_every_figure():
    mine, second = own(), typed()
    cells = [(row, key) for row in second for key in mine[row] if mine[row][key] != 0]
    unseen = []
    for row, key in cells:
        changed = {**mine, row: {**mine[row], key: mine[row][key] * 1.01}}
        if differ({row: changed[row]}, {row: second[row]}) != [(row, str(key))]:
            unseen.append((row, key))
    assert not unseen
    assert len(cells) > 700


@pytest.mark.parametrize("plain", sorted(PLAIN - {0.0}))
def test_a_plain_figure_that_is_changed_by_one_per_cent_is_plain_no_more(plain):
    assert plain * 1.01 not in PLAIN


def test_each_row_names_its_basis_and_its_source():
    assert {row["basis"] for row in ROWS} <= BASES
    assert all(row["typed_from"].strip() and None not in row for row in ROWS)
    counts = Counter(basis for row in ROWS for basis in [row["basis"]] * len(row["values"].split()))
    assert counts["from memory"] < 300
