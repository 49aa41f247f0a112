"""The page that leads from each figure of an invoice to where it is printed."""

from __future__ import annotations

import html
import os
from pathlib import PurePosixPath

from sewer_audit.case import Case

__all__ = ["PRINTED", "printed_page"]

FIELDS = ("invoice", "field", "value", "printed")
PRINTED = "printed_figures.html"
STYLE = (
    "body{font:14px sans-serif;margin:2em}td,th{padding:3px 10px;text-align:left;"
    "border-bottom:1px solid #ccc}"
)


def printed_page(case: Case, local: str) -> str:
    """A row for each figure that was read from a bill, with its page and picture; "" without any.

    local: where the packed case file lies in the folder.
    """
    if not case.printed_figures:
        return ""
    start = PurePosixPath(local).parent

    def link(name: str) -> str:
        return html.escape(os.path.normpath(start / name).replace("\\", "/"))

    rows = []
    for row in case.printed_figures:
        cells = [
            html.escape(row.get(key) or "") for key in ("invoice", "field", "value", "printed")
        ]
        bill = f'<a href="{link(row["file"])}">page {html.escape(row.get("page") or "")}</a>'
        picture = f'<img alt="" loading="lazy" src="{link(row["crop"])}">' if row["crop"] else ""
        told = html.escape(row.get("told_by") or "")
        rows.append(f"<tr><td>{'<td>'.join(cells)}<td>{bill}<td>{told}<td>{picture}</tr>")
    head = "<th>".join(
        ("invoice", "field", "figure", "printed as", "bill", "vouched by", "picture")
    )
    return (
        f'<!doctype html><meta charset="utf-8"><title>Printed figures</title><style>{STYLE}</style>'
        "<h1>Where each figure of the invoices is printed</h1><p>Vouched by: the arithmetic of the "
        "page, the label beside the figure, or a person who looked at the picture.</p>"
        f"<table><tr><th>{head}</tr>{''.join(rows)}</table>\n"
    )
