"""The page of a draft: what lies there, what is proposed with pictures, what is asked."""

from __future__ import annotations

import base64
import html
import io
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pathlib import Path

    from sewer_audit.drafting.drafts import Draft

__all__ = ["form_of", "page_of", "picture_of"]

MOST = 4000
"""Points drawn of one record [-]."""
STYLE = (
    "body{font:14px sans-serif;margin:2em auto;max-width:64em}td,th{padding:3px 10px;text-align:"
    "left;vertical-align:top;border-bottom:1px solid #ccc}code{background:#f4f4f4}"
    "img{max-width:62em}"
)


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


def page_of(draft: Draft) -> str:
    """One self-contained page."""
    tell = html.escape
    files = "".join(f"<tr><td>{tell(look.file)}<td>{tell(look.what)}<td>{tell(look.why)}</tr>"
                    for look in draft.looks)  # fmt: skip
    parts = []
    for proposal in draft.found.proposals:
        rows = "".join(f"<tr><td><code>{tell(line.key)} = {tell(line.value)}</code>"
                       f"<td>{tell(line.evidence)}</tr>" for line in proposal.lines)  # fmt: skip
        refused = (
            f"<p><b>Cannot be read: {tell(proposal.refused)}</b></p>" if proposal.refused else ""
        )
        coded = [base64.b64encode(picture_of(*one)).decode() for one in proposal.pictures]
        pictures = "".join(f'<img alt="" src="data:image/png;base64,{one}">' for one in coded)
        parts.append(f"<h3>{tell(proposal.name)}</h3>{refused}<table>{rows}</table>{pictures}")
    asked = "".join(
        f"<tr><td><code>{tell(q.name)}</code><td>{tell(q.text)}<td>{tell(q.worth)}<td>{tell(q.hint)}"
        "</tr>" for q in draft.found.questions
    )  # fmt: skip
    return (
        f'<!doctype html><meta charset="utf-8"><title>First look</title><style>{STYLE}</style>'
        f"<h1>First look at {tell(draft.folder.name)}</h1><p>Nothing here counts until you take it."
        f"</p><h2>What lies there</h2><table>{files}</table><h2>Questions</h2><table><tr><th>name"
        f"<th>question<th>worth<th>what the notes say</tr>{asked}</table><h2>Proposals</h2>"
        + "".join(parts)
    )


def form_of(draft: Draft, out: Path):
    """The draft as a form for a notebook: nothing is ticked, nothing filled in beforehand."""
    import ipywidgets as widgets

    proposals = {proposal.name: proposal for proposal in draft.found.proposals}
    ticks = {
        name: widgets.Checkbox(
            value=False,
            description=f"take {name}" + (" (cannot be read as it stands)" if p.refused else ""),
            disabled=bool(p.refused),
            layout=widgets.Layout(width="95%"),
        )
        for name, p in proposals.items()
    }
    fields = {q.name: widgets.Text(value="", placeholder="open") for q in draft.found.questions}
    told = widgets.Output()

    def write(_: object) -> None:
        from sewer_audit.errors import InputRefused

        take = [name for name, tick in ticks.items() if tick.value]
        answers = {name: each.value.strip() for name, each in fields.items() if each.value.strip()}
        told.clear_output()
        with told:
            try:
                print("written:", draft.write(out, take, answers, again=True).name)
            except InputRefused as error:
                print(error)

    button = widgets.Button(description="write the case")
    button.on_click(write)
    parts = []
    for proposal in draft.found.proposals:
        lines = [f"<code>{html.escape(line.key)} = {html.escape(line.value)}</code> "
                 + html.escape(line.evidence) for line in proposal.lines]  # fmt: skip
        coded = [base64.b64encode(picture_of(*one)).decode() for one in proposal.pictures]
        shown = "".join(f'<img alt="" src="data:image/png;base64,{one}">' for one in coded)
        if ticks[proposal.name] not in parts:
            parts.append(ticks[proposal.name])
        parts.append(
            widgets.HTML(f"{'<br>'.join(lines)}<br>{html.escape(proposal.refused)}{shown}")
        )
    for question in draft.found.questions:
        said = [question.name, question.text, question.worth, question.hint]
        name, text, worth, hint = map(html.escape, said)
        words = f"<b>{name}</b> {text} <i>Worth: {worth}. {hint}"
        parts += [widgets.HTML(f"{words}</i>"), fields[question.name]]
    return widgets.VBox([*parts, button, told])
