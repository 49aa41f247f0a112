"""The whole way on the sample: report, page in a browser, print, recheck; and without a network."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest

from report_fakes import write_case, write_notebook
from sewer_audit import sample_case
from sewer_audit.report import recheck, write_report
from test_report_browser import browser, faults_of, needs_browser  # noqa: F401

ROOT = Path(__file__).parent.parent
GUARD = """\
import os, socket

def refuse(kind):
    true = getattr(socket.socket, kind)
    def call(self, address, *rest):
        outside = isinstance(address, tuple) and not str(address[0]).startswith("127.")
        if outside and address[0] not in ("localhost", "::1"):
            with open(os.environ["NETWORK_LOG"], "a") as log:
                log.write(f"{kind} {address}\\n")
            raise OSError("no network in this test")
        return true(self, address, *rest)
    return call

for kind in ("connect", "connect_ex"):
    setattr(socket.socket, kind, refuse(kind))
with open(os.environ["NETWORK_LOG"], "a") as log:
    log.write("guarded\\n")
"""
TRY = """\
import socket
try:
    socket.create_connection(("192.0.2.1", 9), timeout=1)
except OSError:
    pass
"""


def network_log(tmp_path, *cells: str) -> list[str]:
    """Every way out that was tried while a report was written."""
    guard = tmp_path / "guard"
    guard.mkdir()
    (guard / "sitecustomize.py").write_text(GUARD)
    case, notebook = write_case(tmp_path / "case"), write_notebook(tmp_path / "nb", *cells)
    script = (
        "from sewer_audit.report import write_report\n"
        f"write_report({str(case)!r}, {str(tmp_path / 'out')!r}, {str(notebook)!r}, progress=False)"
    )
    environment = {
        **os.environ,
        "PYTHONPATH": f"{guard}{os.pathsep}{ROOT}",
        "NETWORK_LOG": str(tmp_path / "log"),
    }
    subprocess.run([sys.executable, "-c", script], env=environment, check=True, capture_output=True)
    return (tmp_path / "log").read_text().splitlines()


def test_a_report_stays_off_the_network(tmp_path):
    log = network_log(tmp_path)
    assert log.count("guarded") >= 2, "process and kernel are both guarded"
    assert not [line for line in log if line != "guarded"]


@pytest.mark.slow
def test_a_way_out_is_seen(tmp_path):
    assert "connect ('192.0.2.1', 9)" in network_log(tmp_path, TRY)


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sample") / "evidence"
    return write_report(sample_case(), folder, draws=2000, progress=False, pdf=True)


@pytest.mark.slow
@needs_browser
@pytest.mark.parametrize("width", [1280, 390])
def test_the_sample_page_is_quiet_and_fits(browser, sample, width):  # noqa: F811
    assert not faults_of(browser, sample.folder / "evidence.html", width)


@pytest.mark.slow
def test_the_sample_is_reproduced(sample):
    result = recheck(sample.folder)
    assert result.reproduced, str(result)
    assert result.figures > 500 and result.figures == result.exact


@pytest.mark.slow
def test_every_planted_difference_is_in_the_findings(sample):
    """Invoice arithmetic of the workbook, recomputed here, gives the stated line differences."""
    findings = json.loads((sample.folder / "findings.json").read_text())
    book = openpyxl.load_workbook(sample.folder / "tables.xlsx", data_only=True)
    rows = list(book["invoice arithmetic"].iter_rows(min_row=2, values_only=True))
    sums = {row[0]: row[6] for row in rows if row[1] == "sum"}
    for invoice in findings["invoices"]:
        total = invoice["invoiced_total"]
        stated_sum_error = round(total - float(sums[invoice["invoice"]]), 2)
        assert (stated_sum_error == 0) or invoice["line_differences"].get("total")


@pytest.mark.slow
def test_the_sample_names_no_place(sample):
    for path in sample.folder.iterdir():
        if path.is_file():
            content = path.read_bytes()
            for word in (str(sample.folder.parent), str(ROOT), "file://"):
                assert word.encode() not in content, f"{path.name} names {word}"
