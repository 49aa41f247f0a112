"""Everything the audit flagged, in order of weight and in the units people read."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pandas as pd

from sewer_audit.errors import Flag, Severity, Subject
from sewer_audit.report.show import Shown, show_table
from sewer_audit.report.words import Words, joined, sentence_of

__all__ = ["flag_sentences", "flags"]


def flags(result: Any) -> Shown:
    """Everything the reader must know, what stops a verdict first."""
    rows = flag_sentences(result.flags, Words.of(result))
    if not rows:
        rows = [("–", "Nothing was flagged.")]
    frame = pd.DataFrame(rows, columns=["concerns", "what was found"])
    return show_table(frame, "Everything that was flagged while reading, computing and judging")


def flag_sentences(found: Iterable[Flag], words: Words) -> list[tuple[str, str]]:
    """Flags as sentences: what stops a verdict, then verdict, invoices, record."""
    groups: dict[str, list[str]] = {"stops a verdict": [], **{each: [] for each in Subject}}
    gaps = []
    for flag in found:
        if flag.code == "gap-estimated" and "volume_m3" in flag.data:
            gaps.append(flag)
            continue
        kind = "stops a verdict" if flag.severity is Severity.STOPS else flag.subject
        groups[kind].append(sentence_of(flag.message))
    if gaps:
        groups[Subject.RECORD].append(_gaps(gaps, words))
    return [(str(kind), sentence) for kind, sentences in groups.items() for sentence in sentences]


def _gaps(found: list[Flag], words: Words) -> str:
    parts = [
        f"{data['invoice']} {data['hours']:.1f} h ({words.volume(data['volume_m3'])})"
        for data in (flag.data for flag in found)
    ]
    return (
        "Hours without accepted readings, estimated as the table of gaps says, before the zero is "
        f"corrected: {joined(parts)}."
    )
