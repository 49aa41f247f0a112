"""Published notes of a family of devices: installation rules, accuracy, remarks."""

from __future__ import annotations

import dataclasses
from functools import cache

from sewer_audit.hydraulics.devices import Accuracy, DeviceNotes, Rule
from sewer_audit.hydraulics.tables import facts_of
from sewer_audit.hydraulics.tables import families as files
from sewer_audit.sources import STATED


@cache
def rules_of(*families: str) -> tuple[Rule, ...]:
    """Installation requirements of some families.

    Parameters
    ----------
    *families : str
        Names of the families [text].

    Returns
    -------
    tuple of Rule
        In the order of the tables [-].
    """
    rows = facts_of("installation", *families)
    return tuple(Rule(row["subject"], row["text"], row["source"]) for row in rows)


@cache
def accuracy_of(family: str) -> tuple[Accuracy, ...]:
    """Published accuracy of a family."""
    return tuple(
        Accuracy(
            row["cause"],
            row["relative"],
            row["confidence"],
            row["shape"],
            f"{row['source']}: {row['text']}" if row.get("text") else row["source"],
            row["grade"],
        )
        for row in facts_of("accuracy", family)
    )


@cache
def remarks_of(*families: str) -> tuple[str, ...]:
    """Other published statements on some families."""
    rows = facts_of("remarks", *families, "any")
    return tuple(f"{row['text']} [{row['source']}]" for row in rows)


def make_notes(
    families: tuple[str, ...],
    datum: str,
    head_limits: tuple[float, float] | None,
    sources: tuple[str, ...],
    equation: str,
    accuracy: tuple[Accuracy, ...] | None = None,
    trend_grade: bool = False,
) -> DeviceNotes:
    """Notes of a device from the tables of its families and of those they point to."""
    further = (name for family in families for name in files()[family].get("as", ()))
    families = tuple(dict.fromkeys((*families, *further)))
    return DeviceNotes(
        datum,
        head_limits,
        rules_of(*families),
        accuracy_of(families[0]) if accuracy is None else accuracy,
        sources,
        equation,
        trend_grade,
        remarks_of(*families),
    )


def stated_accuracy(family: str, relative: float | None, source: str) -> tuple[Accuracy, ...]:
    """The family's accuracy, or the figure a user states with the coefficients."""
    if relative is None:
        return accuracy_of(family)
    return tuple(
        dataclasses.replace(each, relative=relative, source=source, grade=STATED)
        for each in accuracy_of(family)
    )
