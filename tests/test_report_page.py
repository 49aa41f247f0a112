"""The page: every kind of output arrives, nothing foreign acts, nothing is loaded."""

from __future__ import annotations

import importlib.metadata
import re

import nbformat
import pandas as pd
import pytest
from bs4 import BeautifulSoup

from sewer_audit.errors import ReportFailed
from sewer_audit.report.equations import equation_svg
from sewer_audit.report.folder.export import EvidenceExporter
from sewer_audit.report.folder.page import finish_page
from sewer_audit.report.show import figure_of, markdown_text, say, show_table, show_verdict
from sewer_audit.sources import SAID, register

DOT = "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJ"
DOT += "RU5ErkJggg=="


def output(data, metadata=None, kind="display_data"):
    return nbformat.v4.new_output(kind, data=data, metadata=metadata or {})


def shown(value):
    return output(value._repr_mimebundle_())


def notebook(*outputs, text="# Title\n\n## Verdict\n"):
    cell = nbformat.v4.new_code_cell("secret_code()", execution_count=1)
    cell.outputs = list(outputs)
    book = nbformat.v4.new_notebook()
    book.cells = [nbformat.v4.new_markdown_cell(text), cell]
    return book


def page_of(book, **keywords):
    page, _ = EvidenceExporter(**keywords).from_notebook_node(book)
    return page, BeautifulSoup(page, "html.parser")


FRAME = pd.DataFrame({"name": ["<b>pump</b>", "=x"], "volume [m3]": [1234.5, float("nan")]})


def test_every_kind_of_output_arrives():
    kinds = [
        output({"text/html": "<p>from html</p>", "text/plain": "x"}, kind="execute_result"),
        output({"text/markdown": "from **markdown**", "text/plain": "x"}),
        output({"image/png": DOT, "text/plain": "x"}, {"image/png": {"alt": "from png"}}),
        output(
            {"image/svg+xml": "<svg/>"}, {"image/svg+xml": {"alt": "from svg"}, "caption": "C."}
        ),
        output({"text/latex": "$from_{latex}$"}),
        output({"text/plain": "from plain <text>"}),
        nbformat.v4.new_output("stream", name="stdout", text="from stdout"),
        shown(show_table(FRAME, "From a table")),
        shown(show_verdict("from a verdict", "USD 5", {"a": "b"})),
        nbformat.v4.new_output("stream", name="stderr", text="from stderr"),
    ]
    page, soup = page_of(notebook(*kinds))
    for words in ("html", "plain &lt;text&gt;", "stdout", "a verdict"):
        assert f"from {words}" in page
    assert soup.find("strong").text == "markdown"
    assert {i["alt"] for i in soup.find_all("img")} == {"from png", "from svg"}
    assert soup.find("svg", attrs={"aria-label": "from_{latex}"})
    assert "Table 1. From a table" in soup.find("figure", class_="table").text
    assert "from stderr" not in page and "secret_code" not in page


def test_the_page_stands_alone():
    page, soup = page_of(notebook(output({"image/png": DOT}, {"image/png": {"alt": "dot"}})))
    assert not soup.find_all(["script", "link", "iframe"])
    assert not re.search(r"https?://", page)
    assert "default-src 'none'" in page
    assert soup.html["lang"] == "en" and soup.title.text == "Title"


def test_the_same_notebook_gives_the_same_bytes():
    book = notebook(shown(show_table(FRAME, "T")), text="# T\n\n$x^2$")
    assert page_of(book)[0] == page_of(book)[0]


@pytest.mark.parametrize(
    "markup, gone",
    [
        ("<script>alert(1)</script><p>x</p>", "alert"),
        ("<p onclick='alert(1)'>x</p>", "onclick"),
        ("<a href='javascript:alert(1)'>x</a>", "javascript"),
        ("<p style='background:url(http://x.test)'>x</p>", "x.test"),
        ("<iframe src='http://x.test'></iframe>", "x.test"),
        ("<link rel=stylesheet href='http://x.test'>", "x.test"),
        ("<!-- note -->", "note"),
        ("<form action='http://x.test'></form>", "x.test"),
    ],
)
def test_what_acts_or_loads_is_taken_out(markup, gone):
    page, _ = page_of(notebook(output({"text/html": markup})))
    assert gone not in page


@pytest.mark.parametrize(
    "data, metadata, message",
    [
        ({"image/png": DOT}, {}, "no alternative text"),
        ({"image/svg+xml": "<svg/>"}, {"image/svg+xml": {"alt": "  "}}, "no alternative text"),
        ({"text/html": "<img src='data:image/png;base64,x'>"}, {}, "no alternative text"),
        ({"text/html": "<img alt=a src='http://x.test/a.png'>"}, {}, "would load 'http://x.test"),
    ],
)
def test_a_figure_without_text_or_from_elsewhere_is_refused(data, metadata, message):
    with pytest.raises(ReportFailed, match=message):
        page_of(notebook(output(data, metadata)))


def test_headings_are_unique_and_listed():
    text = "# T\n\n## Verdict\n\n### Why\n\n## Verdict\n\n### Why\n\n## Ünï & <x>"
    _, soup = page_of(notebook(text=text))
    ids = [element["id"] for element in soup.find_all(id=True)]
    assert len(ids) == len(set(ids)) == 6
    links = [a["href"][1:] for a in soup.nav.find_all("a")]
    assert links == [i for i in ids if i != "t"]
    assert soup.nav.find_previous("h2")["id"] == "verdict", "the verdict stands before the contents"


