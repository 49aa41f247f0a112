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

NAMED = (str, dict, list, tuple)


def flags(result: Any) -> Shown:
    """What stops a verdict and what warns, first; the notes, grouped, behind."""
    words = Words.of(result)
    weigh = [flag for flag in result.flags if flag.severity is not Severity.NOTE]
    notes = [flag for flag in result.flags if flag.severity is Severity.NOTE]
    names = _names(result.case.data.model_dump())
    loud = flag_sentences(weigh, words, names) or [("–", words("story.flags.nothing"))]
    shown = show_table(_frame(loud, words), words("story.flags.caption"))
    if not notes:
        return shown
    quiet = flag_sentences(notes, words, names)
    behind = show_table(_frame(quiet, words), words("story.flags.quiet", notes=len(quiet)))
    return replace(
        shown, markup=shown.markup + behind.markup, plain=f"{shown.plain}\n\n{behind.plain}"
    )


def _frame(rows: list[tuple[str, str]], words: Words) -> pd.DataFrame:
    return words.frame("story.flags.heads", pd.DataFrame(rows, columns=["concerns", "found"]))


def _names(stated: Any, key: str = "") -> tuple[str, ...]:
    """Files, meters and other names of a case, which keep their spelling at the head of a line."""
    if isinstance(stated, str):
        return (stated,) * (key in ("file", "meter", "name") and stated != "")
    parts = stated.items() if isinstance(stated, dict) else ((key, each) for each in stated)
    return tuple(n for k, each in parts if isinstance(each, NAMED) for n in _names(each, k))


def flag_sentences(
    found: Iterable[Flag], words: Words, names: tuple[str, ...] = ()
) -> list[tuple[str, str]]:
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
        if flag.message.startswith(tuple(f"{name}{end}" for name in names for end in ": ,")):
            said = flag.message[0] + said[1:]
        groups[str(loud.get(flag.severity, flag.subject))].append(said)
    if gaps:
        groups[str(Subject.RECORD)].append(words("story.flags.gaps", gaps=gaps))
    return [(kind, sentence) for kind, sentences in groups.items() for sentence in sentences]
