"""PDF bills: a layout is learned from one typed bill, the others are read and checked.

The bills are drawn by tests/simulations/foreign_pdfs.py, written without sight of the reader; the
truth of every figure comes from there.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import pytest

from sewer_audit.drafting import read_bills
from sewer_audit.drafting.bills import stem
from sewer_audit.drafting.reading import TYPED
from sewer_audit.errors import InputRefused

sys.path.insert(0, str(Path(__file__).parent / "simulations"))
foreign = pytest.importorskip("foreign_pdfs", reason="needs reportlab")


def type_bill(folder: Path, truth: dict, file: str | None = None, **changed) -> str:
    """Type the first bill of a run, as a person reads it off the page."""
    ordinary = {n: e for n, e in truth["files"].items() if e["state"] == "bill"}
    ordinary = {n: e for n, e in ordinary.items() if not e["printed_so"]}
    file = file or min(ordinary, key=lambda name: ordinary[name]["fields"]["start"])
    fields = {**ordinary[file]["fields"], **changed}
    with (folder / TYPED).open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(["file", *(name.removeprefix("line:") for name in fields)])
        writer.writerow([file, *fields.values()])
    return file


def table(file: Path) -> list[dict]:
    with file.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def figures(result, truth) -> tuple[dict, dict]:
    """What was read and what was asked, as the scoring of the generator takes them."""
    spelled = {k.casefold(): k for e in truth["files"].values() for k in e["fields"]}
    read, flagged = {}, {}
    for bill in [*result.whole, *result.asked]:
        name = bill.file if bill.pages[0] == 1 else f"{bill.file}#2"
        read[name] = {spelled.get(k.casefold(), k): f.value for k, f in bill.figures.items()}
        asked = {spelled.get(k.casefold(), k): why for k, why in bill.questions.items()}
        flagged.setdefault(name, {}).update(asked)
    for place, why in result.left_out.items():
        flagged.setdefault(place.split(", page")[0], {})["file"] = why
    return read, flagged


@pytest.mark.parametrize("layout", ["label above", "two meters", "comma decimals", "line printer"])
def test_every_figure_of_a_moved_layout_is_read(layout, tmp_path):
    truth = foreign.make_bills(layout, "moved", 31, tmp_path)
    type_bill(tmp_path, truth)
    result = read_bills(tmp_path)
    score = foreign.score(*figures(result, truth), truth)
    assert score["share_right"] == 1.0 and score["right"] > 30
    assert not score["silent"]
    rows = table(tmp_path / "read" / "figures.csv")
    assert len(rows) == score["right"]
    assert all((tmp_path / "read" / row["crop"]).stat().st_size > 100 for row in rows)
    place = truth["files"][rows[0]["file"]]["places"][rows[0]["field"]]
    assert float(rows[0]["x0"]) == pytest.approx(place[1], abs=2)
    assert int(rows[0]["page"]) == place[0]


@pytest.mark.parametrize(("layout", "seed"), [("credits", 32), ("two pages", 33), ("history", 34)])
def test_what_is_no_ordinary_bill_is_told_by_file_and_page(layout, seed, tmp_path):
    truth = foreign.make_hostile(layout, seed, tmp_path)
    type_bill(tmp_path, truth)
    result = read_bills(tmp_path)
    score = foreign.score(*figures(result, truth), truth)
    assert not score["silent"] and not score["printed_so_missed"]
    why = result.left_out
    assert "password" in why["locked.pdf"]
    assert "picture" in why["copier.pdf, page 1"]
    other = next(n for n, e in truth["files"].items() if e["state"] == "other account")
    assert "account" in why[other]
    assert any("both.pdf holds 2 bills" in note for note in result.notes)
    misprinted = next(n for n, e in truth["files"].items() if e["printed_so"])
    assert misprinted in {bill.file for bill in result.asked}
    invoices = (tmp_path / "read" / "invoices.csv").read_text(encoding="utf-8")
    assert truth["files"][misprinted]["fields"]["invoice"] not in invoices


def test_an_answer_lets_a_bill_in_and_nothing_else_does(tmp_path):
    truth = foreign.make_hostile("side by side", 36, tmp_path)
    type_bill(tmp_path, truth)
    asked = read_bills(tmp_path).asked
    assert len(asked) == 1
    file = tmp_path / "read" / "questions.csv"
    rows = table(file)
    for row in rows:
        row["answer"] = "yes"
    with file.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    again = read_bills(tmp_path)
    assert not again.asked and asked[0].file in {bill.file for bill in again.whole}
    told = table(tmp_path / "read" / "figures.csv")
    assert {r["field"] for r in told if r["told_by"] == "person"} == {r["field"] for r in rows}


def test_the_form_to_type_is_written_and_wrong_typing_is_refused(tmp_path):
    truth = foreign.make_bills("summary box", "plain", 37, tmp_path)
    with pytest.raises(InputRefused, match="a form is written"):
        read_bills(tmp_path)
    assert (tmp_path / TYPED).read_text(encoding="utf-8").startswith("file,account,invoice,")
    type_bill(tmp_path, truth, total="1.23")
    with pytest.raises(InputRefused, match=r"line 2, column total: '1\.23' stands nowhere"):
        read_bills(tmp_path)
    type_bill(tmp_path, truth, start="03/04/2026")
    with pytest.raises(InputRefused, match=r"column start.*cannot be read"):
        read_bills(tmp_path)
    type_bill(tmp_path, truth, account="")
    with pytest.raises(InputRefused, match="no account is typed"):
        read_bills(tmp_path)


def test_a_wrong_sum_on_the_typed_bill_itself_is_asked(tmp_path):
    truth = foreign.make_hostile("label above", 37, tmp_path)
    wrong = next(n for n, e in truth["files"].items() if e["printed_so"])
    truth["files"][wrong]["printed_so"] = []
    file = type_bill(tmp_path, truth, wrong)
    asked = {bill.file: bill.questions for bill in read_bills(tmp_path).asked}
    assert file in asked and any("printed so?" in why for why in asked[file].values())


def test_fields_without_a_number_of_their_meter():
    assert stem("usage.2") == "usage" and stem("line:No. 2") == "line:No. 2"
