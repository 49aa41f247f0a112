"""The case file: what is refused, where, and what would be right."""

from __future__ import annotations

import os
import time

import pytest

from sewer_audit.auditing.inspecting import inspect_file
from sewer_audit.case import load_case, open_case, sample_case
from sewer_audit.case.values import Uncertain
from sewer_audit.errors import InputRefused
from test_auditing_unexplained import write as write_site

CASE = """\
[case]
title = "Site"
time_zone = "America/Chicago"
basis = "intake"
return_factor = 0.9

[invoices]
file = "invoices.csv"
volume_unit = "kgal"
end_day_counts = false

[[intake]]
meter = "main"
file = "main.csv"
unit = "gal"

[effluent]
file = "log.csv"
method = "parshall flume"
throat = "6 in"

[effluent.columns]
time = "time"
head = { name = "head", unit = "in" }
"""


def write(folder, text=CASE):
    for name in ("invoices.csv", "main.csv", "log.csv"):
        (folder / name).write_text("x\n")
    (folder / "case.toml").write_text(text, encoding="utf-8")
    return folder / "case.toml"


def test_a_correct_case_is_read(tmp_path):
    case = load_case(write(tmp_path))
    assert case.title == "Site"
    assert case.data.case.return_factor == 0.9
    assert case.device.method == "parshall flume"
    assert load_case(tmp_path).file == case.file


@pytest.mark.parametrize(
    ("old", "new", "line", "message"),
    [
        ('title = "Site"', 'title = "Site"\ncolour = "red"', 3, "unknown key 'colour'"),
        ('throat = "6 in"', 'throat = "6"', 17, "needs a unit"),
        ('throat = "6 in"', 'throat = "6 gpm"', 17, "not a unit of length"),
        ('throat = "6 in"', "", 17, "needs throat"),
        ('basis = "intake"', 'basis = "guess"', 4, "Write one of 'intake' or 'discharge'"),
        ("America/Chicago", "Chicago", 3, "is not an IANA zone"),
        ('unit = "gal"', 'unit = "gpm"', 15, "'gpm' is not a unit of volume"),
        ('unit = "gal"', "", 12, "the key 'unit' is missing"),
        ('file = "main.csv"', 'file = "lost.csv"', 14, "there is no file 'lost.csv'"),
        ("end_day_counts = false", "", 7, "'end_day_counts' is missing"),
        ('{ name = "head", unit = "in" }', '"head"', 24, "has no unit"),
        (
            'head = { name = "head", unit = "in"',
            'rain = { name = "r", unit = "in"',
            22,
            "column head",
        ),
        ("return_factor = 0.9", "return_factor = 9.0", 5, "is no share of the intake"),
        ('"parshall flume"', '"magic flume"', 17, "is not known"),
        ("[case]", "[case", 1, "not readable as TOML"),
        ('"invoices.csv"', '"logs\\invoices.csv"', 9, "Write folders with /"),
        ('"invoices.csv"', "'logs\\invoices.csv'", 9, "as in 'logs/invoices.csv'"),
        (
            '"invoices.csv"',
            '"logs\\new.csv"',
            9,
            "a back-slash and the letter after",
        ),
    ],
)
def test_what_is_refused_says_line_key_and_remedy(tmp_path, old, new, line, message):
    assert old in CASE
    with pytest.raises(InputRefused, match=message) as caught:
        load_case(write(tmp_path, CASE.replace(old, new)))
    problem = caught.value.problems[0]
    assert problem.file == "case.toml"
    assert problem.remedy
    assert problem.line is None or abs(problem.line - line) <= 2


def test_every_problem_is_listed_at_once(tmp_path):
    text = CASE.replace('basis = "intake"', 'basis = "x"').replace('unit = "gal"', 'unit = "s"')
    with pytest.raises(InputRefused) as caught:
        load_case(write(tmp_path, text))
    assert len(caught.value.problems) == 2


def test_wrong_dimensions_of_an_uncertain_value(tmp_path):
    text = CASE + '\n[[effluent.cause]]\nname = "zero error"\nstandard = "3 gpm"\n'
    with pytest.raises(InputRefused, match="'gpm' is not a unit of length"):
        load_case(write(tmp_path, text))
    text = CASE + '\n[[effluent.cause]]\nname = "colour error"\nstandard = "3 mm"\n'
    with pytest.raises(InputRefused, match=r"is not known\. Known are zero error"):
        load_case(write(tmp_path, text))


def test_missing_empty_and_binary_files(tmp_path):
    with pytest.raises(InputRefused, match="there is no such file"):
        load_case(tmp_path / "nothing.toml")
    (tmp_path / "empty.toml").write_text("\n")
    with pytest.raises(InputRefused, match="the file is empty"):
        load_case(tmp_path / "empty.toml")
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(InputRefused, match="Save the file as UTF-8"):
        load_case(tmp_path / "binary.toml")


def test_an_absolute_path_is_refused(tmp_path):
    text = CASE.replace('"log.csv"', f'"{tmp_path}/log.csv"')
    with pytest.raises(InputRefused, match="the path is absolute"):
        load_case(write(tmp_path, text))


