"""A draft as a page and as a form: what lies there, proposals with pictures, questions."""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pathlib import Path

    from sewer_audit.drafting.drafts import Draft
    from sewer_audit.drafting.proposing import Proposal, Question

MOST = 4000
"""Points drawn of one record [-]."""
STYLE = (
    "body{font:14px sans-serif;margin:2em auto;max-width:64em}td,th{padding:3px 10px;text-align:"
    "left;vertical-align:top;border-bottom:1px solid #ccc}code{background:#f4f4f4}"
    "img{max-width:62em}"
)
NOTHING = "Nothing here counts until you take it."


def picture_of(title: str, times: np.ndarray, values: np.ndarray) -> bytes:
    """A record as it would be read, as PNG; at most `MOST` points, evenly taken."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 2.2), layout="constrained")
    axes = figure.subplots()
    step = max(1, len(times) // MOST)
    axes.plot(times[::step], values[::step], ".", markersize=1.5, color="tab:blue")
    axes.set_title(title, fontsize=9)
    axes.tick_params(labelsize=8)
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=90)
    return stream.getvalue()


def groups_of(draft: Draft) -> Iterator[tuple[str, list[Proposal], list[Question]]]:
    """What is taken by one name, with the questions that belong to it; the site comes first."""
    found = draft.found
    groups: dict[str, tuple[list, list]] = {"": ([], [])}
    for proposal in found.proposals:
        groups.setdefault(proposal.name, ([], []))[0].append(proposal)
    for question in found.questions:
        groups.setdefault(question.name.rpartition(".")[0], ([], []))[1].append(question)
    for name, (proposals, questions) in groups.items():
        yield name, proposals, questions


def _lines(proposals: Sequence[Proposal]) -> str:
    """Proposed lines with their evidence, and the record as it would be read so."""
    tell, parts = html.escape, []
    for proposal in proposals:
        if proposal.refused:
            parts.append(f"<p><b>Cannot be read: {tell(proposal.refused)}</b></p>")
        rows = "".join(f"<tr><td><code>{tell(line.key)} = {tell(line.value)}</code>"
                       f"<td>{tell(line.evidence)}</tr>" for line in proposal.lines)  # fmt: skip
        parts.append(f"<table>{rows}</table>")
        for title, times, values in proposal.pictures:
            coded = base64.b64encode(picture_of(title, times, values)).decode()
            parts.append(f'<img alt="{tell(title)}" src="data:image/png;base64,{coded}">')
    return "".join(parts)


def _asked(question: Question) -> str:
    name, text, worth, hint = map(
        html.escape, (question.name, question.text, question.worth, question.hint)
    )
    return f"<b>{name}</b> {text} <i>Worth: {worth}. {hint}</i>"


def body_of(draft: Draft) -> str:
    """Files, and each proposal with its pictures beside the questions that belong to it."""
    tell = html.escape
    files = "".join(f"<tr><td>{tell(look.file)}<td>{tell(look.what)}<td>{tell(look.why)}</tr>"
                    for look in draft.looks)  # fmt: skip
    parts = [f"<p>{NOTHING}</p><h3>What lies there</h3><table>{files}</table>"]
    for name, proposals, questions in groups_of(draft):
        asked = "".join(f"<li>{_asked(question)}</li>" for question in questions)
        parts.append(f"<h3>{tell(name) or 'the site'}</h3>{_lines(proposals)}<ul>{asked}</ul>")
    return "".join(parts)


def page_of(draft: Draft) -> str:
    """One self-contained page."""
    name = html.escape(draft.folder.name)
    return (
        f'<!doctype html><meta charset="utf-8"><title>First look</title><style>{STYLE}</style>'
        f"<h1>First look at {name}</h1>{body_of(draft)}"
    )


def form_of(draft: Draft, out: Path):
    """The draft as a form for a notebook: nothing is ticked, nothing filled in beforehand."""
    import ipywidgets as widgets

    ticks, fields, parts = {}, {}, []
    for name, proposals, questions in groups_of(draft):
        refused = any(proposal.refused for proposal in proposals)
        if proposals:
            ticks[name] = widgets.Checkbox(
                value=False,
                description=f"take {name}" + " (cannot be read as it stands)" * refused,
                disabled=refused,
                layout=widgets.Layout(width="95%"),
            )
            parts += [ticks[name], widgets.HTML(_lines(proposals))]
        for question in questions:
            fields[question.name] = widgets.Text(value="", placeholder="open")
            parts += [widgets.HTML(_asked(question)), fields[question.name]]
    told, before = widgets.Output(), draft.written(out)

    def write(_: object) -> None:
        from sewer_audit.errors import InputRefused

        take = [name for name, tick in ticks.items() if tick.value]
        answers = {name: each.value.strip() for name, each in fields.items() if each.value.strip()}
        told.clear_output()
        with told:
            try:
                print("written:", draft.write(out, take, answers, before=before).name)
            except InputRefused as error:
                print(error)

    button = widgets.Button(description="write the case")
    button.on_click(write)
    return widgets.VBox([*parts, button, told])