def test_raw_html_in_markdown_is_text():
    page, _ = page_of(notebook(text="# T\n\n<script>alert(1)</script> and <b>bold</b>"))
    assert "&lt;script&gt;" in page and "&lt;b&gt;bold" in page


def test_values_in_markdown_do_not_act():
    name = "*a* _b_ `c` [d](http://e) <f> $g$ # h\n\n- i | j ![k](l) https://m.test"
    _, soup = page_of(notebook(shown(say("Name **{name}**.", name=name))))
    paragraph = soup.main.find("p", recursive=False)
    assert soup.find("strong").text == " ".join(name.split())
    assert not paragraph.find_all(["em", "code", "a", "li", "img", "svg"])
    assert "&#" in markdown_text("*")


@pytest.mark.parametrize(
    "value, text",
    [
        (1234.5678, "1,235"),
        (0.0012345, "0.001234"),
        (float("nan"), "–"),
        (None, "–"),
        (pd.NaT, "–"),
        (True, "yes"),
        (pd.Timestamp("2026-01-02 03:04"), "2026-01-02 03:04"),
        (-0.0001, "-0.0001"),
        (float("inf"), "unlimited"),
        (12, "12"),
    ],
)
def test_figures_are_written_as_people_read_them(value, text):
    assert figure_of(value) == text


def test_a_rounded_zero_has_no_sign():
    assert figure_of(-0.001, 2) == "0.00"


def test_tables_escape_and_align():
    shown_table = show_table(FRAME, "<i>cap</i>", {"volume [m3]": 1}, sums=(1,))
    soup = BeautifulSoup(shown_table.markup, "html.parser")
    assert not soup.find(["b", "i"])
    assert [td.text for td in soup.find_all("td")] == ["<b>pump</b>", "1,234.5", "=x", "–"]
    assert soup.find_all("td")[1]["class"] == ["number"]
    assert soup.find("tr", class_="sum").td.text == "=x"
    assert str(shown_table).splitlines()[1] == "name | volume [m3]"


def test_an_equation_is_drawn_without_fonts_or_identities():
    drawing = equation_svg(r"V = \sum_k \frac{1}{2}(Q_k + Q_{k+1})\,\Delta t", display=True)
    assert drawing == equation_svg(r"V = \sum_k \frac{1}{2}(Q_k + Q_{k+1})\,\Delta t", display=True)
    assert "<path" in drawing and " id=" not in drawing and "<text" not in drawing


@pytest.mark.parametrize("tex", [r"\nosuch x", r"\begin{aligned}a\end{aligned}", " ", "a_{"])
def test_an_equation_that_cannot_be_drawn_is_refused(tex):
    with pytest.raises(ReportFailed, match=r"cannot be drawn|draws nothing"):
        equation_svg(tex)


def test_an_unfinished_notebook_is_refused():
    with pytest.raises(ReportFailed, match="cell 2 of the notebook was not run"):
        book = notebook()
        book.cells[1].execution_count = None
        page_of(book)
    with pytest.raises(ReportFailed, match="cell 2 of the notebook stopped with an error"):
        error = nbformat.v4.new_output("error", ename="E", evalue="v", traceback=[])
        page_of(notebook(error))


def test_a_page_without_body_is_refused():
    with pytest.raises(ReportFailed, match="no body"):
        finish_page("<html></html>")


def test_paper():
    assert "size: letter" in page_of(notebook(), paper="Letter")[0]
    with pytest.raises(ReportFailed, match="use A4 or Letter"):
        page_of(notebook(), paper="A0")


def test_a_deliver_cell_leaves_no_trace():
    book = notebook(output({"text/plain": "handed over"}))
    book.cells[1].metadata["tags"] = ["deliver"]
    assert "handed over" not in page_of(book)[0]


def test_nbconvert_finds_the_exporter():
    """Only where the package is installed; a checkout on the path has no entry points."""
    found = importlib.metadata.entry_points(group="nbconvert.exporters", name="sewer_evidence")
    if not found:
        pytest.skip("the package is not installed here")
    assert next(iter(found)).load() is EvidenceExporter


def test_figures_of_the_verdict_stay_on_one_line():
    shown = show_verdict("a", "USD 1,234 & 5 %", {"b": "2026-01-02 to <b>"})
    assert "USD\N{NO-BREAK SPACE}1,234 &amp; 5\N{NO-BREAK SPACE}%" in shown.markup
    assert '<span class="whole">2026-01-02</span> to &lt;b&gt;' in shown.markup
    assert "USD 1,234 & 5 %" in str(shown), "the plain text is as it was"


def test_a_source_stands_once_and_every_cell_leads_to_it():
    first, second = (each for each in list(register().values())[:2])
    cells = [f"{first}; {second}", f"as found [{first}]", "common practice of the trade, no source"]
    page, soup = page_of(notebook(shown(show_table(pd.DataFrame({"source": cells}), "Sources"))))
    listed = soup.select("ol.sources > li")
    assert len(listed) == 2
    assert str(first) in listed[0].get_text() and str(second) in listed[1].get_text()
    links = [(a.get_text(), a["href"]) for a in soup.select("td a")]
    assert [href for _, href in links] == ["#source-1", "#source-2", "#source-1"]
    assert {item["id"] for item in listed} == {"source-1", "source-2"}
    grades = {SAID[each.grade] for each in (first, second)} - {"read"}
    assert all(any(grade in text for text, _ in links) for grade in grades)
    assert page.count(str(first)) == 1 and "common practice of the trade, no source" in page
