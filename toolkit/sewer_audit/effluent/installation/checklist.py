"""What the answers to the installation checklist change: uncertainty, validity, or nothing.

An answer counts only if it begins with yes, no or open, followed by a punctuation mark or nothing.
What nobody has answered counts as unknown, with the errors that installations in the field show;
only a yes to all that is asked reaches the published figure, and a no widens. What the case states
itself is never changed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from scipy.special import stdtrit

from sewer_audit.effluent.defaults import SUBMERGED, CauseSet, unseen
from sewer_audit.effluent.installation.witness import Seen
from sewer_audit.errors import Flag
from sewer_audit.hydraulics.notes import rules_of
from sewer_audit.hydraulics.tables import asked_of, facts_of, families_of
from sewer_audit.sources import GRADES, STATED
from sewer_audit.uncertainty import Cause

NO_MEASUREMENT = "installation-measures-nothing"
"""Code of the flag that stops a verdict [text]."""
CERTIFIED = ("full pipe meter", "rating table")
"""Methods whose stated accuracy is a certificate of this very device [text]."""
CONTRADICTED = "contradicted"
"""Status of a yes that the record contradicts; stretches it marks are weighed alone [text]."""
NOTHING_SEEN: Mapping[str, Seen] = {}
STATUSES = {"yes": "met", "no": "not met", "open": "open"}
HEAVY = 4.0
"""Degrees of freedom of a Student t that stands for field errors: some installations are far off,
most are not (judgement; the worst of 149 flumes erred by 30 %) [-]."""


@dataclass(frozen=True)
class Point:
    """One point of the checklist."""

    subject: str
    asked: str
    answer: str
    status: str
    effect: str
    validity: str
    source: str
    record: str = ""


@dataclass(frozen=True)
class Checklist:
    """The checklist of an installation, answered or open."""

    points: tuple[Point, ...]
    spreads: Mapping[str, Callable[[Cause], Cause]]
    flags: tuple[Flag, ...]
    hidden: tuple[Cause, ...] = ()

    def applied(self, causes: CauseSet) -> CauseSet:
        """Causes with the figures of the field in place; those the case states stay.

        Units: causes [SI]; returns [SI].
        """
        shared = {name: self._changed(cause) for name, cause in causes.shared.items()}
        added = {cause.name: cause for cause in self.hidden if cause.name not in shared}
        scales = dict(causes.scales) | ({SUBMERGED: -1.0} if SUBMERGED in added else {})
        return replace(causes, shared=shared | added, scales=scales)

    def _changed(self, cause: Cause) -> Cause:
        found = self.spreads.get(cause.name)
        if found is None or not cause.default:
            return cause
        return found(cause)


def assess_checklist(
    device: Any,
    answers: Mapping[str, str],
    echo: bool = False,
    tail: bool = False,
    seen: Mapping[str, Seen] = NOTHING_SEEN,
) -> Checklist:
    """Weigh the answers to the installation checklist of a device.

    Parameters
    ----------
    answers : mapping of str to str
        Subject to answer, as under [effluent.checklist] [text].
    echo : bool
        Whether the level is taken by echo, which brings rules of its own [-].
    tail : bool
        Whether a head below the device is recorded, so that submergence is seen [-].
    seen : mapping of str to Seen
        What the record shows of a subject; a yes that it contradicts counts as open [-].
    """
    given = {key.strip().lower(): text.strip() for key, text in answers.items()}
    rules = device.notes.rules + (rules_of("echo") if echo else ())
    told = {rule.subject.lower(): _status(given.get(rule.subject.lower(), "")) for rule in rules}
    for subject, each in seen.items():
        if each.contradicts and told.get(subject) == "met":
            told[subject] = CONTRADICTED
    rows = _applying(device, told, tail)
    points = [
        Point(
            rule.subject,
            rule.text,
            given.pop(rule.subject.lower(), ""),
            told[rule.subject.lower()],
            *_effect(device, rule.subject.lower(), told[rule.subject.lower()], rows),
            rule.source,
            seen[rule.subject.lower()].text if rule.subject.lower() in seen else "",
        )
        for rule in rules
    ]
    points += [
        Point(key, "", text, "noted", "no published rule of this method", "", "the case")
        for key, text in given.items()
    ]
    about = facts_of("unseen", *families_of(device.method))
    states = {row["cause"]: told.get(row["subject"]) for row in about}
    hidden = tuple(
        cause.scaled(2.0 if states[cause.name] == "not met" else 1.0)
        for cause in unseen(device, tail)
        if states[cause.name] != "met"
    )
    spreads = _spreads(device, told, rows)
    for row in facts_of("widened", "echo") if echo else ():
        if told[row["subject"]] != "met":
            shown = seen[row["subject"]].standard if row["subject"] in seen else None
            more = {"standard": max(row["standard"], shown or 0.0)}
            spreads[row["cause"]] = partial(_widened, row | more)
    return Checklist(tuple(points), spreads, _flags(points, rows), hidden)


def _widened(row: Mapping[str, Any], cause: Cause) -> Cause:
    """A cause with the figure of a point that nobody has answered for."""
    source = f"{row['source']}: {row['text']}; checklist: {row['subject']} unknown"
    figures = {name: row[name] for name in ("standard", "shape", "grade")}
    return replace(cause, source=source, **figures)


def _status(answer: str) -> str:
    """Met, not met or open; noted where the answer begins with none of the three words."""
    if not answer:
        return "open"
    found = re.match(r"(yes|no|open)\s*(?=$|[,;:.])", answer.lower())
    return STATUSES[found[1]] if found else "noted"


def _applying(device: Any, told: Mapping[str, str], tail: bool) -> list[dict[str, Any]]:
    """Effects whose answer was given, unless another point or a second head settles them."""
    wanted = {"yes": "met", "no": "not met"}
    return [
        row
        for row in facts_of("effects", *families_of(device.method))
        if told.get(row["subject"]) == wanted[row["answer"]]
        and not ("unless" in row and (tail or told.get(row["unless"]) in ("met", CONTRADICTED)))
    ]


def _spreads(
    device: Any, told: Mapping[str, str], rows: list[dict[str, Any]]
) -> dict[str, Callable[[Cause], Cause]]:
    """Cause to what the answers make of it.

    Only a yes to every point asked keeps (or reaches) the published figure; a point that is open
    counts as unknown, that is, with the figure of installations in the field; each no adds to that
    its own figure, or that of the field once more, in quadrature.
    """
    asked, field = asked_of(device.method), facts_of("field", *families_of(device.method))
    state = "checked" if all(told.get(point) == "met" for point in asked) else "unknown"
    unknown = next(row for row in field if row["state"] == "unknown")
    own = {row["subject"]: row for row in rows if row.get("relative")}
    faults = [point for point in told if told[point] == "not met" and point in {*asked, *own}]
    base = next((row for row in field if row["state"] == state), None)
    stated = any(accuracy.grade == STATED for accuracy in device.notes.accuracy)
    extra = [own.get(point, unknown) for point in faults]
    if base is None and not extra:
        return {}  # checked: the published figure, as it stands

    def changed(cause: Cause) -> Cause:
        half = float(base["relative"]) if base is not None else _half(cause)
        if stated and device.method in CERTIFIED:
            half = _half(cause)  # the figure stated with the meter or the table
        elif state == "unknown":
            half = max(half, _half(cause))
        total = float(np.hypot(half, np.sqrt(sum(row["relative"] ** 2 for row in extra))))
        row = base or unknown
        said = [row["text"]] if not (stated and device.method in CERTIFIED) else [cause.source]
        said += [
            f"{point} answered no: {each['text']}"
            for point, each in zip(faults, extra, strict=True)
        ]
        source = "; ".join([*said, f"checklist: {state}", row["source"]])
        grade = max((each["grade"] for each in (row, *extra)), key=GRADES.index)
        if row["shape"] == "student t":
            scale = total / float(stdtrit(HEAVY, 0.975))
            return replace(
                cause, standard=scale, shape="student t", dof=HEAVY, source=source, grade=grade
            )
        standard = total / np.sqrt(3.0)
        return replace(cause, standard=standard, shape="rectangular", source=source, grade=grade)

    return {unknown["cause"]: changed}


def _half(cause: Cause) -> float:
    """Half width, or limit at 95 %, of a relative cause [-]."""
    return cause.standard * (np.sqrt(3.0) if cause.shape == "rectangular" else 2.0)


def _effect(device: Any, subject: str, status: str, rows: list[dict[str, Any]]) -> tuple[str, str]:
    """What follows from an answer, and whether it leaves a measurement."""
    asked = subject in asked_of(device.method)
    for row in rows:
        if subject == row["subject"]:
            shown = f"{row['text']} [{row['source']}]"
            if row.get("validity") == "none":
                return f"no measurement: {shown}", "none"
            if row.get("validity") == "outside":
                return f"outside what is published: {shown}", "outside"
            return f"adds {100 * row['relative']:.3g} %: {shown}", ""
    said = {
        "met": "as the stated accuracy presumes",
        "not met": "flagged; no published figure says how much it matters",
        "open": "open",
        CONTRADICTED: "the record contradicts the answer; it counts as open",
        "noted": "begins with neither yes; no; nor open; so it changes nothing",
    }
    if asked and status == "not met":
        return "widens: the figure of the field is added once more (judgement)", ""
    if asked and status != "met":
        return f"{said[status]}; taken as unknown: the figure of the field stands", ""
    return said[status], ""


def _flags(points: list[Point], rows: list[dict[str, Any]]) -> tuple[Flag, ...]:
    flags = []
    for point in points:
        if point.status == "not met":
            stops = point.validity == "none"
            flags.append(
                Flag(
                    NO_MEASUREMENT if stops else "installation-not-as-published",
                    f"Installation, {point.subject}: not as asked for ({point.asked}). "
                    f"{point.effect[:1].upper()}{point.effect[1:]}.",
                    {"subject": point.subject},
                )
            )
        if point.status == CONTRADICTED:
            flags.append(
                Flag(
                    "installation-contradicted",
                    f"Installation, {point.subject}: answered “{point.answer}”, yet the record "
                    f"shows: {point.record}. The answer narrows nothing.",
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
