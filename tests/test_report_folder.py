"""The evidence folder: complete or absent, the same bytes again, and rechecked by a stranger."""

from __future__ import annotations

import base64
import getpass
import hashlib
import importlib.metadata
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import tomllib
from pathlib import Path

import nbformat
import openpyxl
import pytest
from packaging.requirements import Requirement
from packaging.version import Version

import sewer_audit.report.checking.rechecking
import sewer_audit.report.folder.making
import sewer_audit.report.folder.writing
from report_fakes import CASE, INVOICES, write_case, write_notebook
from sewer_audit.case import load_case
from sewer_audit.errors import InputRefused, ReportFailed
from sewer_audit.report import recheck, write_report
from sewer_audit.report.checking.comparing import Tally, compare_file, compare_json, leaves
from sewer_audit.report.folder.manifest import _files_hash, json_text, lock_text
from sewer_audit.report.folder.pack import pack_inputs


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
def made_anew(written, monkeypatch):
    """What a new run of the inputs gives, without running."""

    def make(case, manifest, anew, *_):
        shutil.copytree(written.folder, anew, dirs_exist_ok=True)
        text = json.loads((anew / "manifest.json").read_text()) | {"written": manifest.written}
        (anew / "manifest.json").write_text(json.dumps(text))

    monkeypatch.setattr(sewer_audit.report.checking.rechecking, "_make", make)


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
        "versions.lock.txt",
    )
    manifest = json.loads((written.folder / "manifest.json").read_text())
    assert [e["file"] for e in manifest["inputs"]] == ["inputs/case.toml", "inputs/invoices.csv"]
    assert {e["file"] for e in manifest["outputs"]} == set(written.files) - {"manifest.json"}
    assert manifest["parameters"] == {"draws": 300, "seed": 1}
    assert {"numpy", "pandas", "python", "sewer-audit", "sewer-audit code"} <= set(
        manifest["versions"]
    )
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


def test_a_second_run_gives_the_same_bytes(written, notebook, tmp_path):
    case = written.folder.parent.parent / "case"
    again = write_report(case, tmp_path / "again", notebook, draws=300, progress=False)
    for name in set(written.files) - {"manifest.json"}:
        assert (again.folder / name).read_bytes() == (written.folder / name).read_bytes(), name


def test_recheck_reproduces(copy, notebook):
    result = recheck(copy, notebook=notebook)
    assert result.reproduced, str(result)
    assert not result.close and not result.differences and not result.told
    assert str(result).endswith("\nreproduced")


def test_recheck_names_a_changed_input(copy, notebook):
    path = copy / "inputs" / "invoices.csv"
    path.write_text(path.read_text().replace(",100,", ",101,"))
    result = recheck(copy, notebook=notebook)
    assert not result.reproduced
    assert result.changed_inputs == ("inputs/invoices.csv",) and not result.changed_outputs
    figures = [d.figure for d in result.differences]
    assert {"invoices[0].billed_m3", "total.billed_m3"} <= set(figures)
    assert any(figure.startswith("tables.xlsx") for figure in figures)
    assert "changed input: inputs/invoices.csv" in str(result)


def set_hashes(folder: Path) -> None:
    """What a consistent forger does: every hash and size anew."""
    manifest = json.loads((folder / "manifest.json").read_text())
    for entry in (*manifest["inputs"], *manifest["outputs"]):
        content = (folder / entry["file"]).read_bytes()
        entry["sha256"], entry["bytes"] = hashlib.sha256(content).hexdigest(), len(content)
    (folder / "manifest.json").write_text(json_text(manifest))


def test_every_leaf_of_the_findings_is_compared(copy, made_anew):
    leaf = list(leaves(json.loads((copy / "findings.json").read_text())))
    folder = list(leaves(json.loads((copy / "manifest.json").read_text())))
    beside = [p for p, _ in folder if not p.startswith(("versions", "outputs"))]
    parts = 3  # page, notebook, workbook, each equal as a whole
    assert recheck(copy).figures == len(leaf) + len(beside) + parts
    assert len({place for place, _ in leaf}) == len(leaf)


