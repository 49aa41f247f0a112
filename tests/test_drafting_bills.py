"""PDF bills: a layout is learned from one typed bill, the others are read and checked.

The bills are drawn by tests/simulations/foreign_pdfs.py, written without sight of the reader; the
truth of every figure comes from there.
"""

from __future__ import annotations

import csv
import hashlib
import html
import re
import sys
from pathlib import Path

import pytest
from bs4 import BeautifulSoup

from sewer_audit import audit
from sewer_audit.case import load_case
from sewer_audit.drafting import read_bills
from sewer_audit.drafting.bills import stem
from sewer_audit.drafting.reading import TYPED
from sewer_audit.errors import InputRefused
from sewer_audit.report.folder.pack import pack_inputs
from sewer_audit.report.folder.page import finish_page
from sewer_audit.report.folder.printed import PRINTED, printed_page
from sewer_audit.report.frames import invoice_overview
from sewer_audit.report.show import show_table

sys.path.insert(0, str(Path(__file__).parent / "simulations"))
foreign = pytest.importorskip("foreign_pdfs", reason="needs reportlab")
from read_pdf_bills import as_scored, type_bill  # noqa: E402


def table(file: Path) -> list[dict]:
    with file.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("layout", ["label above", "two meters", "comma decimals", "line printer"])
def test_every_figure_of_a_moved_layout_is_read(layout, tmp_path):
    truth = foreign.make_bills(layout, "moved", 31, tmp_path)
    type_bill(tmp_path, truth)
    result = read_bills(tmp_path)
    score = foreign.score(*as_scored(result, truth), truth)
    assert score["share_right"] == 1.0 and score["right"] > 30
    assert not score["silent"]
    rows = table(tmp_path / "read" / "figures.csv")
    assert len(rows) == score["right"]
    assert all((tmp_path / "read" / row["crop"]).stat().st_size > 100 for row in rows)
    place = truth["files"][Path(rows[0]["file"]).name]["places"][rows[0]["field"]]
    assert float(rows[0]["x0"]) == pytest.approx(place[1], abs=2)
    assert int(rows[0]["page"]) == place[0]


@pytest.mark.parametrize(("layout", "seed"), [("credits", 32), ("two pages", 33), ("history", 34)])
def test_what_is_no_ordinary_bill_is_told_by_file_and_page(layout, seed, tmp_path):
    truth = foreign.make_hostile(layout, seed, tmp_path)
    type_bill(tmp_path, truth)
    result = read_bills(tmp_path)
    score = foreign.score(*as_scored(result, truth), truth)
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


def draw(folder, number, first, last, words=("From", "To")):
    """One bill with dates that fit both orders."""
    from reportlab.pdfgen.canvas import Canvas

    page = Canvas(str(folder / f"{number}.pdf"))
    rows = [("Account", "77-1"), ("Invoice", number), (words[0], first), (words[1], last),
            ("Sewer volume", "90.0"), ("Base charge", "12.00"),
            ("Total of this bill", "12.00")]  # fmt: skip
    for place, (label, value) in enumerate(rows):
        page.drawString(60, 720 - 22 * place, label)
        page.drawString(260, 720 - 22 * place, value)
    page.save()


TYPED_ROW = "K1.pdf,77-1,K1,2026-01-02,2026-02-01,90,12.00,12.00"


@pytest.mark.parametrize(
    ("words", "column", "start"),
    [(("From", "To"), "", "2026-03-02"), (("A", "B"), "false", "2026-03-02"),
     (("B", "A"), "true", "2026-02-03"), (("A", "B"), "", None)],
)  # fmt: skip
def test_dates_that_fit_both_orders_are_told_by_labels_or_by_the_person(
    tmp_path, words, column, start
):
    draw(tmp_path, "K1", *(("01/02/2026", "02/01/2026") if column != "true" else
                           ("02/01/2026", "01/02/2026")), words)  # fmt: skip
    draw(tmp_path, "K2", "03/02/2026", "04/03/2026", words)
    head = "file,account,invoice,start,end,billed_volume,Base charge,total"
    order = f",day_first\n{TYPED_ROW},{column}\n" if column else f"\n{TYPED_ROW}\n"
    (tmp_path / TYPED).write_text(head + order)
    if start is None:
        with pytest.raises(InputRefused, match="fit both orders") as refused:
            read_bills(tmp_path)
        assert "column day_first" in str(refused.value) and "stands nowhere" not in str(
            refused.value
        )
        return
    read = read_bills(tmp_path)
    bills = {bill.value("invoice"): bill for bill in (*read.whole, *read.asked)}
    assert bills["K2"].value("start") == start


def test_fields_without_a_number_of_their_meter():
    assert stem("usage.2") == "usage" and stem("line:No. 2") == "line:No. 2"


CASE = """
[case]
title = "A dye works"
time_zone = "America/Chicago"
basis = "intake"
[invoices]
file = "bills/read/invoices.csv"
printed = "bills/read/figures.csv"
volume_unit = "kgal"
end_day_counts = false
"""


def test_bills_and_pictures_go_into_the_evidence_folder(tmp_path):
    truth = foreign.make_bills("side by side", "plain", 38, tmp_path / "bills")
    type_bill(tmp_path / "bills", truth)
    read_bills(tmp_path / "bills")
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    case = load_case(tmp_path)
    packed = pack_inputs(case, tmp_path / "evidence" / "inputs")
    bill = next(iter(truth["files"]))
    assert (packed.parent / "bills" / bill).read_bytes() == (tmp_path / "bills" / bill).read_bytes()
    page = printed_page(load_case(packed), packed.relative_to(tmp_path / "evidence").as_posix())
    pictures = re.findall(r'src="(inputs/bills/read/crops/[^"]+)"', page)
    assert len(pictures) == sum(len(entry["fields"]) for entry in truth["files"].values())
    assert all((tmp_path / "evidence" / html.unescape(each)).is_file() for each in pictures)
    outside = show_table(invoice_overview(audit(load_case(packed), draws=50)), "Billed").markup
    assert "<a " not in outside  # where no such page lies no link leads to nothing
    (tmp_path / "evidence" / PRINTED).write_text(page, encoding="utf-8")
    result = audit(load_case(packed), draws=50)
    shown = finish_page(f"<main>{show_table(invoice_overview(result), 'Billed').markup}</main>")
    rows = {
        row["id"]: row.get_text("|") for row in BeautifulSoup(page, "html.parser")("tr", id=True)
    }
    links = BeautifulSoup(shown, "html.parser")("a")
    assert len(links) == len(result.invoices)
    for link, number in zip(links, result.invoices["invoice"], strict=True):
        where = rows[link["href"].removeprefix(f"{PRINTED}#")].split("|")
        assert where[:2] == [number, "billed_volume"]
        shown_m3 = float(link.get_text().replace(",", ""))
        assert float(where[2]) * 3.785411784 == pytest.approx(shown_m3, rel=1e-3)  # kgal, exact
    assert hashlib.sha256((tmp_path / "bills" / bill).read_bytes()).hexdigest() in page
