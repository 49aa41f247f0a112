"""Everything the audit flagged, in order of weight and in the units people read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pandas as pd

from sewer_audit.errors import Flag, Severity, Subject
from sewer_audit.report.show import Shown, show_table
from sewer_audit.wording import Words

__all__ = ["flag_sentences", "flags"]


def flags(result: Any) -> Shown:
    """What stops a verdict and what warns, first; the notes, grouped, behind."""
    words = Words.of(result)
    weigh = [flag for flag in result.flags if flag.severity is not Severity.NOTE]
    notes = [flag for flag in result.flags if flag.severity is Severity.NOTE]
    loud = flag_sentences(weigh, words) or [("–", words("story.flags.nothing"))]
    shown = show_table(_frame(loud, words), words("story.flags.caption"))
    if not notes:
        return shown
    quiet = flag_sentences(notes, words)
    behind = show_table(_frame(quiet, words), words("story.flags.quiet", notes=len(quiet)))
    return replace(
        shown, markup=shown.markup + behind.markup, plain=f"{shown.plain}\n\n{behind.plain}"
    )


def _frame(rows: list[tuple[str, str]], words: Words) -> pd.DataFrame:
    return words.frame("story.flags.heads", pd.DataFrame(rows, columns=["concerns", "found"]))


def flag_sentences(found: Iterable[Flag], words: Words) -> list[tuple[str, str]]:
    """Flags as sentences: what stops a verdict, warnings, then notes by what they concern."""
    stops, warning = words("story.kinds.stops"), words("story.kinds.warning")
    loud = {Severity.STOPS: stops, Severity.WARNING: warning}
    groups: dict[str, list[str]] = {str(each): [] for each in (*loud.values(), *Subject)}
    gaps = []
    for flag in found:
        if flag.code == "gap-estimated" and "volume_m3" in flag.data:
            gaps.append(words("story.flags.gap", **flag.data))
            continue
        said = words("story.flags.one", message=flag.message)
        groups[str(loud.get(flag.severity, flag.subject))].append(said)
    if gaps:
        groups[str(Subject.RECORD)].append(words("story.flags.gaps", gaps=gaps))
    return [(kind, sentence) for kind, sentences in groups.items() for sentence in sentences]