@pytest.mark.parametrize(
    "name, old, new",
    [
        ("findings.json", "33.3333333333", "33.3333343333"),
        ("evidence.html", "A small report", "A settled report"),
        ("evidence.html", "</main>", "<style>td{display:none}</style></main>"),
        ("evidence.ipynb", "A small report", "A settled report"),
        ("inputs/case.toml", "end_day_counts = false", "end_day_counts = false # agreed"),
    ],
)
def test_a_consistent_forgery_is_found(copy, made_anew, name, old, new):
    text = (copy / name).read_text()
    assert old in text
    (copy / name).write_text(text.replace(old, new, 1))
    set_hashes(copy)
    result = recheck(copy)
    assert not result.changed_outputs and not result.changed_inputs
    assert len(result.differences) >= 1 and not result.reproduced


def test_a_forged_cell_of_the_workbook_is_found(copy, made_anew):
    book = openpyxl.load_workbook(copy / "tables.xlsx")
    for row in book["invoices"].iter_rows(min_row=2):
        row[-1].value = 12.0
    book.save(copy / "tables.xlsx")
    set_hashes(copy)
    assert any("sheet" in d.figure for d in recheck(copy).differences)


def test_a_forged_picture_is_found_or_told(copy, made_anew):
    """Found where the drawing library is the same; told where it is another."""
    page = (copy / "evidence.html").read_text()
    start = page.index("data:image/png;base64,") + 22
    end = page.index('"', start)
    drawn = page[start:end]
    forged = base64.b64encode(base64.b64decode(drawn).replace(b"IDAT", b"IDAX", 1)).decode()
    (copy / "evidence.html").write_text(page.replace(drawn, forged))
    set_hashes(copy)
    assert not recheck(copy).reproduced
    manifest = json.loads((copy / "manifest.json").read_text())
    manifest["versions"]["matplotlib"] = "0.1"
    (copy / "manifest.json").write_text(json_text(manifest))
    result = recheck(copy)
    assert result.reproduced and "pictures, which were not compared" in str(result)


def test_the_figure_noted_elsewhere_is_held_against_the_manifest(copy, made_anew, written):
    noted = re.search("[0-9a-f]{64}", written.lines[-1])[0]
    same = recheck(copy, sha256=noted.upper())
    assert same.reproduced and "manifest.json is the one noted" in str(same)
    manifest = json.loads((copy / "manifest.json").read_text())
    manifest["written"] = "2001-01-01T00:00:00Z"
    (copy / "manifest.json").write_text(json_text(manifest))
    assert recheck(copy).reproduced  # nothing inside can tell
    result = recheck(copy, sha256=noted)
    assert not result.reproduced and "another folder than the one noted" in str(result)
    assert not recheck(copy, sha256="").reproduced


def test_recheck_names_missing_added_and_other_versions(copy, made_anew):
    (copy / "evidence.html").unlink()
    (copy / "note.txt").write_text("x")
    (copy / ".DS_Store").write_text("x")
    manifest = json.loads((copy / "manifest.json").read_text())
    manifest["versions"]["numpy"] = "0.1"
    del manifest["versions"]["scipy"]
    (copy / "manifest.json").write_text(json.dumps(manifest))
    (copy / "versions.lock.txt").write_text("numpy==0.1\n")
    result = recheck(copy)
    assert result.changed_outputs[:2] == ("evidence.html (missing)", "versions.lock.txt")
    assert result.changed_outputs[2:] == ("note.txt (added)",)
    assert any(re.fullmatch(r"numpy [\d.]+, was 0.1", line) for line in result.other_versions)
    assert any(re.fullmatch(r"scipy [\d.]+, was not stated", x) for x in result.other_versions)
    assert "versions.lock.txt lists other packages" in result.other_versions[-1]
    assert "other version: numpy" in str(result) and "left by a file manager" in str(result)
    assert not result.differences and not result.reproduced


