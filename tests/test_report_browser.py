"""The page as a person sees it: in a browser without a network, wide and narrow, and on paper."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys

import nbformat
import pandas as pd
import pytest

from sewer_audit.charts import drawing
from sewer_audit.report.folder import pdf as report_pdf
from sewer_audit.report.folder.export import EvidenceExporter
from sewer_audit.report.folder.pdf import print_page
from sewer_audit.report.show import show_table, show_verdict
from test_charts_figures import PICTURES

BROWSER = shutil.which("chromium") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
needs_browser = pytest.mark.skipif(not (BROWSER and DRIVER), reason="no browser on this machine")


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    wide = pd.DataFrame({f"column {n} [m3]": [1234.5678] * 30 for n in range(14)})
    wide["remark"] = "a remark that wants much room " * 3 + "and-a-word-without-a-break" * 4
    outputs = [
        show_verdict(
            "Billed volume too high in 2 of 12 invoices", "USD 1,234 ± 56", {"Record": "98 %"}
        ),
        show_table(wide, "A wide table"),
    ]
    cell = nbformat.v4.new_code_cell("x", execution_count=1)
    cell.outputs = [nbformat.v4.new_output("display_data", o._repr_mimebundle_()) for o in outputs]
    for name in ("invoices", "balance"):
        picture = PICTURES[name]()
        data = {"image/svg+xml": drawing(picture.figure, "svg").decode()}
        about = {"image/svg+xml": {"alt": picture.alt}, "caption": "A caption."}
        cell.outputs.append(nbformat.v4.new_output("display_data", data, metadata=about))
    long = r"$$V = \sum_{k=1}^{n} \frac{Q_k + Q_{k+1}}{2}\,\Delta t_k" + " + x" * 20 + "$$"
    text = (
        f"# A title of some length, so that it wraps\n\n## Verdict\n\nText with $x^2$.\n\n{long}\n"
    )
    book = nbformat.v4.new_notebook()
    book.cells = [
        nbformat.v4.new_markdown_cell(text),
        cell,
        nbformat.v4.new_markdown_cell("## Second part\n\n`" + "code" * 60 + "`\n\n### Third"),
    ]
    path = tmp_path_factory.mktemp("page") / "evidence.html"
    path.write_text(EvidenceExporter().from_notebook_node(book)[0])
    return path


@pytest.fixture(scope="module")
def browser():
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for argument in ("--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    with webdriver.Chrome(options, Service(DRIVER)) as driver:
        yield driver


def faults_of(driver, path, width: int) -> list[str]:
    """What is wrong with a page opened at one width."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    driver.get_log("performance")
    driver.get(path.as_uri())
    found = [f"console: {entry['message']}" for entry in driver.get_log("browser")]
    for entry in driver.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            address = message["params"]["request"]["url"]
            if not address.startswith(("data:", path.as_uri())):
                found.append(f"request: {address}")
    room = driver.execute_script(
        "return [document.documentElement.scrollWidth, window.innerWidth,"
        " [...document.images].filter(i => !i.alt.trim() || !i.naturalWidth).length,"
        " [...document.querySelectorAll('[id]')].length"
        " - new Set([...document.querySelectorAll('[id]')].map(e => e.id)).size]"
    )
    if room[0] > room[1]:
        found.append(f"{room[0]} px wide in a window of {room[1]} px")
    if room[2]:
        found.append(f"{room[2]} pictures without text or not drawn")
    if room[3]:
        found.append("an address is used twice")
    return found


@needs_browser
@pytest.mark.parametrize("width", [1280, 390])
def test_the_page_is_quiet_and_fits(browser, page, width):
    assert not faults_of(browser, page, width)


@needs_browser
def test_faults_are_found(browser, tmp_path):
    path = tmp_path / "bad.html"
    path.write_text(
        "<img src='http://127.0.0.1:9/a.png'><p id=a></p><p id=a></p>"
        "<div style='width:3000px'>x</div><script>console.error('no')</script>"
    )
    found = " ".join(faults_of(browser, path, 390))
    for words in ("console:", "request:", "px wide", "without text", "used twice"):
        assert words in found


@needs_browser
def test_every_entry_of_the_contents_leads_somewhere(browser, page):
    browser.get(page.as_uri())
    script = (
        "return [...document.querySelectorAll('nav a')]"
        ".filter(a => !document.querySelector(a.getAttribute('href'))).length"
    )
    assert browser.execute_script(script) == 0


@pytest.mark.slow
@needs_browser
def test_the_page_prints_with_numbers(page, tmp_path, monkeypatch):
    target = tmp_path / "evidence.pdf"
    monkeypatch.setattr(report_pdf.importlib.util, "find_spec", lambda name: None)
    printed = print_page(page, target)
    assert printed.done and "the browser" in printed.way, printed.message
    assert b"file://" not in target.read_bytes()
    text = subprocess.run(["pdftotext", "-layout", target, "-"], capture_output=True, text=True)
    assert "Page 1 of" in text.stdout and "Billed volume too high" in text.stdout


@pytest.mark.slow
def test_the_library_prints_with_numbers(page, tmp_path):
    """The real WeasyPrint, where it is installed with its system libraries."""
    pytest.importorskip("weasyprint", reason="WeasyPrint is not installed on this machine")
    target = tmp_path / "evidence.pdf"
    printed = print_page(page, target)
    assert printed.done and printed.way == "the PDF library WeasyPrint", printed.message
    assert b"file://" not in target.read_bytes()
    text = subprocess.run(["pdftotext", "-layout", target, "-"], capture_output=True, text=True)
    assert "Page 1 of" in text.stdout and "Billed volume too high" in text.stdout
    fonts = subprocess.run(["pdffonts", target], capture_output=True, text=True).stdout
    assert "Bold" in fonts, "the finding is set in bold"


def test_without_any_way_to_print_a_sentence_says_how(page, tmp_path, monkeypatch):
    monkeypatch.setattr(report_pdf, "_ways", list)
    printed = print_page(page, tmp_path / "evidence.pdf")
    assert not printed.done and printed.way == "by hand"
    assert printed.message.endswith("open evidence.html in a browser and print it to PDF")


def test_a_way_that_fails_is_named_and_the_next_is_tried(page, tmp_path, monkeypatch):
    def crash(source, target):
        target.write_bytes(b"%PDF-half")
        return report_pdf._run([sys.executable, "-c", "raise SystemExit('out of paper')"])

    def work(source, target):
        target.write_bytes(b"%PDF-1.7 whole")

    target = tmp_path / "evidence.pdf"
    monkeypatch.setattr(report_pdf, "_ways", lambda: [("first", crash), ("second", work)])
    assert print_page(page, target).way == "second" and target.read_bytes().endswith(b"whole")
    monkeypatch.setattr(report_pdf, "_ways", lambda: [("first", crash)])
    printed = print_page(page, target)
    assert "first: ended with code 1 (out of paper)" in printed.message and not target.exists()
