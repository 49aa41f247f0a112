"""The page that leads from each figure of an invoice to where it is printed, and links to it."""

from __future__ import annotations

import html
import os
from collections.abc import Mapping
from pathlib import PurePosixPath
from typing import Any

import pandas as pd

from sewer_audit.case import Case

PRINTED = "printed_figures.html"
HEADS = ("invoice", "field", "figure", "printed as", "bill", "place on the page [point]",
         "vouched by", "picture", "SHA-256 of the bill")  # fmt: skip
STYLE = (
    "body{font:14px sans-serif;margin:2em}td,th{padding:3px 10px;text-align:left;"
    "border-bottom:1px solid #ccc}:target{background:#ffc}"
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
    for number, row in enumerate(case.printed_figures):
        told = {name: html.escape(row.get(name) or "") for name in row}
        picture = f'<img alt="" loading="lazy" src="{link(row["crop"])}">' if row["crop"] else ""
        cells = [told.get(name, "") for name in ("invoice", "field", "value", "printed")]
        cells += [
            f'<a href="{link(row["file"])}">page {told.get("page", "")}</a>',
            " ".join(told.get(name, "") for name in ("x0", "y0", "x1", "y1")),
            told.get("told_by", ""),
            picture,
            f"<small>{told.get('sha256', '')}</small>",
        ]
        rows.append(f'<tr id="f{number}"><td>{"<td>".join(cells)}</tr>')
    return (
        f'<!doctype html><meta charset="utf-8"><title>Printed figures</title><style>{STYLE}</style>'
        "<h1>Where each figure of the invoices is printed</h1><p>Vouched by: the arithmetic of the "
        "page, the label beside the figure, or a person who looked at the picture.</p>"
        f"<table><tr><th>{'<th>'.join(HEADS)}</tr>{''.join(rows)}</table>\n"
    )


def line_field(line: str) -> str:
    """What the table of printed figures calls a line of an invoice."""
    return line if line == "total" else f"line:{line}"


def with_links(
    result: Any, frame: pd.DataFrame, fields: Mapping[tuple[int, str], tuple[str, str]]
) -> pd.DataFrame:
    """A table whose printed figures lead to the page that shows where each is printed.

    Units: result [SI].

    fields: row and head of a cell to the invoice and field it shows. Only inside an evidence
    folder, where that page lies, are there links.
    """
    case = result.case
    if not any((folder / PRINTED).is_file() for folder in case.file.parents):
        return frame
    places = {(row["invoice"], row["field"]): n for n, row in enumerate(case.printed_figures)}
    frame.attrs["links"] = {
        cell: f"{PRINTED}#f{places[field]}" for cell, field in fields.items() if field in places
    }
    return frame