def test_recheck_says_why_it_could_not_recompute(copy):
    (copy / "inputs" / "case.toml").write_text(CASE.replace("basis", "base"))
    result = recheck(copy)
    assert result.changed_inputs == ("inputs/case.toml",)
    assert "unknown key 'base'" in result.stopped and "NOT reproduced" in str(result)


@pytest.mark.parametrize(
    "name",
    ["../inputs/case.toml", "inputs/../../x/case.toml", "/etc/case.toml", "inputs\\case.toml",
     "C:/case.toml", "inputs//case.toml", "inputs/./case.toml", "inputs/case.toml\0", "nothing"],
)  # fmt: skip
@pytest.mark.parametrize("listed", [True, False])
def test_recheck_stays_inside_the_folder(copy, made_anew, name, listed):
    manifest = json.loads((copy / "manifest.json").read_text())
    manifest["case"] = name
    if listed:
        manifest["inputs"][0]["file"] = name
    (copy / "manifest.json").write_text(json.dumps(manifest))
    assert "Do not trust this folder" in recheck(copy).stopped


@pytest.mark.parametrize("way", ["file", "folder", "unlisted", "up", "whole"])
def test_recheck_reads_no_input_that_is_linked_or_not_packed(copy, made_anew, tmp_path, way):
    outside = tmp_path / "outside"
    shutil.copytree(copy / "inputs", outside)
    case = copy / "inputs" / "case.toml"
    name = {"unlisted": "more.csv", "up": "../../outside/invoices.csv"}.get(way)
    if way == "file":
        (copy / "inputs" / "invoices.csv").unlink()
        (copy / "inputs" / "invoices.csv").symlink_to(outside / "invoices.csv")
    elif way == "folder":
        shutil.rmtree(copy / "inputs")
        (copy / "inputs").symlink_to(outside)
    else:
        shutil.copy(outside / "invoices.csv", copy / "inputs" / "more.csv")
        named = name or str(outside / "invoices.csv")
        case.write_text(case.read_text().replace('"invoices.csv"', f'"{named}"'))
    result = recheck(copy)
    assert result.stopped and not result.reproduced, str(result)


def test_recheck_never_runs_what_lies_in_the_folder(copy):
    """A notebook in the folder, by whatever name the manifest calls it, is none to run."""
    for name in ("small", "evidence", "./evidence", str(copy / "evidence.ipynb"), "evidence.ipynb"):
        manifest = json.loads((copy / "manifest.json").read_text())
        manifest["notebook"] = name
        (copy / "manifest.json").write_text(json.dumps(manifest))
        assert "the package has no notebook" in recheck(copy).stopped


@pytest.mark.parametrize(
    "more, match",
    [
        ({"kernel_name": "bash"}, "no parameter 'kernel_name'"),
        ({"draws": "__import__('os')"}, "no number of draws"),
        ({"draws": 10**30}, "no number of draws"),
        ({"case": "x"}, "not those of a report"),
        ({"seed": "1"}, "parameter 'seed'"),
    ],
)
def test_recheck_takes_only_parameters_of_a_report(copy, notebook, more, match):
    manifest = json.loads((copy / "manifest.json").read_text())
    manifest["parameters"] |= more
    (copy / "manifest.json").write_text(json.dumps(manifest))
    assert match in recheck(copy, notebook=notebook).stopped


