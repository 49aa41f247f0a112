"""Bills that are pictures: told where nothing can read them, and with the extra nothing unasked.

The bills are drawn by tests/simulations/foreign_pdfs.py and made pictures here, half of them as a
PDF without text and half as PNG. The reading itself needs the extra "scans".
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import pytest

from sewer_audit.drafting import draft_case, read_bills, scans

sys.path.insert(0, str(Path(__file__).parent / "simulations"))
foreign = pytest.importorskip("foreign_pdfs", reason="needs reportlab")
import pypdfium2  # noqa: E402
from read_pdf_bills import type_bill  # noqa: E402


def as_pictures(folder: Path, layout: str, count: int, seed: int = 31) -> dict:
    """The first bills of a run as pictures of 200 points an inch; the truth of each by file."""
    truth = foreign.make_bills(layout, "plain", seed, folder)
    for place, file in enumerate(sorted(folder.glob("*.pdf"))):
        entry = truth["files"].pop(file.name)
        if place < count:
            with pypdfium2.PdfDocument(file) as document:
                picture = document[0].render(scale=200 / 72).to_pil().convert("RGB")
            new = file.with_suffix(".png") if place % 2 else file
            picture.save(new, resolution=200)
            truth["files"][new.name] = entry
        if place >= count or place % 2:
            file.unlink()
    return truth


def test_without_the_extra_a_picture_is_told_with_what_to_do(tmp_path, monkeypatch):
    monkeypatch.setattr(scans, "can_read", lambda: False)
    truth = as_pictures(tmp_path, "summary box", 2)
    whole = foreign.make_bills("summary box", "plain", 32, tmp_path / "text")
    text = next(iter(whole["files"]))
    whole["files"] = {f"text/{text}": whole["files"][text]}
    type_bill(tmp_path, whole)
    why = read_bills(tmp_path).left_out
    for file in truth["files"]:
        assert (
            "picture" in why[f"{file}, page 1"] and "sewer-audit[scans]" in why[f"{file}, page 1"]
        )
    told = {look.file: look for look in draft_case(tmp_path).looks}
    assert all("sewer-audit[scans]" in told[file].why for file in truth["files"])


def test_no_figure_of_a_picture_counts_before_a_person_confirmed_it(tmp_path):
    pytest.importorskip("rapidocr_onnxruntime", reason="needs the extra 'scans'")
    truth = as_pictures(tmp_path, "summary box", 3)
    typed = type_bill(tmp_path, truth)
    result = read_bills(tmp_path)
    assert [bill.file for bill in result.whole] == [typed]  # the figures a person typed
    assert len(result.asked) == 2
    for bill in result.asked:
        fields = truth["files"][bill.file]["fields"]
        assert set(bill.questions) >= set(bill.figures) and set(bill.questions) >= set(fields)
        right = [name for name, figure in bill.figures.items() if figure.value == fields.get(name)]
        assert len(right) > 0.7 * len(fields)
    file = tmp_path / "read" / "questions.csv"
    with file.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        fields = truth["files"][row["bill"].split(", page")[0]]["fields"]
        spelled = {name.casefold(): value for name, value in fields.items()}
        row["answer"] = spelled.get(row["field"].casefold(), "yes")
    last, rows = rows[-1], rows[:-1]
    for some in (rows, [*rows, last]):
        with file.open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, list(last))
            writer.writeheader()
            writer.writerows(some)
        before = file.read_bytes()
        again = read_bills(tmp_path)
        assert len(again.asked) == (1 if some is rows else 0)
        file.write_bytes(before)
    with (tmp_path / "read" / "figures.csv").open(newline="", encoding="utf-8") as stream:
        told = list(csv.DictReader(stream))
    assert {row["told_by"] for row in told} == {"person"}
