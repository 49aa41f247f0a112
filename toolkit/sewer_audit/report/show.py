"""What notebooks show: sentences, tables and the verdict, with every foreign word made harmless.

Names and comments come from other people's files. In HTML they are escaped; in Markdown each sign
with a meaning is written as its character number, which every reader of Markdown shows as the sign
itself and none acts upon.
"""

from __future__ import annotations

import html
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import pandas as pd

from sewer_audit.wording import Words

__all__ = [
    "MANHOLE",
    "Shown",
    "bullets",
    "figure_of",
    "markdown_text",
    "say",
    "show_caution",
    "show_table",
    "show_verdict",
    "table",
    "tell",
]

SIGNS = re.compile(r"[\\`*_{}\[\]()<>#+!|~$&^:@=\"'-]")
MANHOLE = """\
A sewer manhole is a confined space, and so may a meter pit, a valve chamber or a vault be. Sewer \
gas (hydrogen sulphide, methane, want of oxygen) gathers in all of them, kills without warning, \
and kills the one who climbs after the first. Read from above, or by remote display, where possible.

Entry needs what the local rules require: permit, gas test before and during the stay, \
ventilation, retrieval gear, a second person above, training. A pit can be flooded: electrical \
equipment that stands in or beside water is switched off and secured first. Guard against traffic \
before lifting a cover or a pit lid, and lift it with the proper tool.

Electrical equipment in a sewer atmosphere must be made for explosive atmospheres; work on fixed \
wiring is for licensed electricians. Changes to meters, flumes and plumbing may need the consent \
of the authority and a licensed trade. Local codes prevail over anything said here."""
"""The usual caution for people at a sewer [text]."""

CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")


@dataclass(frozen=True)
class Shown:
    """Something a notebook shows as a page part, with a plain text in its place."""

    markup: str
    plain: str
    kind: str = "text/html"

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, str]:
        return {self.kind: self.markup, "text/plain": self.plain}

    def __str__(self) -> str:
        return self.plain

    __repr__ = __str__


def markdown_text(text: object) -> str:
    """Text from a file, safe inside Markdown."""
    line = " ".join(CONTROL.sub(" ", str(text)).split())
    return SIGNS.sub(lambda sign: f"&#{ord(sign[0])};", line)


def say(sentence: str, /, **values: object) -> Shown:
    """One paragraph (or list) of Markdown, with values filled in safely.

    Parameters
    ----------
    sentence : str
        Markdown with ``{name}`` where a value belongs [text].
    **values : object
        The values; text is made harmless, numbers are shown by :func:`figure_of` [-].

    Returns
    -------
    Shown
        Displayed by a notebook as its last value [text].
    """
    safe = {name: markdown_text(figure_of(value)) for name, value in values.items()}
    plain = sentence.format(**{name: figure_of(value) for name, value in values.items()})
    return Shown(sentence.format(**safe), plain, "text/markdown")


def tell(words: Words, code: str, /, **values: object) -> Shown:
    """The sentence of a code as a paragraph, with its values made harmless.

    Parameters
    ----------
    words : Words
        Units and writing of the case [-].
    code : str
        Of the template [text].
    **values : object
        What it is filled with [-].

    Returns
    -------
    Shown
        Displayed by a notebook as its last value [text].
    """
    safe, plain = words(code, markdown_text, **values), words(code, **values)
    return Shown(safe, plain, "text/markdown")


def table(
    words: Words,
    code: str,
    columns: Any,
    digits: Mapping[str, int] | int | None = None,
    sums: Sequence[int] = (),
    **values: object,
) -> Shown:
    """A table by its code: ``caption``, ``heads`` by name, and what is said where it is empty."""
    frame = words.frame(f"{code}.heads", columns, **values)
    if frame.empty:
        return tell(words, f"{code}.empty", **values)
    if isinstance(digits, Mapping):
        digits = {words(f"{code}.heads.{name}"): places for name, places in digits.items()}
    return show_table(frame, words(f"{code}.caption", **values), digits, sums)


def bullets(sentences: list[str], empty: str) -> Shown:
    """Sentences as a list, safe inside Markdown."""
    if not sentences:
        return say(empty)
    lines = [f"- {markdown_text(sentence)}" for sentence in sentences]
    plain = "\n".join(f"- {sentence}" for sentence in sentences)
    return Shown("\n".join(lines), plain, "text/markdown")


def figure_of(value: Any, digits: int | None = None) -> str:
    """A value as people read it."""
    if value is None or value is pd.NaT:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d %H:%M" if value.second == 0 else "%Y-%m-%d %H:%M:%S")
    if isinstance(value, Decimal):
        return f"{value:,}"
    if isinstance(value, int):
        return f"{value:,}"
    if hasattr(value, "item"):
        return figure_of(value.item(), digits)
    if isinstance(value, float):
        return _number(value, digits)
    return str(value)