@pytest.mark.parametrize(
    "text, match",
    [
        (None, "no manifest"),
        ("{", "not readable"),
        ('{"kind": "x"}', "no manifest of an evidence"),
        ("[" * 100_000, "not readable"),
        ('{"kind": 1, "kind": 2}', "not readable"),
    ],
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


def test_a_case_that_is_refused_is_refused_before_a_cell_runs(tmp_path, monkeypatch):
    case = write_case(tmp_path / "c")
    case.with_name("invoices.csv").write_text("invoice\n", encoding="utf-8")
    monkeypatch.setattr(
        sewer_audit.report.folder.making, "run_notebook", lambda *_: pytest.fail("a cell ran")
    )
    with pytest.raises(InputRefused, match=r"invoices\.csv"):
        write_report(case, tmp_path / "out", progress=False)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["c"]


def test_unknown_notebook_is_refused(tmp_path):
    with pytest.raises(ReportFailed, match="no notebook"):
        write_report(write_case(tmp_path / "c"), tmp_path / "out", str(tmp_path / "none.ipynb"))


def test_an_older_report_is_replaced_and_nothing_else(written, notebook, copy, tmp_path):
    case = written.folder.parent.parent / "case"
    told = write_report(case, copy, notebook, draws=200, progress=False).lines
    assert any(line.startswith("replaced: what was written there at 20") for line in told)
    assert json.loads((copy / "findings.json").read_text())["draws"] == 200
    with pytest.raises(InputRefused, match=r"page of another kind \(small\)"):
        write_report(case, copy, "uncertainty_explained", draws=200, progress=False)
    (copy / "letter.txt").write_text("mine")
    with pytest.raises(InputRefused, match=r"holds letter.txt, which no report wrote"):
        write_report(case, copy, notebook, draws=200, progress=False)
    assert (copy / "letter.txt").read_text() == "mine"
    (copy / "letter.txt").unlink()
    edited = (copy / "evidence.ipynb").read_text() + " "
    (copy / "evidence.ipynb").write_text(edited)
    with pytest.raises(InputRefused, match=r"evidence.ipynb in the folder was changed"):
        write_report(case, copy, notebook, draws=200, progress=False)
    assert (copy / "evidence.ipynb").read_text() == edited
    other = tmp_path / "other"
    other.mkdir()
    (other / "a").write_text("a")
    with pytest.raises(InputRefused, match="something else"):
        write_report(case, other, notebook)
    with pytest.raises(InputRefused, match="file of this name"):
        write_report(case, other / "a", notebook)
    with pytest.raises(InputRefused, match="inside a file"):
        write_report(case, other / "a" / "b", notebook)


def test_drafts_of_runs_that_were_killed_are_cleared(tmp_path, monkeypatch):
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    prefix = sewer_audit.report.folder.writing._draft_prefix
    dead, kept, lives = (tmp_path / f"{prefix(n)}x" for n in (gone.pid, gone.pid, os.getpid()))
    kept = kept.with_name(kept.name + "y")
    for draft in (dead, kept / "older", lives):
        draft.mkdir(parents=True)
    sewer_audit.report.folder.writing._clear_leftovers(tmp_path)
    assert not dead.exists() and (kept / "older").exists() and lives.exists()


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


def test_the_lowest_versions_and_the_lock_are_those_of_the_project():
    """What .ci/run installs as the low end is what pyproject.toml allows; the lock misses none."""
    root = Path(__file__).parent.parent
    wanted = tomllib.loads((root / "pyproject.toml").read_text())["project"]["dependencies"]
    needs = [Requirement(text) for text in wanted]
    pinned = [line for line in (root / ".ci/lowest.txt").read_text().splitlines() if "==" in line]
    lowest = dict(line.split("==") for line in pinned)
    assert set(lowest) == {need.name for need in needs}
    for need in needs:
        bound = next(s.version for s in need.specifier if s.operator == ">=")
        assert Version(lowest[need.name]) == Version(bound), need.name
    lock = lock_text()
    assert all(
        re.search(rf"(?m)^{need.name}==\S+  # files [0-9a-f]{{64}}$", lock) for need in needs
    )


def test_the_hash_of_a_package_is_that_of_its_wheel(tmp_path):
    """Made of the RECORD as a wheel holds it, whatever an installer adds to it later."""
    record = "a/b.py,sha256=xyz,3\na/c.py,sha256=uvw,4\nn-1.dist-info/METADATA,sha256=m,1\n"
    more = "../../bin/n,sha256=q,1\nn-1.dist-info/INSTALLER,sha256=i,1\na/__pycache__/b.pyc,,\n"
    lines = sorted(line.rpartition(",")[0] for line in record.splitlines())
    true = hashlib.sha256("\n".join(lines).encode()).hexdigest()
    for text in (record, record + more + "n-1.dist-info/RECORD,,\n"):
        (tmp_path / "RECORD").write_text(text)
        found = importlib.metadata.PathDistribution(tmp_path)
        assert _files_hash(found) == true


def test_marks_that_a_drawing_or_a_print_gives_its_parts_are_compared_by_their_turn(tmp_path):
    """They are hashes of last digits, or counts of a printer; which part is meant still tells."""
    text = "<svg>clip(#p00112233ab) clip(#p99887766cd) clip(#p00112233ab)</svg>"
    other = "<svg>clip(#pffeeddccbb) clip(#p0a0a0a0a0a) clip(#pffeeddccbb)</svg>"
    exchanged = "<svg>clip(#pffeeddccbb) clip(#pffeeddccbb) clip(#p0a0a0a0a0a)</svg>"
    bare = text[5:-6], other[5:-6]  # such numbers beside a drawing are no parts of it
    pairs = ((text, other, True), (text, exchanged, False), (*bare, False))
    for number, (text, now, same) in enumerate(pairs):
        (tmp_path / f"a{number}").mkdir(), (tmp_path / f"b{number}").mkdir()
        stated, anew = tmp_path / f"a{number}/x.html", tmp_path / f"b{number}/x.html"
        stated.write_text(text), anew.write_text(now)
        tally = Tally()
        compare_file(tally, stated, anew, False, str)
        assert (not tally.differences) is same


@pytest.mark.parametrize(
    ("stated", "anew", "same"),
    [
        ("u is 0.12345678901", "u is 0.12345678902", True),
        ("invoice 20260100123", "invoice 20260100124", False),
        ("bills 1,2", "bills 12", False),
        ("meter 007.5", "meter 7.5", False),
        ("1,234.5 kgal", "12,34.5 kgal", False),
        ("5.5", "\N{ARABIC-INDIC DIGIT FIVE}.5", False),
    ],
)
def test_only_the_last_digits_of_a_figure_may_differ(tmp_path, stated, anew, same):
    """Two versions of a numerical library differ there; codes, days and whole numbers never."""
    for name, text in (("a", stated), ("b", anew)):
        (tmp_path / name).mkdir()
        (tmp_path / name / "x.html").write_text(text, encoding="utf-8")
    tally = Tally()
    compare_file(tally, tmp_path / "a/x.html", tmp_path / "b/x.html", False, str)
    assert (not tally.differences) is same


def test_a_key_that_reads_like_a_place_hides_no_figure():
    tally, honest = Tally(), {"total": {"billed_m3": 1}}
    compare_json(tally, {"total.billed_m3": 9, **honest}, honest)
    assert len(tally.differences) == 1


@pytest.mark.parametrize("place", ["before", "between", "behind"])
def test_what_is_hidden_in_a_workbook_beside_its_parts_is_found(copy, made_anew, place):
    file = copy / "tables.xlsx"
    data = file.read_bytes()
    at = {"before": 0, "between": data.index(b"PK\x03\x04", 4), "behind": len(data)}[place]
    file.write_bytes(data[:at] + b"<html>another workbook</html>" + data[at:])
    set_hashes(copy)
    assert not recheck(copy).reproduced


@pytest.mark.parametrize(
    ("words", "same"), [("You were billed too much", True), ("You owe nothing", False), ("", False)]
)
def test_a_print_by_another_program_is_compared_by_its_words(tmp_path, words, same):
    canvas = pytest.importorskip("reportlab.pdfgen.canvas", reason="draws the prints")
    for name, said in (("stated", words), ("anew", "You were billed too much")):
        (tmp_path / name).mkdir()
        drawn = canvas.Canvas(str(tmp_path / name / "evidence.pdf"))
        drawn.setProducer(f"a browser, {name}")
        drawn.drawString(100, 700 if name == "anew" else 690, said)
        drawn.save()
    if not words:
        (tmp_path / "stated" / "evidence.pdf").write_bytes(b"%PDF-1.4 no more")
    tally, files = Tally(), [tmp_path / name / "evidence.pdf" for name in ("stated", "anew")]
    compare_file(tally, *files, False, str)
    assert (not tally.differences) is same
    assert same is False or "its words were compared" in tally.told[0]
