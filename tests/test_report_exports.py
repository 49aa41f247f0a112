"""What leaves the building: every notebook as a page, and the sample with hostile names in it."""

from __future__ import annotations

import getpass
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import zipfile
from pathlib import Path

import nbformat
import openpyxl
import pytest
from bs4 import BeautifulSoup

from sewer_audit import sample_case
from sewer_audit.report import recheck, write_report
from sewer_audit.report.folder.export import EvidenceExporter
from test_report_browser import browser, faults_of, needs_browser  # noqa: F401
from test_report_sample import GUARD
from test_report_story import without

ROOT = Path(__file__).parent.parent
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
WIDTHS = (1280, 390)
HOSTILE = {
    "=HYPERLINK(1)": "a formula",
    "<img src=x onerror=alert(1)>": "markup",
    "[x](javascript:alert(1))": "a link",
    "@SUM(1+1)|cmd": "a formula",
}


def names_of(path):
    return path.stem


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Committed notebooks as pages, each made when it is first asked for."""
    made: dict[str, Path] = {}

    def page(path: Path) -> Path:
        if path.stem not in made:
            target = tmp_path_factory.mktemp("pages") / f"{path.stem}.html"
            text, _ = EvidenceExporter().from_notebook_node(nbformat.read(path, as_version=4))
            target.write_text(text, encoding="utf-8")
            made[path.stem] = target
        return made[path.stem]

    return page


@pytest.mark.parametrize("path", NOTEBOOKS, ids=names_of)
def test_a_committed_notebook_becomes_a_page_that_stands_alone(pages, path):
    soup = BeautifulSoup(pages(path).read_text(), "html.parser")
    assert not soup.find_all(["script", "iframe", "link", "input", "button"])
    for image in soup.find_all("img"):
        assert len(image["alt"]) > 30 and image["src"].startswith("data:image/")
    assert soup.find("h1") and len(soup.select("nav a")) >= 4
    assert not soup.find_all(string=re.compile("FloatSlider|Traceback|Error displaying"))


@needs_browser
@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("path", NOTEBOOKS, ids=names_of)
def test_every_page_is_quiet_and_fits(browser, pages, path, width):  # noqa: F811
    assert not faults_of(browser, pages(path), width)


@pytest.fixture(scope="module")
def guarded(tmp_path_factory):
    """Folders of real notebooks run on the sample, with every way out of the machine watched."""
    made: dict[str, tuple[Path, list[str]]] = {}

    def write(path: Path) -> tuple[Path, list[str]]:
        if path.stem not in made:
            base = tmp_path_factory.mktemp("guarded")
            (base / "sitecustomize.py").write_text(GUARD)
            script = (
                "from sewer_audit import sample_case\nfrom sewer_audit.report import write_report\n"
                f"write_report(sample_case(), {str(base / 'out')!r}, {path.stem!r}, "
                "draws=500, progress=False)"
            )
            environment = {
                **os.environ,
                "PYTHONPATH": f"{base}{os.pathsep}{ROOT}",
                "NETWORK_LOG": str(base / "log"),
            }
            done = subprocess.run(
                [sys.executable, "-c", script], env=environment, capture_output=True, text=True
            )
            assert done.returncode == 0, done.stderr[-2000:]
            made[path.stem] = base / "out", (base / "log").read_text().splitlines()
        return made[path.stem]

    return write


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=names_of)
def test_a_notebook_stays_off_the_network(guarded, path):
    _, log = guarded(path)
    assert log.count("guarded") >= 2, "process and kernel are both guarded"
    assert not [line for line in log if line != "guarded"]


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=names_of)
def test_no_file_of_a_run_names_place_user_or_host(guarded, path):
    folder, _ = guarded(path)
    words = [str(ROOT), str(folder.parent), "file://", "/tmp/", str(Path.home()) + "/"]
    words += [w for w in (getpass.getuser(), socket.gethostname()) if len(w) > 4]
    for file in folder.rglob("*"):
        for name, content in contents_of(file):
            for word in words:
                assert word.encode() not in content, f"{name} names {word}"


def contents_of(file: Path):
    """A file, and what lies inside it where it is an archive."""
    if file.is_file():
        yield file.name, file.read_bytes()
    if file.suffix == ".xlsx":
        with zipfile.ZipFile(file) as archive:
            yield from ((f"{file.name}/{name}", archive.read(name)) for name in archive.namelist())


@pytest.mark.slow
@needs_browser
@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("path", NOTEBOOKS, ids=names_of)
def test_a_fresh_page_is_quiet_and_fits(browser, guarded, path, width):  # noqa: F811
    folder, _ = guarded(path)
    assert not faults_of(browser, folder / "evidence.html", width)


def hostile_case(folder: Path) -> Path:
    """The sample with names that would act if anything let them."""
    source = sample_case().parent
    shutil.copytree(source, folder / "bills", ignore=shutil.ignore_patterns("a*", "man*"))
    shutil.copytree(source.parent / "sample_logs", folder / "sample_logs")
    case = folder / "bills" / "case.toml"
    formula, markup, link, other = HOSTILE
    text = case.read_text().replace('"water in product"', f'"{formula}"')
    text = text.replace('"cooling tower make-up"', f'"{other}"')
    text = text.replace("Brindlemere Creamery, sewer account 0417", f"{markup} {link}")
    text = text.replace('"no gauge; the flume', f'"{markup} {link}; the flume')
    case.write_text(text)
    bills = folder / "bills" / "invoices.csv"
    bills.write_text(bills.read_text().replace("K2505", formula).replace("K2506", markup))
    return case


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    base = tmp_path_factory.mktemp("hostile")
    case = hostile_case(base)
    return {
        name: write_report(case, base / name, name, draws=500, progress=False).folder
        for name in ("evidence_report", "quarterly_review")
    }


@pytest.mark.slow
@pytest.mark.parametrize("name", ["evidence_report", "quarterly_review"])
def test_hostile_names_are_shown_and_do_nothing(hostile, name):
    page = (hostile[name] / "evidence.html").read_text()
    soup = BeautifulSoup(page, "html.parser")
    shown = " ".join(soup.get_text().split())
    for word in HOSTILE:
        if word != "@SUM(1+1)|cmd" or name == "evidence_report":
            assert word in shown, f"{word} is not shown as it was written"
    assert not soup.find_all(attrs={"onerror": True})
    assert not soup.find_all(href=re.compile("javascript", re.I))
    assert all(image["src"].startswith("data:") for image in soup.find_all("img"))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["evidence_report", "quarterly_review"])
def test_hostile_names_start_no_formula(hostile, name):
    book = openpyxl.load_workbook(hostile[name] / "tables.xlsx")
    seen = 0
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                value = cell.value
                if cell.data_type == "f":
                    assert sheet.title == "invoice arithmetic", f"{sheet.title} {cell.coordinate}"
                    assert not re.search("HYPERLINK|cmd", str(value)), value
                elif isinstance(value, str) and any(word in value for word in HOSTILE):
                    assert value[0] not in "=+-@|", f"{sheet.title} {cell.coordinate}: {value!r}"
                    seen += 1
    assert seen > 5


@pytest.mark.slow
def test_hostile_names_in_the_executed_notebook_are_text(hostile):
    book = nbformat.read(hostile["evidence_report"] / "evidence.ipynb", as_version=4)
    for cell in book.cells:
        for output in cell.get("outputs", []):
            data = output.get("data", {})
            assert "](javascript" not in data.get("text/markdown", "")
            assert "<img src=x" not in data.get("text/html", "") + data.get("text/markdown", "")


@pytest.mark.slow
def test_recheck_names_input_output_and_version(hostile, tmp_path):
    """Each kind of change of a real folder is named as what it is."""
    folder = shutil.copytree(hostile["evidence_report"], tmp_path / "changed")
    reads = next((folder / "inputs").rglob("main_meter.csv"))
    reads.write_text(reads.read_text().replace("359811", "359801"))
    page = folder / "evidence.html"
    page.write_text(page.read_text() + " ")
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["versions"]["numpy"] = "1.0"
    (folder / "manifest.json").write_text(json.dumps(manifest))
    result = recheck(folder)
    assert not result.reproduced
    assert [Path(name).name for name in result.changed_inputs] == ["main_meter.csv"]
    assert result.changed_outputs == ("evidence.html",)
    assert any(each.startswith("numpy ") and "was 1.0" in each for each in result.other_versions)
    assert result.differences or result.stopped, "ten counts of the main meter change figures"


@pytest.mark.slow
@pytest.mark.parametrize("sample", ["area_velocity", "manning"])
@needs_browser
def test_the_other_samples_are_reported_and_rechecked(browser, tmp_path, sample):  # noqa: F811
    case = sample_case().parent / sample
    folder = write_report(case, tmp_path / "out", draws=2000, progress=False).folder
    for width in WIDTHS:
        assert not faults_of(browser, folder / "evidence.html", width)
    text = BeautifulSoup((folder / "evidence.html").read_text(), "html.parser").get_text(" ")
    assert ("Trend grade" in text) == ("TREND GRADE" in text) == (sample == "manning")
    assert recheck(folder).reproduced


@pytest.mark.slow
@pytest.mark.parametrize("kept", ["invoices only", "no record", "no rates", "area_velocity"])
@pytest.mark.parametrize("path", NOTEBOOKS, ids=names_of)
def test_every_notebook_runs_on_any_case(tmp_path, path, kept):
    """Whatever a case lacks, a notebook runs to its end and says what is missing."""
    left_out = {"invoices only": "effluent intake use rates", "no record": "effluent"}
    left_out["no rates"] = "rates"
    case = sample_case().parent / kept
    if kept in left_out:
        case = without(tmp_path, *left_out[kept].split())
    folder = write_report(case, tmp_path / "out", path.stem, draws=500, progress=False).folder
    text = BeautifulSoup((folder / "evidence.html").read_text(), "html.parser").get_text(" ")
    assert not re.search(r"\bnan\b|Traceback", text, re.I)
