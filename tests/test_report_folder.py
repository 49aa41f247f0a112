"""The evidence folder: complete or absent, the same bytes again, and rechecked by a stranger."""

from __future__ import annotations

import getpass
import json
import re
import shutil
import socket
from pathlib import Path

import nbformat
import pytest

import sewer_audit.report.rechecking
from report_fakes import CASE, INVOICES, write_case, write_notebook
from sewer_audit.case import load_case
from sewer_audit.errors import InputRefused, ReportFailed
from sewer_audit.report import recheck, write_report
from sewer_audit.report.pack import pack_inputs


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    base = tmp_path_factory.mktemp("report")
    case = write_case(base / "case")
    notebook = write_notebook(base / "notebooks")
    return write_report(case, base / "out" / "first", str(notebook), draws=300, progress=False)


@pytest.fixture(scope="module")
def notebook(written):
    return str(written.folder.parent.parent / "notebooks" / "small.ipynb")


@pytest.fixture
def same_findings(written, monkeypatch):
    """What a new run gives, without running."""
    findings = json.loads((written.folder / "findings.json").read_text())
    monkeypatch.setattr(sewer_audit.report.rechecking, "_recomputed", lambda *_: findings)


@pytest.fixture
def copy(written, tmp_path):
    return shutil.copytree(written.folder, tmp_path / "copy")


def test_the_folder_is_complete(written):
    assert written.files == (
        "evidence.html",
        "evidence.ipynb",
        "findings.json",
        "manifest.json",
        "tables.xlsx",
    )
    manifest = json.loads((written.folder / "manifest.json").read_text())
    assert [e["file"] for e in manifest["inputs"]] == ["inputs/case.toml", "inputs/invoices.csv"]
    assert {e["file"] for e in manifest["outputs"]} == set(written.files) - {"manifest.json"}
    assert manifest["parameters"] == {"draws": 300, "seed": 1}
    assert {"numpy", "pandas", "python", "toolkit", "toolkit code"} <= set(manifest["versions"])
    assert re.search(r"SHA-256 of manifest.json.* [0-9a-f]{64}$", written.lines[-1])


def test_no_draft_is_left(written):
    assert [path.name for path in written.folder.parent.iterdir()] == ["first"]


def test_names_from_files_are_text_on_the_page(written):
    page = (written.folder / "evidence.html").read_text()
    assert "<script" not in page
    assert "Nowhere &lt;script&gt;alert(1)&lt;/script&gt; $5 *mill*" in page


def test_no_place_user_or_host_is_named(written):
    words = [str(written.folder.parent), str(Path.home()), str(Path(__file__).parent)]
    words += [w for w in (getpass.getuser(), socket.gethostname()) if len(w) > 4]
    for name in written.files:
        content = (written.folder / name).read_bytes()
        for word in words:
            assert word.encode() not in content, f"{name} names {word}"
        assert b"/tmp/" not in content


def test_the_executed_notebook_runs_again_from_its_own_folder(written):
    notebook = nbformat.read(written.folder / "evidence.ipynb", as_version=4)
    injected = [c for c in notebook.cells if "injected-parameters" in c.metadata.get("tags", [])]
    assert "case = 'inputs/case.toml'" in injected[0].source
    assert "deliver_to = ''" in injected[0].source
    assert all(c.execution_count for c in notebook.cells if c.cell_type == "code")
    assert "papermill" not in json.dumps(notebook)


def test_a_second_run_gives_the_same_bytes(written, notebook, tmp_path):
    case = written.folder.parent.parent / "case"
    again = write_report(case, tmp_path / "again", notebook, draws=300, progress=False)
    for name in set(written.files) - {"manifest.json"}:
        assert (again.folder / name).read_bytes() == (written.folder / name).read_bytes(), name


def test_recheck_reproduces(copy, notebook):
    result = recheck(copy, notebook=notebook)
    assert result.reproduced, str(result)
    assert result.figures == result.exact == 5
    assert str(result).endswith("\nreproduced")


def test_recheck_names_a_changed_input(copy, notebook):
    path = copy / "inputs" / "invoices.csv"
    path.write_text(path.read_text().replace(",100,", ",101,"))
    result = recheck(copy, notebook=notebook)
    assert not result.reproduced
    assert result.changed_inputs == ("inputs/invoices.csv",) and not result.changed_outputs
    assert [d.figure for d in result.differences] == ["invoices[=A1].billed_m3", "total.billed_m3"]
    assert "changed input: inputs/invoices.csv" in str(result)


def test_recheck_names_a_changed_output_and_figure(copy, same_findings):
    path = copy / "findings.json"
    path.write_text(path.read_text().replace("33.3333333333", "35.0", 1))
    result = recheck(copy)
    assert result.changed_outputs == ("findings.json",) and not result.changed_inputs
    assert len(result.differences) == 1
    assert "stated 35.0, recomputed 33.3333333333" in str(result)


def test_recheck_names_missing_added_and_other_versions(copy, same_findings):
    (copy / "evidence.html").unlink()
    (copy / "note.txt").write_text("x")
    manifest = json.loads((copy / "manifest.json").read_text())
    manifest["versions"]["numpy"] = "0.1"
    (copy / "manifest.json").write_text(json.dumps(manifest))
    result = recheck(copy)
    assert result.changed_outputs == ("evidence.html (missing)", "note.txt (added)")
    assert any(re.fullmatch(r"numpy [\d.]+, was 0.1", line) for line in result.other_versions)
    assert "other version: numpy" in str(result)
    assert not result.differences and not result.reproduced


