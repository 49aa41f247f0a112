"""A stranger recomputes the folder: the script beside it, without the toolkit, from its tables."""

from __future__ import annotations

import ast
import copy
import csv
import json
import random
import re
import subprocess
import sys
from decimal import Decimal

import pandas as pd
import pytest

from sewer_audit import audit, load_case, sample_case
from sewer_audit.report.charged import charged_table
from sewer_audit.report.checking.comparing import NOTHING, Tally, compare_json, leaves
from sewer_audit.report.evidence.lists import gaps
from sewer_audit.report.folder.by_hand import (
    SCRIPT,
    hand_steps,
    steps_table,
    write_by_hand,
    zero_nodes,
)
from sewer_audit.report.folder.manifest import json_text
from sewer_audit.units import from_si

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
    assert sorted(names) == ["decimal", "numpy", "pandas", "pathlib", "signal"]


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe there ends otherwise")
def test_the_script_ends_quietly_where_only_its_head_is_read(folder):
    command = [sys.executable, str(folder / "recompute.py")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as ended:
        ended.stdout.close()
        assert ended.stderr.read() == b"" and ended.wait() != 0


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
        for entry in (each for each in result.ledger.entries if each.link == "run of estimates"):
            name = next(name for name in amounts if entry.invoice in name)
            assert name.endswith("(run of estimates)") and amounts.pop(name) == entry.amount
    assert not amounts


def test_a_forged_reading_or_rate_moves_the_result(result, folder, tmp_path):
    """The script works the figures out; it does not print what it is told."""
    before = recomputed(folder)
    there = tmp_path / "by_hand"
    there.mkdir()
    for file in folder.iterdir():
        (there / file.name).write_bytes(file.read_bytes())
    readings = pd.read_csv(there / "readings.csv")
    readings["carrier"] *= 1.01
    readings.to_csv(there / "readings.csv", index=False)
    after = recomputed(there)
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
    with_u = steps_table(result, spread=True)
    unit, found = result.case.data.display.volume, result.findings()["invoices"]
    shown = [from_si(each["effluent_m3"]["standard_uncertainty"], unit, "volume") for each in found]
    assert with_u.iloc[:, -1].to_list() == pytest.approx(shown)


def test_the_zero_stands_by_local_time_once_at_a_node_and_twice_at_a_step(result):
    nodes, zero = zero_nodes(result), result.evidence.effluent.zero
    assert nodes["local time"].dt.tz == result.case.zone
    rezeroed = [v.time for v in zero.visits if v.rezeroed]
    assert len(nodes) == len(set(zero.edges)) + len(rezeroed)
    again = nodes["local time"][nodes["local time"].duplicated()]
    assert [(t - result.evidence.series.epoch).total_seconds() for t in again] == rezeroed
    for before, after in (nodes[nodes["local time"] == t].iloc[:, 1] for t in again):
        assert abs(before - after) > 1e-6
    assert (nodes.iloc[:, 2] > 0).all()


def test_every_rejected_reading_is_listed_with_its_reason(result, folder):
    listed = pd.read_csv(folder / "rejected.csv")
    frame = result.inputs.logger.frame
    assert len(listed) == (frame["status"] == "rejected").sum()
    counts = listed["reason"].value_counts().to_dict()
    reasons = frame.loc[frame["status"] == "rejected", "reason"].astype(str)
    assert counts == reasons.value_counts().to_dict()


def test_the_gaps_add_up_to_what_the_volume_holds_of_them(result):
    shown, steps = gaps(result), steps_table(result).set_index("invoice")
    if not len(shown):
        assert (steps.filter(like="gaps, adds") == 0).all(axis=None)
        return
    unit = result.case.data.display.volume
    sums = shown.groupby("invoice")[f"with zero and noise [{unit}]"].sum()
    assert sums.to_list() == pytest.approx(steps.loc[sums.index, f"gaps, adds [{unit}]"].to_list())
    plain = from_si(result.evidence.effluent.gaps["volume_m3"], unit, "volume")
    assert shown[f"from the readings as recorded [{unit}]"].to_list() == pytest.approx(plain)


def test_the_page_goes_from_printed_reads_to_amounts(result):
    """By hand from the table alone: (registered - deduct) x share is what is to be charged."""
    table = charged_table(result)
    unit, money = result.pricing.bills[0].facts.volume_unit, result.case.data.display.money
    bills = pd.read_csv(result.case.file.parent / result.case.data.invoices.file, dtype=str)
    printed = bills["previous_read"] + " to " + bills["current_read"]
    assert table["printed reads [counts]"].to_list() == printed.to_list()
    totals = [each.total for each in result.pricing.recomputed]
    assert table[f"amount of it [{money}]"].to_list() == totals
    assert table[f"billed [{money}]"].astype(str).to_list() == bills["total"].to_list()
    for _, row in table.iterrows():
        share = row.get("share [-]")
        net = row[f"registered [{unit}]"] - (row.get(f"deduct [{unit}]") or 0)
        charged = float(net) * float(1 if share is None else share)
        assert float(row[f"to be charged [{unit}]"]) == pytest.approx(charged, abs=0.06)


def test_every_single_leaf_that_is_forged_is_found(result):
    """500 leaves drawn at random (seed 41, used to mend): each other value is a difference."""
    true = json.loads(json_text(result.findings()))
    chance = random.Random(41)
    places = [place for place, _ in leaves(true)]
    drawn = chance.sample(places, min(500, len(places)))
    for batch in (drawn[start : start + 20] for start in range(0, len(drawn), 20)):
        forged = copy.deepcopy(true)
        for place in batch:
            forge(forged, place, chance)
        tally = Tally()
        compare_json(tally, forged, true)
        assert tally.figures == len(places)
        assert sorted(each.figure for each in tally.differences) == sorted(batch)


def forge(holder, place, chance):
    *way, last = [int(n) if n else k for n, k in re.findall(r"\[(\d+)\]|([^.\[\]]+)", place)]
    for step in way:
        holder = holder[step]
    old = holder[last]
    if isinstance(old, bool) or old is None:
        others = [not old, 1.5]
    elif isinstance(old, (int, float)):
        step = max(abs(old) * 1e-4, 2 * NOTHING)  # what is less is nothing
        others = [old + step, -old - step, None, str(old)]
    else:
        others = [f"{old}x", None]
    holder[last] = chance.choice(others)


def test_rounding_of_the_machine_is_no_difference(result):
    """2e-11 of any figure, and what is nothing on either side of zero."""
    true = json.loads(json_text(result.findings()))

    def shaken(value):
        if isinstance(value, dict):
            return {key: shaken(inner) for key, inner in value.items()}
        if isinstance(value, list):
            return [shaken(inner) for inner in value]
        return value * (1 + 2e-11) + 1e-21 if isinstance(value, float) else value

    tally = Tally()
    compare_json(tally, true, shaken(true))
    assert not tally.differences and tally.close
