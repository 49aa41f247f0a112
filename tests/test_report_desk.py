"""An audit at one's desk: what a cell shows, changed cases, tables in memory."""

from __future__ import annotations

import base64
import re

import openpyxl
import pandas as pd
import pytest

import sewer_audit
from sewer_audit import Case, audit, load_case, sample_case
from sewer_audit.errors import InputRefused
from sewer_audit.report.pictures import PICTURES


@pytest.fixture(scope="module")
def case():
    return load_case(sample_case())


@pytest.fixture(scope="module")
def result(case):
    return audit(case, draws=400, seed=1)


def test_a_result_prints_a_verdict_and_invoices_on_one_screen(result):
    lines = repr(result).splitlines()
    assert 10 <= len(lines) <= 20
    assert "of 12 invoices do not follow" in lines[1] and "all invoices" in lines[-1]
    assert "[kgal]" in repr(result) and "<" not in lines[0]


def test_a_cell_shows_verdict_table_and_one_picture(result):
    page = result._repr_html_()
    assert page.count("<img ") == 1 and 'alt="' in page
    assert "billed [kgal]" in page and "K2504" in page
    picture = re.search(r"base64,([^\"]+)", page)[1]
    assert base64.b64decode(picture).startswith(b"\x89PNG")


def test_every_picture_of_the_pages_can_be_asked_for(result):
    assert set(dir(result.plot)) == {name.replace(" ", "_") for name in PICTURES}
    shown, about = result.plot.estimates()._repr_mimebundle_()
    assert shown["image/png"] and "kgal" in about["image/png"]["alt"]
    with pytest.raises(AttributeError, match="there are balance"):
        result.plot.nothing  # noqa: B018


def test_completion_shows_what_a_person_asks_for(result):
    assert "invoices" in dir(result) and "plot" in dir(result)
    assert not {"evidence", "inputs", "pricing"} & set(dir(result))
    assert all(hasattr(result, name) for name in dir(result))


def test_frames_carry_the_units_of_the_display_into_files(result, tmp_path):
    frames = result.frames
    billed = frames["invoices"]["billed [kgal]"]
    kgal = 3.785411784  # 1000 US gallons of 231 cubic inches
    assert billed.tolist() == pytest.approx((result.invoices["billed_m3"] / kgal).tolist())
    assert not [h for f in frames.values() for h in f.columns if str(h).endswith("_m3")]
    book = openpyxl.load_workbook(frames.to_excel(tmp_path / "all.xlsx"))
    heads = [cell.value for cell in book["invoices"][1]]
    assert "billed [kgal]" in heads and "start (America/Chicago)" in heads
    read = pd.read_csv(frames.to_csv(tmp_path / "all") / "invoices.csv")
    assert read["billed [kgal]"].tolist() == pytest.approx(billed.tolist())


def test_a_changed_case_equals_one_that_states_the_change(case, result, tmp_path):
    """Only the changed key differs, and nothing is read again that did not change."""
    changed = case.with_({"rule.tolerance": "2 %"})
    assert changed.data.rule.tolerance == 0.02 and case.data.rule.tolerance == 0.05
    kept = dict(case.memory)
    assert kept
    again = audit(changed, draws=400, seed=1).findings()
    assert all(changed.memory[name][1] is read for name, (_, read) in kept.items())
    fresh = load_case(sample_case()).with_(rule={"tolerance": "2 %"})
    assert audit(fresh, draws=400, seed=1).findings() == again
    assert again["rule"] != result.findings()["rule"]
    back = changed.with_({"rule.tolerance": "5 %"})
    assert audit(back, draws=400, seed=1).findings() == result.findings()


def test_a_change_of_a_meter_is_read_again(case):
    audit(case, draws=200, seed=1)
    changed = case.with_({"intake.1.multiplier": 10})
    before, after = (audit(each, draws=200, seed=1).invoices for each in (case, changed))
    assert after["balance_mean"].sum() < 0.2 * before["balance_mean"].sum()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"rule.tolerence": "3 %"}, "Perhaps 'tolerance' is meant"),
        ({"rule.tolerance": "3 furlongs"}, "tolerance"),
        ({"intake.nobody.multiplier": 10}, "nothing is called 'nobody'"),
        ({"invoices.file": "none.csv"}, "there is no file"),
    ],
)
def test_a_change_that_makes_no_case_is_refused(case, changes, said):
    with pytest.raises(InputRefused, match=said):
        case.with_(changes)


def test_a_key_is_taken_away_with_none(case):
    assert case.with_({"effluent": None}).data.effluent is None


TABLES = {
    "case": {"title": "Two bills", "time_zone": "America/Chicago", "basis": "intake"},
    "invoices": {"file": "bills.csv", "volume_unit": "m3", "end_day_counts": False},
    "intake": [
        {"meter": "main", "file": "reads.csv", "unit": "m3", "error": {"standard": "0.2 %"}}
    ],
}
BILLS = pd.DataFrame(
    {
        "invoice": ["A1", "A2"],
        "start": ["2026-01-01", "2026-02-01"],
        "end": ["2026-02-01", "2026-03-01"],
        "billed_volume": [31.0, 40.0],
        "total": [310.0, 400.0],
    }
)
READS = pd.DataFrame(
    {
        "time": pd.to_datetime(["2026-01-01", "2026-02-01", "2026-03-01"]),
        "register": [100.0, 131.0, 159.0],
    }
)


def test_a_case_of_tables_in_memory_is_audited():
    """Registered were 31 and 28 m3."""
    made = Case.from_frames(TABLES, bills=BILLS, reads=READS)
    found = audit(made, draws=400, seed=1)
    assert found.invoices["balance_mean"].tolist() == pytest.approx([31.0, 28.0], rel=0.01)
    assert "Two bills" in repr(found) and "Two bills" in repr(made)
    with pytest.raises(InputRefused, match=r"reads\.csv"):
        Case.from_frames(TABLES, bills=BILLS)


def test_a_record_in_memory_stands_in_place_of_the_file(case):
    named = case.data.effluent
    frame = pd.concat(pd.read_csv(case.path(file), dtype=str) for file in named.files)
    same = audit(case, draws=200, seed=1, record=frame.iloc[::2])
    assert (
        same.inputs.logger.frame["time"].iloc[0]
        == (audit(case, draws=200, seed=1).inputs.logger.frame["time"].iloc[0])
    )
    assert len(same.inputs.logger.frame) == -(-len(frame) // 2)
    with pytest.raises(InputRefused, match=r"no \[effluent\] table"):
        audit(case.with_({"effluent": None}), draws=200, seed=1, record=frame)


def test_the_public_door_has_what_the_desk_needs():
    assert {"Audit", "Case", "audit", "load_case", "sample_case"} <= set(sewer_audit.__all__)
