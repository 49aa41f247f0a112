"""Everything the audit flagged, in order of weight and in the units people read."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pandas as pd

from sewer_audit.errors import Flag
from sewer_audit.report.show import Shown, show_table
from sewer_audit.report.words import Words, joined, sentence_of

__all__ = ["flag_sentences", "flags"]

RECORD = "record"
INVOICES = "invoices and meters"
VERDICT = "verdict"
OF_VERDICT = ("billed-too-low", "under-invoiced-by-the-rules", "single-balance", "few-draws")
OF_VERDICT += ("finding-near", "no-tolerance", "trend-grade", "further-balances")
OF_RECORD = ("screening", "gaps", "readings", "period-without-record", "repeated hour", "visit")
OF_RECORD += ("below-head", "above-head", "missing hour", "time order", "same time")
OF_RECORD += ("installation",)
OF_RECORD += ("gap", "fast-scheme", "clock", "step", "zero", "drift", "ponding", "level", "echo")


def flags(result: Any) -> Shown:
    """Everything the reader must know, what stops a verdict first.

    Parameters
    ----------
    result : Audit
        The audit [-].

    Returns
    -------
    Shown
        A table: what it concerns, and the sentence [text].
    """
    rows = flag_sentences(result.flags, Words.of(result))
    if not rows:
        rows = [("–", "Nothing was flagged.")]
    frame = pd.DataFrame(rows, columns=["concerns", "what was found"])
    return show_table(frame, "Everything that was flagged while reading, computing and judging")


def flag_sentences(found: Iterable[Flag], words: Words) -> list[tuple[str, str]]:
    """Flags as sentences: what stops a verdict, then verdict, invoices, record.

    Parameters
    ----------
    found : iterable of Flag
        Flags in the order they were raised [-].
    words : Words
        Units people read [-].

    Returns
    -------
    list of tuple
        What it concerns, and the sentence; gaps that were estimated become one sentence [text].
    """
    groups: dict[str, list[str]] = {"stops a verdict": [], VERDICT: [], INVOICES: [], RECORD: []}
    gaps = []
    for flag in found:
        if flag.code == "gap-estimated" and "volume_m3" in flag.data:
            gaps.append(flag)
            continue
        kind = "stops a verdict" if flag.severity == "stops verdict" else _concerns(flag.code)
        groups[kind].append(sentence_of(flag.message))
    if gaps:
        groups[RECORD].append(_gaps(gaps, words))
    return [(kind, sentence) for kind, sentences in groups.items() for sentence in sentences]


def _concerns(code: str) -> str:
    if code.startswith(OF_VERDICT) or "conflict" in code:
        return VERDICT
    return RECORD if code.startswith(OF_RECORD) else INVOICES


def _gaps(found: list[Flag], words: Words) -> str:
    parts = [
        f"{data['invoice']} {data['hours']:.1f} h ({words.volume(data['volume_m3'])})"
        for data in (flag.data for flag in found)
    ]
    return f"Hours without accepted readings, estimated as the table of gaps says: {joined(parts)}."
