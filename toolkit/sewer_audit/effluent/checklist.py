"""What the answers to the installation checklist change: uncertainty, validity, or nothing.

An answer counts only if it begins with yes, no or open, followed by a punctuation mark or nothing.
It changes a figure only where one is published, and never one that the case states itself;
everything else stays visible as a flag.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sewer_audit.effluent.defaults import CauseSet
from sewer_audit.errors import Flag
from sewer_audit.hydraulics.notes import rules_of
from sewer_audit.hydraulics.tables import rows_of
from sewer_audit.uncertainty import Cause

__all__ = ["NO_MEASUREMENT", "Checklist", "Point", "assess_checklist"]

NO_MEASUREMENT = "installation-measures-nothing"
"""Code of the flag that stops a verdict [text]."""
STATUSES = {"yes": "met", "no": "not met", "open": "open"}
FAMILIES = {
    "parshall flume": ("parshall",),
    "v-notch weir": ("v-notch", "thin-plate"),
    "rectangular weir": ("rectangular-weir", "thin-plate"),
    "cipolletti weir": ("cipolletti", "thin-plate"),
    "h-flume": ("h-flume",),
    "palmer-bowlus flume": ("palmer-bowlus",),
    "cutthroat flume": ("cutthroat",),
    "area velocity": ("area-velocity",),
    "manning": ("manning",),
    "full pipe meter": ("full-pipe",),
}
"""Method of a device to its families in the table [text]."""


@dataclass(frozen=True)
class Point:
    """One point of the checklist."""

    subject: str
    asked: str
    answer: str
    status: str
    effect: str
    source: str


@dataclass(frozen=True)
class Checklist:
    """The checklist of an installation, answered or open."""

    points: tuple[Point, ...]
    spreads: Mapping[str, Mapping[str, Any]]
    flags: tuple[Flag, ...]

    def applied(self, causes: CauseSet) -> CauseSet:
        """Causes with the published figures in place; those the case states stay.

        Units: causes [SI]; returns [SI].
        """
        shared = {name: self._changed(cause) for name, cause in causes.shared.items()}
        return replace(causes, shared=shared)

    def _changed(self, cause: Cause) -> Cause:
        found = self.spreads.get(cause.name)
        if found is None or not cause.default:
            return cause
        divisor = np.sqrt(3.0) if found["shape"] == "rectangular" else 2.0
        standard = float(found["relative"]) / divisor
        return replace(cause, standard=standard, shape=found["shape"], source=found["source"])


def assess_checklist(device: Any, answers: Mapping[str, str], echo: bool = False) -> Checklist:
    """Weigh the answers to the installation checklist of a device.

    Parameters
    ----------
    device : Device
        Flow element or conduit [-].
    answers : mapping of str to str
        Subject to answer, as under [effluent.checklist] [text].
    echo : bool
        Whether the level is taken by echo, which brings rules of its own [-].

    Returns
    -------
    Checklist
        Points, changed figures and flags [-].
    """
    given = {key.strip().lower(): text.strip() for key, text in answers.items()}
    rules = device.notes.rules + (rules_of("echo") if echo else ())
    told = {rule.subject.lower(): _status(given.get(rule.subject.lower(), "")) for rule in rules}
    rows = _applying(device, told)
    points = [
        Point(
            rule.subject,
            rule.text,
            given.pop(rule.subject.lower(), ""),
            told[rule.subject.lower()],
            _effect(rule.subject.lower(), told[rule.subject.lower()], rows),
            rule.source,
        )
        for rule in rules
    ]
    points += [
        Point(key, "", text, "noted", "no published rule of this method", "the case")
        for key, text in given.items()
    ]
    return Checklist(tuple(points), _spreads(rows), _flags(points, rows))


def _status(answer: str) -> str:
    """Met, not met or open; noted where the answer begins with none of the three words."""
    if not answer:
        return "open"
    found = re.match(r"(yes|no|open)\s*(?=$|[,;:.])", answer.lower())
    return STATUSES[found[1]] if found else "noted"


def _applying(device: Any, told: Mapping[str, str]) -> list[dict[str, Any]]:
    """Rows of the table whose condition the answers fulfil."""
    families = FAMILIES.get(device.method, ())
    wanted = {"yes": "met", "no": "not met"}
    return [
        row
        for row in rows_of("checklist")
        if row["family"] in families
        and all(told.get(subject) == wanted[row["answer"]] for subject in _subjects(row))
    ]


def _subjects(row: Mapping[str, Any]) -> list[str]:
    return str(row["subjects"]).split(";")


def _spreads(rows: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Cause to published figure; of several the largest."""
    found: dict[str, dict[str, Any]] = {}
    for row in rows:
        cause = row["cause"]
        if cause and row["relative"] > found.get(cause, {"relative": 0.0})["relative"]:
            subjects = " and ".join(_subjects(row))
            source = f"{row['text']}; checklist: {subjects} answered {row['answer']}"
            found[cause] = {**row, "source": f"{source}; {row['source']}"}
    return found


def _effect(subject: str, status: str, rows: list[dict[str, Any]]) -> str:
    for row in rows:
        if subject in _subjects(row):
            if row["validity"] == "none":
                return f"no measurement: {row['text']} [{row['source']}]"
            if row["validity"] == "outside":
                return f"outside the published conditions: {row['text']} [{row['source']}]"
            size = f"{row['cause']} {100 * row['relative']:.3g} % ({row['shape']} half width)"
            return f"{size}: {row['text']} [{row['source']}]"
    return {
        "met": "as the stated accuracy presumes",
        "not met": "flagged; no published figure says how much it matters",
        "open": "open",
        "noted": "begins with neither yes; no; nor open; so it changes nothing",
    }[status]


def _flags(points: list[Point], rows: list[dict[str, Any]]) -> tuple[Flag, ...]:
    flags = []
    for point in points:
        if point.status == "not met":
            stops = point.effect.startswith("no measurement")
            flags.append(
                Flag(
                    NO_MEASUREMENT if stops else "installation-not-as-published",
                    f"Installation, {point.subject}: not as asked for ({point.asked}). "
                    f"{point.effect[:1].upper()}{point.effect[1:]}.",
                    {"subject": point.subject},
                )
            )
    open_points = [point.subject for point in points if point.status == "open"]
    if open_points:
        flags.append(
            Flag(
                "installation-open",
                f"Installation checklist, open: {', '.join(open_points)}. Whoever doubts the "
                "record will start there.",
                {"subjects": open_points},
            )
        )
    return tuple(flags)