def test_recheck_says_why_it_could_not_recompute(copy):
    (copy / "inputs" / "case.toml").write_text(CASE.replace("basis", "base"))
    result = recheck(copy)
    assert result.changed_inputs == ("inputs/case.toml",)
    assert "unknown key 'base'" in result.stopped and "NOT reproduced" in str(result)


def test_recheck_stays_inside_the_folder(copy):
    manifest = json.loads((copy / "manifest.json").read_text())
    manifest["case"] = "../../elsewhere/case.toml"
    (copy / "manifest.json").write_text(json.dumps(manifest))
    assert "outside of the folder" in recheck(copy).stopped


def test_recheck_never_runs_what_lies_in_the_folder(copy):
    assert recheck(copy).stopped == "there is no notebook small.ipynb"


@pytest.mark.parametrize(
    "text, match",
    [(None, "no manifest"), ("{", "not readable"), ('{"kind": "x"}', "no manifest of an evidence")],
)
def test_recheck_refuses_other_folders(tmp_path, text, match):
    if text is not None:
        (tmp_path / "manifest.json").write_text(text)
    with pytest.raises(InputRefused, match=match):
        recheck(tmp_path)


def refused(tmp_path, cell):
    """What a report says whose notebook holds one more cell; nothing may be left of it."""
    case = write_case(tmp_path / "case")
    notebook = write_notebook(tmp_path / "notebooks", cell)
    with pytest.raises(ReportFailed) as caught:
        write_report(case, tmp_path / "deep" / "out", str(notebook), progress=False)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["case", "notebooks"]
    return str(caught.value)


def test_a_failure_leaves_nothing_and_one_message(tmp_path):
    message = refused(tmp_path, "1 / 0")
    assert re.fullmatch(r"small.ipynb stopped in its cell \d: ZeroDivisionError: .* zero", message)


@pytest.mark.slow
@pytest.mark.parametrize(
    "cell, message",
    [
        (
            "raise __import__('sewer_audit.errors').errors.AuditError('a plain reason')",
            "a plain reason",
        ),
        ("import os\nos._exit(3)", "ended early"),
        ("display({'image/png': 'eA=='}, raw=True)", "no alternative text"),
    ],
)
def test_every_failure_leaves_nothing(tmp_path, cell, message):
    assert message in refused(tmp_path, cell)


@pytest.mark.slow
def test_a_notebook_that_delivers_nothing_is_refused(tmp_path):
    notebook = write_notebook(tmp_path / "notebooks", deliver=False)
    with pytest.raises(ReportFailed, match="without handing over"):
        write_report(write_case(tmp_path / "case"), tmp_path / "out", str(notebook), progress=False)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "given, match",
    [
        (
            {"shard": 0.4},
            "there is no parameter 'shard'; it has case, deliver_to, draws, seed, share",
        ),
        ({"share": "0.4"}, "parameter 'share'.*found '0.4'"),
        ({"draws": True}, "parameter 'draws'"),
    ],
)
def test_parameters_are_compared_with_the_notebook(tmp_path, given, match):
    notebook = write_notebook(tmp_path / "notebooks")
    with pytest.raises(ReportFailed, match=match):
        write_report(write_case(tmp_path / "c"), tmp_path / "out", str(notebook), given)


def test_unknown_notebook_is_refused(tmp_path):
    with pytest.raises(ReportFailed, match="no notebook"):
        write_report(write_case(tmp_path / "c"), tmp_path / "out", str(tmp_path / "none.ipynb"))


def test_an_older_report_is_replaced_and_nothing_else(written, notebook, copy, tmp_path):
    case = written.folder.parent.parent / "case"
    write_report(case, copy, notebook, draws=200, progress=False)
    assert json.loads((copy / "findings.json").read_text())["draws"] == 200
    (copy / "letter.txt").write_text("mine")
    with pytest.raises(InputRefused, match=r"holds letter.txt, which no report wrote"):
        write_report(case, copy, notebook, draws=200, progress=False)
    assert (copy / "letter.txt").read_text() == "mine"
    other = tmp_path / "other"
    other.mkdir()
    (other / "a").write_text("a")
    with pytest.raises(InputRefused, match="something else"):
        write_report(case, other, notebook)
    with pytest.raises(InputRefused, match="file of this name"):
        write_report(case, other / "a", notebook)
    with pytest.raises(InputRefused, match="inside a file"):
        write_report(case, other / "a" / "b", notebook)


def test_a_case_that_names_files_above_it_is_packed(tmp_path):
    text = CASE.replace('"invoices.csv"', '"../../data/invoices.csv"')
    case = write_case(tmp_path / "secret-name" / "case" / "deep", text)
    data = tmp_path / "secret-name" / "data"
    data.mkdir()
    shutil.move(case.parent / "invoices.csv", data / "invoices.csv")
    copy = pack_inputs(load_case(case), tmp_path / "inputs")
    packed = {
        p.relative_to(tmp_path / "inputs").as_posix() for p in (tmp_path / "inputs").rglob("*.*")
    }
    assert packed == {"case/case/case.toml", "data/invoices.csv"}
    assert load_case(copy).path("../../data/invoices.csv").read_text() == INVOICES


def test_files_that_would_share_a_place_are_kept_apart(tmp_path):
    text = CASE.replace('"invoices.csv"', '"../case/invoices.csv"')
    case = write_case(tmp_path / "mill", text + '[rates]\nfile = "invoices.csv"\n')
    (tmp_path / "case").mkdir()
    (tmp_path / "case" / "invoices.csv").write_text("another")
    copy = load_case(pack_inputs(load_case(case), tmp_path / "inputs"))
    assert copy.path("../case/invoices.csv").read_text() == "another"
    assert copy.path("invoices.csv").read_text() == INVOICES
