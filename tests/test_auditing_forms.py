"""The same figures in another form of file give the same findings, every input of the case."""

from __future__ import annotations

import csv
import json
import re
import shutil
from datetime import datetime
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from sewer_audit import audit, load_case
from sewer_audit.case import sample_case

FILES = ("main_meter.csv", "cooling_tower_meter.csv", "invoices.csv", "effluent_log.csv")
STAMP = re.compile(r"\d{4}-\d\d-\d\d( \d\d:\d\d)?")
DRAWS = 300
OF_FILES = {"inputs", "versions"}
"""Parts of the findings that name the files themselves [text]."""
OF_ORDER = {"newest first", "time goes back"}
"""Notes that tell the order of the rows [text]."""


def rows_of(file):
    return list(csv.reader(file.read_text(encoding="utf-8").splitlines()))


def written(file, rows, encoding="utf-8", mark=","):
    text = "\n".join(mark.join(row) for row in rows) + "\n"
    file.write_bytes(text.encode(encoding))
    return [file.name]


def as_cell(text):
    """A cell as a spreadsheet holds it: dates are dates, numbers are numbers."""
    if STAMP.fullmatch(text):
        moment = datetime.fromisoformat(text)
        return moment if ":" in text else moment.date()
    try:
        return float(text) if "." in text else int(text)
    except ValueError:
        return text


def workbook(file, rows):
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("records")
    sheet.append(rows[0])
    for row in rows[1:]:
        sheet.append([as_cell(cell) for cell in row])
    book.save(file.with_suffix(".xlsx"))
    file.unlink()
    return [file.with_suffix(".xlsx").name]


def shuffled(file, rows):
    if "meter" in file.name:  # reads of a register that go back in time are refused, in any case
        return written(file, rows)
    order = 1 + np.random.default_rng(3).permutation(len(rows) - 1)
    return written(file, [rows[0], *(rows[k] for k in order)])


def backwards(file, rows):
    if "meter" in file.name:
        return written(file, rows)
    return written(file, [rows[0], *rows[:0:-1]])


def in_two(file, rows):
    if file.name == "invoices.csv":  # a case names one table of invoices
        return written(file, rows)
    middle = len(rows) // 2
    other = file.with_name(f"second_{file.name}")
    return [*written(file, [rows[0], *rows[middle:]]), *written(other, rows[:middle])]


FORMS = {
    "a workbook with dates in its cells": workbook,
    "UTF-16": lambda file, rows: written(file, rows, "utf-16"),
    "semicolons and a byte order mark": lambda file, rows: written(file, rows, "utf-8-sig", ";"),
    "the last row first": backwards,
    "rows in any order": shuffled,
    "two files": in_two,
}


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """The sample with every input, its record thinned to half an hour."""
    folder = tmp_path_factory.mktemp("plain")
    source = Path(sample_case())
    source = source if source.is_dir() else source.parent
    for name in ("case.toml", "rates.toml", *FILES[:3]):
        shutil.copy(source / name, folder / name)
    log = rows_of(source.parent / "sample_logs" / FILES[3])
    twice = "2025-11-02 01:"  # the hour that a clock shows twice is told by the order of the rows
    written(folder / FILES[3], [log[0], *(row for row in log[1::6] if twice not in row[0])])
    text = (folder / "case.toml").read_text(encoding="utf-8")
    text = text.replace("../sample_logs/", "").replace('bridge = "30 min"', 'bridge = "90 min"')
    (folder / "case.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def findings(plain):
    return found(plain)


def found(folder):
    """Findings of a case; in their messages a file is named without its ending, once."""
    result = audit(load_case(folder), draws=DRAWS).findings()
    result["flags"] = [each for each in result["flags"] if each["code"] not in OF_ORDER]
    text = json.dumps({name: value for name, value in result.items() if name not in OF_FILES})
    names = "|".join(name.removesuffix(".csv") for name in FILES)
    return json.loads(re.sub(rf"(, second_)?\b({names})\.\w+(, second_\2\.csv)?", r"\2", text))


@pytest.mark.parametrize("form", FORMS)
def test_the_findings_are_those_of_the_plain_files(plain, findings, tmp_path, form):
    shutil.copytree(plain, tmp_path, dirs_exist_ok=True)
    text = (tmp_path / "case.toml").read_text(encoding="utf-8")
    for name in FILES:
        names = FORMS[form](tmp_path / name, rows_of(tmp_path / name))
        said = f'"{names[0]}"' if len(names) == 1 else str(names).replace("'", '"')
        text = text.replace(f'"{name}"', said)
    if "row" in form:
        text = text.replace("[effluent.columns]", 'back_steps = "sort"\n[effluent.columns]')
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    assert found(tmp_path) == findings
