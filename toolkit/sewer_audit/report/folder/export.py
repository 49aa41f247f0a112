"""An executed notebook becomes one page that stands alone.

The page holds no code, no script and no address to load from; every figure has a text in its
place; headings have an address of their own and a table of contents. A notebook that failed, or
did not run to its end, is refused.
"""

from __future__ import annotations

import base64
import html
from pathlib import Path
from typing import Any

from nbconvert.exporters import HTMLExporter
from nbconvert.filters.markdown_mistune import IPythonRenderer, MarkdownWithMath
from traitlets import Unicode, default
from traitlets.config import Config

from sewer_audit.errors import ReportFailed
from sewer_audit.report.equations import equation_svg
from sewer_audit.report.folder.fonts import font_css
from sewer_audit.report.folder.page import finish_page

PAPERS = {"": "", "A4": "A4", "Letter": "letter"}
SHOWN = ("text/html", "text/markdown", "image/svg+xml", "image/png", "text/latex", "text/plain")


class _Renderer(IPythonRenderer):
    """Markdown to HTML: raw HTML is shown as text, equations are drawn."""

    def text(self, text: str) -> str:
        return html.escape(html.unescape(text), quote=False)

    def block_math(self, body: str) -> str:
        return equation_svg(body, display=True)

    def inline_math(self, body: str) -> str:
        return equation_svg(body)

    def latex_environment(self, name: str, body: str) -> str:
        raise ReportFailed(f"the equation environment {name!r} cannot be drawn; use $$ … $$")


class EvidenceExporter(HTMLExporter):
    """Notebook to one self-contained page; ``jupyter nbconvert --to sewer_evidence`` uses it too.

    Notes
    -----
    The notebook is executed before beforehand, never by the export: a conversion that executes
    drops tagged cells before it runs them.
    """

    export_from_notebook = "Evidence page"
    paper = Unicode("", help="A4 or Letter; empty leaves the choice to the printer").tag(
        config=True
    )

    @default("template_name")
    def _template_name_default(self) -> str:
        return "page"

    @default("extra_template_basedirs")
    def _extra_template_basedirs_default(self) -> list[str]:
        return [str(Path(__file__).parent / "template")]

    @property
    def default_config(self) -> Config:
        """No code, no prompts, no scripts; cells tagged ``deliver`` or ``aside`` are left out."""
        settings = super().default_config.copy()
        settings.merge(
            Config(
                {
                    "NbConvertBase": {"display_data_priority": list(SHOWN)},
                    "HighlightMagicsPreprocessor": {"enabled": False},
                    "TagRemovePreprocessor": {
                        "enabled": True,
                        "remove_cell_tags": {"deliver", "aside", "injected-parameters"},
                    },
                }
            )
        )
        return settings

    def markdown2html(self, context: Any, source: str) -> str:
        """Markdown of a cell or an output as HTML."""
        renderer = _Renderer(escape=True, exclude_anchor_links=True)
        return MarkdownWithMath(renderer=renderer).render(source)

    markdown2html.jinja_pass_arg = HTMLExporter.markdown2html.jinja_pass_arg  # type: ignore

    def from_notebook_node(self, nb, resources=None, **keywords):
        """Export a notebook."""
        if self.paper not in PAPERS:
            raise ReportFailed(f"paper {self.paper!r} is not known; use A4 or Letter")
        _refuse_unfinished(nb)
        resources = dict(resources or {})
        resources["paper_css"] = (
            f"@page {{ size: {PAPERS[self.paper]}; }}" if PAPERS[self.paper] else ""
        )
        page, resources = super().from_notebook_node(nb, resources, **keywords)
        page = finish_page(page)
        return page.replace("</style>", f"</style>\n<style>{font_css(page)}</style>", 1), resources

    def default_filters(self):
        """Filters of the template: those of nbconvert and the figure."""
        yield from super().default_filters()
        yield "figure", figure_html


def figure_html(output: Any, kind: str) -> str:
    """One picture of an output as a figure with its text and caption."""
    metadata = {**output.metadata, **output.metadata.get(kind, {})}
    text = str(metadata.get("alt", "")).strip()
    if not text:
        raise ReportFailed("a figure has no alternative text; show it with sewer_audit.charts.show")
    data = output.data[kind]
    if kind == "image/svg+xml":
        data = base64.b64encode(data.encode()).decode()
    source = f"data:{kind};base64,{''.join(data.split())}"
    caption = str(metadata.get("caption", "")).strip()
    below = f"<figcaption>{html.escape(caption)}</figcaption>" if caption else ""
    return f'<figure><img alt="{html.escape(text, quote=True)}" src="{source}">{below}</figure>'


def _refuse_unfinished(nb: Any) -> None:
    """Refuse a notebook that failed or did not run to its end."""
    for number, cell in enumerate(nb.cells, start=1):
        if cell.cell_type != "code" or not cell.source.strip():
            continue
        if any(output.output_type == "error" for output in cell.outputs):
            raise ReportFailed(f"cell {number} of the notebook stopped with an error")
        if cell.execution_count is None:
            raise ReportFailed(f"cell {number} of the notebook was not run")
