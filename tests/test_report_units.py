"""A reader meets one family of units, one way to write a per cent and one clock on every page.

What people wrote themselves (sources, answers, names in the case file) and what a publication
states is quoted as it stands, so it is taken out before the search.
"""

from __future__ import annotations

import csv
import re
import tomllib
from pathlib import Path

import pytest

from report_words import metric_case, said
from sewer_audit import hydraulics, sample_case
from sewer_audit.__main__ import main

NOTEBOOKS = (
    "evidence_report",
    "effluent_flow",
    "uncertainty_explained",
    "monitoring_plan",
    "quarterly_review",
    "water_balance",
)
END = r"(?![\w^*/])"
METRIC = rf"\d\s?(?:mm|cm|m|m2|m3|L|m3/s|m3/h|L/s|m/s|degC|K|kg|mm/day){END}"
METRIC += r"|\[(?:mm|cm|m|m2|m3|m3/s|m3/h|L/s|m/s|degC)\b|\b(?:milli)?metres?\b|\blitres?\b|m3/s"
CUSTOMARY = rf"\d\s?(?:in|ft|ft2|ft3|gal|kgal|gpm|gpd|CCF|cfs|ft/s|ft3/s|degF|lb){END}(?! all\b)"
CUSTOMARY += r"|\[(?:in|ft|ft2|kgal|gal|gpm|CCF|cfs|ft/s|degF)\b|\binch(?:es)?\b|ft3/s"
GLUED = r"\d%|\d\N{NO-BREAK SPACE}{2,}%|\d {2,}%"


def strings(value) -> list[str]:
    """Every text of a case file."""
    if isinstance(value, dict):
        return [text for each in value.values() for text in strings(each)]
    if isinstance(value, list):
        return [text for each in value for text in strings(each)]
    return [value] if isinstance(value, str) else []


def published() -> list[str]:
    """Texts that the tables of the library take from publications, and names of standard sizes."""
    data = Path(hydraulics.__file__).parent / "data"
    found = []
    for file in (data / "families").glob("*.toml"):
        found += [t for t in strings(tomllib.loads(file.read_text())) if len(t) > 30]
    for file in (*data.glob("*.csv"), data.parents[1] / "sources.csv"):
        lines = (line for line in file.read_text().splitlines() if not line.startswith("#"))
        found += [cell for row in csv.reader(lines) for cell in row]
    return found


def without_quotes(text: str, case: Path) -> str:
    """The words of a page without what is quoted from the case or from publications."""
    quoted = [t for t in strings(tomllib.loads(case.read_text())) if len(t) > 12]
    quoted += [t for t in published() if len(t) > 12]
    for part in sorted(set(quoted), key=len, reverse=True):
        text = text.replace(part, " (quoted) ")
    text = text.replace("'100%'", "")  # the width of a view, which nobody reads
    text = re.sub(r"text of a standard for gauging by transit time.*?own visits", "", text)
    return text


def found_in(text: str, pattern: str) -> list[str]:
    return [text[max(m.start() - 60, 0) : m.end() + 20] for m in re.finditer(pattern, text)]


@pytest.fixture(scope="module")
def metric(tmp_path_factory):
    return metric_case(tmp_path_factory.mktemp("metric") / "case")


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_a_case_in_inches_and_gallons_shows_no_metres(name):
    case = sample_case()
    text = without_quotes(said(name, case), case)
    assert re.search(r"\d (?:in|gpm|kgal)\b", text)  # the search would find units
    assert not found_in(text, METRIC)
    assert not found_in(text, GLUED)


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_a_case_in_metres_shows_no_inches_and_gallons(name, metric):
    text = without_quotes(said(name, metric), metric)
    # standard sizes go by the names of their tables
    kinds = "full-pipe|Parshall|H[SL]? flume|rectangular|Cipoll"
    text = re.sub(rf"[\d.]+ (?:in|ft) (?:{kinds})", "", text)
    assert re.search(r"\d (?:mm|m3/h|m3)\b", text)
    assert not found_in(text, CUSTOMARY)
    assert not found_in(text, GLUED)


@pytest.mark.parametrize("name", ["", "area_velocity", "manning", "before_a_logger"])
def test_inspect_speaks_as_the_case_does(name, capsys):
    case = sample_case(name)
    assert main(["inspect", str(case)]) == 0
    out = capsys.readouterr().out
    text = without_quotes(out, case)
    assert not found_in(text, METRIC) and not found_in(text, GLUED)
    assert "UTC" not in text
    zone = tomllib.loads(case.read_text())["case"]["time_zone"]
    assert f"moments are in the time of {zone}" in out


def test_inspect_names_the_gap_by_the_clock_on_the_wall(capsys):
    """The longest gap of the sample begins at 22:40 in Chicago, 03:40 UTC the next day."""
    main(["inspect", str(sample_case())])
    out = capsys.readouterr().out
    assert out.count("begins 2025-06-27 22:40 CDT") == 1


@pytest.mark.parametrize(
    ("pattern", "text"),
    [
        (METRIC, "zero error 3.19 mm (u 1)"),
        (METRIC, "level [m]"),
        (METRIC, "Q = 0.38 h^1.58 (m3/s, m)"),
        (METRIC, "50 mm"),
        (METRIC, "1 K of air"),
        (CUSTOMARY, "level [in]"),
        (CUSTOMARY, "0.126 in."),
        (CUSTOMARY, "8,130 kgal"),
        (GLUED, "7.4%"),
    ],
)
def test_such_units_would_be_found(pattern, text):
    assert found_in(text, pattern)


@pytest.mark.parametrize("text", ["7.4 %", "7.4\N{NO-BREAK SPACE}%", "[%]", "8 mills", "2 Kings"])
def test_nothing_else_is_found(text):
    assert not found_in(text, METRIC) and not found_in(text, GLUED)


def test_no_source_line_glues_a_per_cent_to_its_figure():
    """Format codes such as {x:.1%} write 7.4%; the library writes 7.4 %."""
    root = Path(hydraulics.__file__).parents[1]
    wrong = [
        f"{path.relative_to(root)}:{number}"
        for path in root.rglob("*.py")
        for number, line in enumerate(path.read_text().splitlines(), start=1)
        if re.search(r"\{[^{}]*:[^{}]*%\}", line) and "strftime" not in line and "%Y" not in line
    ]
    assert not wrong
