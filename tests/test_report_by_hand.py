"""A stranger recomputes the folder: the script beside it, without the toolkit, from its tables."""

from __future__ import annotations

import ast
import csv
import subprocess
import sys
from decimal import Decimal

import pandas as pd
import pytest

from sewer_audit import audit, load_case, sample_case
from sewer_audit.report.by_hand import SCRIPT, hand_steps, steps_table, write_by_hand, zero_nodes

WITHOUT = "import sys, runpy; sys.modules['sewer_audit'] = None; runpy.run_path(sys.argv[1])"
"""Runs a script in an interpreter that cannot import the toolkit."""


@pytest.fixture(scope="module", params=["", "area_velocity", "manning"])
def result(request):
    return audit(load_case(sample_case(request.param)), draws=4000, seed=11)


@pytest.fixture(scope="module")
def folder(result, tmp_path_factory):
    place = tmp_path_factory.mktemp("hand") / "by_hand"
    write_by_hand(result, place)
    return place


def recomputed(folder) -> list[list[str]]:
    ended = subprocess.run(
        [sys.executable, "-I", "-c", WITHOUT, str(folder / "recompute.py")],
        capture_output=True,
        text=True,
        check=True,
        cwd=folder.parent,
    )
    return list(csv.reader(ended.stdout.splitlines()))


def test_the_script_is_short_and_plain():
    text = SCRIPT.read_text("utf-8")
    assert len(text.splitlines()) <= 60
    tree = ast.walk(ast.parse(text))
    names = [n.module if isinstance(n, ast.ImportFrom) else n.names[0].name
             for n in tree if isinstance(n, (ast.Import, ast.ImportFrom))]  # fmt: skip
    assert sorted(names) == ["decimal", "numpy", "pandas", "pathlib"]


def test_every_volume_its_uncertainty_and_every_amount_come_out(result, folder):
    rows = recomputed(folder)
    volumes = {row[1]: row[2:] for row in rows if row[0] == "volume"}
    for entry in result.findings()["invoices"]:
        volume, _, u, _ = map(float, volumes.pop(entry["invoice"]))
        assert volume == pytest.approx(entry["effluent_m3"]["mean"], rel=1e-3)
        assert u == pytest.approx(entry["effluent_m3"]["standard_uncertainty"], rel=0.05)
    assert not volumes
    amounts = {row[1]: Decimal(row[2]) for row in rows if row[0] == "amount"}
    if result.pricing is not None:
        table = result.invoices
        for name, stated, due in zip(table["invoice"], result.pricing.stated,
                                     result.pricing.by_rules, strict=True):  # fmt: skip
            assert amounts.pop(f"{name} (on the stated volume)") == stated.total
            if due is not None:
                assert amounts.pop(f"{name} (by rules)") == due.total
    assert not amounts


def test_a_forged_reading_or_rate_moves_the_result(result, folder, tmp_path):
    """The script works the figures out; it does not print what it is told."""
    before = recomputed(folder)
    copy = tmp_path / "by_hand"
    copy.mkdir()
    for file in folder.iterdir():
        (copy / file.name).write_bytes(file.read_bytes())
    readings = pd.read_csv(copy / "readings.csv")
    readings["carrier"] *= 1.01
    readings.to_csv(copy / "readings.csv", index=False)
    after = recomputed(copy)
    for old, new in zip(before, after, strict=True):
        if old[0] == "volume":
            moved = float(new[2]) / float(old[2])
            assert 1.002 < moved < 1.011 and old[3] == new[3]


def test_the_page_shows_every_step_and_every_node(result):
    shown = steps_table(result)
    whole = hand_steps(result)
    assert list(shown["invoice"]) == list(whole.index)
    parts = shown.drop(columns="invoice").to_numpy(float)
    assert parts[:, :-1].sum(axis=1) == pytest.approx(parts[:, -1], rel=1e-9)
    wanted = [str(name).split(" [")[0] for name in shown.columns]
    for word in ("readings as recorded", "zero, adds", "noise of the level, adds", "gaps, adds"):
        assert word in wanted
    nodes = zero_nodes(result)
    assert len(nodes) >= len(set(result.evidence.effluent.zero.edges))
    assert (nodes.iloc[:, 2] > 0).all()