def _number(value: float, digits: int | None) -> str:
    if math.isnan(value):
        return "–"
    if math.isinf(value):
        return "unlimited" if value > 0 else "-unlimited"
    if digits is None:
        size = 0 if value == 0 else math.floor(math.log10(abs(value)))
        digits = max(0, 3 - size)
        if digits > 6:
            return f"{value:.3g}"
    text = f"{value:,.{digits}f}"
    return text.lstrip("-") if not text.strip("-0.,") else text


def show_table(
    frame: pd.DataFrame,
    caption: str,
    digits: Mapping[str, int] | int | None = None,
    sums: Sequence[int] = (),
) -> Shown:
    """A table for a page: caption, heads as they are, numbers to the right."""
    wanted = digits if isinstance(digits, Mapping) else dict.fromkeys(frame.columns, digits)
    heads = [str(name) for name in frame.columns]
    numeric = [_is_numeric(frame[name]) for name in frame.columns]
    cells = [
        [figure_of(value, wanted.get(name)) for name, value in zip(frame.columns, row, strict=True)]
        for row in frame.itertuples(index=False, name=None)
    ]
    links = frame.attrs.get("links", {})
    return Shown(
        _html_table(heads, numeric, cells, caption, set(sums), links), _text(heads, cells, caption)
    )


def _is_numeric(column: pd.Series) -> bool:
    if pd.api.types.is_bool_dtype(column):
        return False
    if pd.api.types.is_numeric_dtype(column):
        return True
    values = column.dropna()
    return bool(len(values)) and all(isinstance(v, (Decimal, float, int)) for v in values)


def _html_table(
    heads: list[str],
    numeric: list[bool],
    cells: list[list[str]],
    caption: str,
    sums: set[int],
    links: Mapping[tuple[int, str], str],
) -> str:
    def mark(place: int) -> str:
        if numeric[place]:
            return ' class="number"'
        longest = max((len(row[place]) for row in cells), default=0)
        figures = all(any(c.isdigit() for c in row[place]) or len(row[place]) < 4 for row in cells)
        whole = longest <= (22 if figures else 14)  # words of two or three may part, figures not
        return ' class="words"' if longest > 40 else ' class="short"' if whole else ""

    marks = [mark(place) for place in range(len(heads))]
    top = "".join(
        f'<th scope="col"{m}>{html.escape(head)}</th>' for m, head in zip(marks, heads, strict=True)
    )
    rows = []
    for number, row in enumerate(cells):
        inner = ""
        for m, head, cell in zip(marks, heads, row, strict=True):
            shown, to = html.escape(CONTROL.sub(" ", cell)), links.get((number, head))
            inner += f'<td{m}><a href="{to}">{shown}</a></td>' if to else f"<td{m}>{shown}</td>"
        rows.append(f'<tr class="sum">{inner}</tr>' if number in sums else f"<tr>{inner}</tr>")
    return (
        f"<table><caption>{html.escape(caption)}</caption><thead><tr>{top}</tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table>"
    )


def _text(heads: list[str], cells: list[list[str]], caption: str) -> str:
    lines = [caption, " | ".join(heads)]
    return "\n".join(lines + [" | ".join(CONTROL.sub(" ", cell) for cell in row) for row in cells])


def show_caution(text: str) -> Shown:
    """A caution for people, set off from everything else.

    Parameters
    ----------
    text : str
        Paragraphs, parted by blank lines [text].

    Returns
    -------
    Shown
        Displayed by a notebook as its last value [text].
    """
    paragraphs = "".join(f"<p>{html.escape(part)}</p>" for part in text.split("\n\n"))
    return Shown(f'<div class="caution">{paragraphs}</div>', f"Caution. {text}")


def show_verdict(finding: str, amount: str, facts: Mapping[str, str]) -> Shown:
    """The verdict as the box that opens a report."""
    listed = "".join(
        f'<div><p class="label">{html.escape(label)}</p>'
        f'<p class="figure">{_unbroken(value)}</p></div>'
        for label, value in facts.items()
    )
    listed = f'<div class="facts">{listed}</div>' if listed else ""
    markup = (
        f'<div class="verdict"><p class="finding">{_unbroken(finding)}</p>'
        f'<p class="amount">{_unbroken(amount)}</p>{listed}</div>'
    )
    plain = "\n".join([finding, amount, *(f"{label}: {value}" for label, value in facts.items())])
    return Shown(markup, plain)


def _unbroken(text: str) -> str:
    """HTML of a text whose dates, amounts and percentages stay on one line."""
    kept = re.sub(r"(?<=\d) (?=%)|(?<=\b[A-Z]{3}) (?=[\d−])", "\N{NO-BREAK SPACE}", text)
    safe = html.escape(kept)
    return re.sub(r"\d{4}-\d\d-\d\d", r'<span class="whole">\g<0></span>', safe)