@pytest.mark.parametrize(
    ("table", "expected"),
    [
        ({"standard": "2 mm"}, 2e-3),
        ({"expanded": "4 mm", "coverage_factor": 2}, 2e-3),
        ({"half_width": "3 mm", "shape": "rectangular"}, 3e-3 / 3**0.5),
        ({"half_width": "3 mm", "shape": "triangular"}, 3e-3 / 6**0.5),
        ({"half_width": "3 mm", "shape": "arcsine"}, 3e-3 / 2**0.5),
    ],
)
def test_spreads_in_the_words_of_the_gum(table, expected):
    """JCGM 100:2008, 4.3.3, 4.3.7 and 4.3.9; arcsine a/sqrt(2) from memory."""
    assert Uncertain(**table).standard_in("length") == pytest.approx(expected)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({}, "exactly one says the spread"),
        ({"standard": "1 mm", "expanded": "2 mm", "coverage_factor": 2}, "exactly one"),
        ({"expanded": "2 mm"}, "expanded needs coverage_factor"),
        ({"expanded": "2 mm", "coverage_factor": float("inf")}, "coverage factor of inf"),
        ({"expanded": "2 mm", "coverage_factor": 0}, "coverage factor of 0"),
        ({"standard": "2 mm", "dof": 0}, "degrees of freedom above zero"),
        ({"half_width": "2 mm"}, "half_width needs shape"),
    ],
)
def test_a_spread_is_stated_once_and_whole(table, message):
    with pytest.raises(ValueError, match=message):
        Uncertain(**table)


@pytest.mark.parametrize("name", ["", "area_velocity", "manning"])
def test_the_samples_are_correct_cases(name):
    assert load_case(sample_case(name)).data.invoices.volume_unit


@pytest.mark.parametrize(("written", "expected"), [("", None), ("true", True), ("false", False)])
def test_the_order_of_dates_is_stated_either_way_or_left_open(tmp_path, written, expected):
    line = f"\nday_first = {written}" if written else ""
    text = CASE.replace('file = "invoices.csv"', 'file = "invoices.csv"' + line)
    assert load_case(write(tmp_path, text)).data.invoices.day_first is expected


@pytest.mark.parametrize(
    ("columns", "found"),
    [
        ('{ time = "t", head = { name = "h", unit = "in", colour = "red" } }', "unknown key"),
        ('{ time = { a = 1 }, head = { name = "h", unit = "in" } }', "unknown key 'a'"),
        ('{ time = 3.5, head = { name = "h", unit = "in" } }', "found 3.5"),
        ('{ time = "t", head = { name = 1.5, unit = "in" } }', "found 1.5"),
    ],
)
def test_a_fault_inside_a_column_is_one_problem_and_stops_nothing(tmp_path, columns, found):
    """The case goes on without the table at fault; it neither stops short nor goes round."""
    head = CASE.index("[effluent.columns]")
    text = CASE[:head] + f"columns = {columns}\n"
    case, problems = open_case(write(tmp_path, text))
    assert case is not None
    assert case.data.effluent is None
    assert len(problems) == 1
    assert found in problems[0].found
    assert problems[0].column.startswith("effluent.columns")


def test_what_is_wrong_at_the_end_of_a_file_has_its_last_line(tmp_path):
    (tmp_path / "case.toml").write_text('[case]\ntitle = "a"\nnote = """never closed\n')
    with pytest.raises(InputRefused, match=r"case\.toml, line 3: not readable as TOML"):
        load_case(tmp_path)


@pytest.mark.parametrize(
    "text, found",
    [
        ("a = " + "[" * 60_000, "within each other"),
        ("a = " + "[" * 60 + "]" * 60, "within each other"),
        ("[" + ".".join("a" * 300) + "]\n", "within each other"),
        ("a." * 60_000 + "b = 1", "within each other"),
        ("a = 1" + "0" * 6_000, "not readable as TOML"),
    ],
)
def test_deep_tables_and_endless_numbers_are_refused(tmp_path, text, found):
    (tmp_path / "case.toml").write_text(text + "\n")
    with pytest.raises(InputRefused, match=found):
        load_case(tmp_path)


@pytest.mark.parametrize(
    "name", ["x" * 5_000, "loop.csv", "pipe.csv", "a/" * 3_000 + "b", "\\u0000"]
)
def test_names_that_lead_nowhere_are_refused(tmp_path, name):
    (tmp_path / "loop.csv").symlink_to("loop.csv")
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "case.toml").write_text(
        "[case]\ntitle = 't'\ntime_zone = 'UTC'\nbasis = 'intake'\n[invoices]\n"
        f'file = "{name}"\nvolume_unit = "kgal"\nend_day_counts = false\n'
    )
    with pytest.raises(InputRefused):
        load_case(tmp_path)
    for file in ("loop.csv", "pipe.csv", "x" * 5_000):
        with pytest.raises(InputRefused):
            load_case(tmp_path / file)


FILES = ("payments.csv", "main.csv", "invoices.csv", "rain.csv", "record.csv", "rates.toml")


@pytest.mark.parametrize("name", FILES)
def test_a_pipe_in_place_of_a_file_is_told_and_never_waited_for(tmp_path, name):
    rain = '[effluent.rain_gauge]\nfile = "rain.csv"\n'
    rain += 'columns = { time = "time", rain = { name = "rain", unit = "mm" } }\n'
    write_site(tmp_path, effluent=rain, more='[claim]\npayments = "payments.csv"\n')
    (tmp_path / name).unlink()
    os.mkfifo(tmp_path / name)
    found = inspect_file(tmp_path)
    assert [p for p in found.problems if name in str(p) and p.severity == "refused"]


@pytest.mark.parametrize("table", ["intake", "use", "effluent.visit", "neighbour"])
def test_tables_beyond_counting_are_refused_at_once(tmp_path, table):
    (tmp_path / "case.toml").write_text(CASE + 1001 * f"\n[[{table}]]\nname = 'x'\n")
    begin = time.perf_counter()
    with pytest.raises(InputRefused, match=r"stands 1,00[12] times; at most 1,000"):
        load_case(tmp_path)
    assert time.perf_counter() - begin < 10
