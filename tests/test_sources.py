"""Every figure of the tables points to the register of sources, and the register is complete."""

from __future__ import annotations

import ast
import csv
import re
from pathlib import Path

import pytest

from sewer_audit.hydraulics.tables import DATA, facts_of, families
from sewer_audit.sources import GRADES, cite, grade_of, named, register

TABLES = sorted(Path(str(DATA)).glob("*.csv"))
ROOMS = Path(str(DATA)).parents[1]
TABLES += [*sorted((ROOMS / "balance" / "data").glob("*.csv")), ROOMS / "effluent" / "causes.csv"]


def cells():
    """(place, ids) of every figure of the tables of devices, meters, frames, and of test tables."""
    for path in (*TABLES, *sorted((Path(__file__).parent / "data").glob("*.csv"))):
        with path.open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                if "typed_from" not in row:  # a second typing names its documents in words
                    yield f"{path.name}: {row}", row["source"]
    for family, facts in families().items():
        for kind, rows in facts.items():
            for row in rows if kind not in ("methods", "as", "asked", "devices") else ():
                yield f"{family}: {row}", row["source"]


def faults_of(ids: str) -> list[str]:
    """What is wrong with a cell of ids: nothing named, or nothing that the register holds."""
    if not ids.strip():
        return ["no source"]
    return [each.strip() for each in ids.split(";") if each.strip() not in register()]


def test_every_figure_of_the_tables_points_to_the_register():
    found = list(cells())
    assert len(found) > 450
    assert not {place: faults_of(ids) for place, ids in found if faults_of(ids)}


ISSUERS = "ISO|ASTM|AWWA|WMO|ASCE|EPA|USBR|USGS|ASHRAE|MIL|UFC|FAO"
DOCUMENT = re.compile(
    rf"from memory|\b(?:{ISSUERS})[ -]?[A-Z]{{0,2}}-?\d|CFR \d|Manual ch|[Hh]andbook"
)
"""A document named in prose, or a figure that says of itself that nobody can look it up."""
STILL_PROSE = {
    "auditing/judgement/opposing.py": 1,  # words for the grade
    "auditing/judgement/steps.py": 1,
    "effluent/defaults.py": 7,
    "hydraulics/conduits/area_velocity.py": 1,
    "hydraulics/elements/cipolletti.py": 1,
    "hydraulics/elements/h_flume.py": 1,
    "hydraulics/hand_reading.py": 1,
    "hydraulics/conduits/manning.py": 2,
    "hydraulics/elements/palmer_bowlus.py": 2,
    "hydraulics/elements/rectangular_weir.py": 2,
    "hydraulics/elements/throated.py": 1,
    "hydraulics/elements/v_notch.py": 2,
    "planning/options.py": 1,
    "report/evidence/assumptions.py": 3,  # words for the grade
    "sources.py": 1,
}
"""Strings of the code that name a document in prose, by module: they may only become fewer."""


def prose_of(path: Path) -> int:
    """Strings of a module, its docstrings aside, that name a document instead of its id."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    told = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    texts = [node for node in ast.walk(tree) if isinstance(node, ast.Constant)]
    strings = [node.value for node in texts if id(node) not in told and isinstance(node.value, str)]
    return sum(bool(DOCUMENT.search(text)) for text in strings)


def test_no_further_string_of_the_code_names_a_document_in_prose():
    room = Path(str(DATA)).parents[1]
    found = {str(path.relative_to(room)): prose_of(path) for path in sorted(room.rglob("*.py"))}
    more = {name: count for name, count in found.items() if count > STILL_PROSE.get(name, 0)}
    assert not more, "point to rows of sources.csv by id, through sewer_audit.sources.cite"


@pytest.mark.parametrize("wrong", ["", "a magazine note", "usbr-8; somebody"])
def test_an_unmarked_or_anonymous_one_fails(wrong):
    assert faults_of(wrong)


def test_the_register_says_where_and_how_each_was_read():
    for source in register().values():
        assert source.grade in GRADES and source.citation.strip(), source.id
        if source.grade in ("read", "abstract"):
            assert source.read_on and source.page, source.id
        if source.superseded_by:
            assert source.superseded_by in register(), source.id
        anonymous = ("magazine note", "trade newsletter", "newsletter", "municipal newsletter")
        assert source.citation.lower() not in anonymous, source.id


def test_the_least_firm_grade_counts_and_is_told():
    assert grade_of("usbr-7-5; bos-5") == "read"
    assert grade_of("usbr-7-5; judgement") == "judgement"
    assert grade_of("judgement; bos-7-memory") == "memory"
    assert "(from memory)" in cite("bos-7-memory") and "(read)" in cite("usbr-7-5")
    assert cite("judgement") == "judgement of the authors of this toolkit"
    assert [source.id for source in named("usbr-7-5; bos-5")] == ["usbr-7-5", "bos-5"]


def test_a_superseded_edition_names_its_successor():
    """ISO 4359:2013 was withdrawn on 19 December 2022, replaced by ISO 4359:2022 (iteh.ai)."""
    assert register()["iso-4359-1983-memory"].superseded_by == "iso-4359-2022"


def test_ditch_flumes_are_called_ditch_flumes():
    said = [row["text"] for row in facts_of("remarks", "parshall") if "149" in row["text"]]
    assert said and all("irrigation ditches" in text for text in said)


def test_every_row_of_the_register_is_used_or_names_its_successor():
    """A source that nothing points to proves nothing."""
    used = {each.strip() for _, ids in cells() for each in ids.split(";")}
    code = "".join(path.read_text() for path in Path(str(DATA)).parents[1].rglob("*.py"))
    later = {source.superseded_by for source in register().values()}
    idle = [name for name in register() if name not in used | later and f'"{name}"' not in code]
    assert not idle
