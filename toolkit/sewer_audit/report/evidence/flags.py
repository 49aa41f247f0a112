"""Everything the audit flagged, in order of weight and in the units people read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pandas as pd

from sewer_audit.errors import Flag, Severity, Subject
from sewer_audit.report.show import Shown, show_table
from sewer_audit.report.words import Words, counted, joined, sentence_of

__all__ = ["flag_sentences", "flags"]


def flags(result: Any) -> Shown:
    """What stops a verdict and what warns, first; the notes, grouped, behind."""
    words = Words.of(result)
    weigh = [flag for flag in result.flags if flag.severity is not Severity.NOTE]
    notes = [flag for flag in result.flags if flag.severity is Severity.NOTE]
    columns = ["concerns", "what was found"]
    loud = flag_sentences(weigh, words) or [("–", "Nothing stops a verdict, nothing warns.")]
    shown = show_table(pd.DataFrame(loud, columns=columns), "What stops a verdict, and warnings")
    if not notes:
        return shown
    quiet = pd.DataFrame(flag_sentences(notes, words), columns=columns)
    behind = show_table(quiet, f"{counted(len(quiet), 'note')}: told, and without weight by itself")
    return replace(
        shown, markup=shown.markup + behind.markup, plain=f"{shown.plain}\n\n{behind.plain}"
    )


def flag_sentences(found: Iterable[Flag], words: Words) -> list[tuple[str, str]]:
    """Flags as sentences: what stops a verdict, warnings, then notes by what they concern."""
    heads = ("stops a verdict", "warning", *Subject)
    groups: dict[str, list[str]] = {str(each): [] for each in heads}
    gaps = []
    for flag in found:
        if flag.code == "gap-estimated" and "volume_m3" in flag.data:
            gaps.append(flag)
            continue
        loud = {Severity.STOPS: "stops a verdict", Severity.WARNING: "warning"}
        groups[str(loud.get(flag.severity, flag.subject))].append(sentence_of(flag.message))
    if gaps:
        groups[str(Subject.RECORD)].append(_gaps(gaps, words))
    return [(kind, sentence) for kind, sentences in groups.items() for sentence in sentences]


def _gaps(found: list[Flag], words: Words) -> str:
    parts = [
        f"{data['invoice']} {data['hours']:.1f} h ({words.volume(data['volume_m3'])})"
        for data in (flag.data for flag in found)
    ]
    return (
        "Hours without accepted readings, estimated as the table of gaps says, before the zero is "
        f"corrected: {joined(parts)}."
    )
