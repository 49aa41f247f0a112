"""Screening of a logger record: statuses and marks by named rules; nothing is deleted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.records.clock.moments import read_moments
from sewer_audit.records.clock.steps import find_intervals
from sewer_audit.records.clock.zones import utc_values, zone_of
from sewer_audit.records.model import ROLES, Findings, LoggerRecord
from sewer_audit.records.rules.marking import MARKING, Site, Visit
from sewer_audit.records.rules.named import DEFAULT_RULES, Rule
from sewer_audit.records.rules.rejecting import REJECTING, Held, View, runs

NO_LEVEL = "no level"
RECURS = 20
"""Readings a rule must find before it can be held back for how many they are (judgement) [-]."""


def read_visits(items: Iterable[Any], *, zone: str, day_first: bool | None = None) -> list[Visit]:
    """Visits of a case as instants.

    Units: returns [UTC].

    day_first: Order of dates such as 03/04/2026.
    """
    given = list(items)
    findings = Findings("visits")
    moments = read_moments(
        [str(item.time) for item in given],
        list(range(1, len(given) + 1)),
        zone_of(zone),
        findings,
        column="time",
        day_first=day_first,
    )
    findings.raise_if_refused()
    return [
        Visit(time, float(item.hand), float(item.instrument), bool(item.rezeroed))
        for time, item in zip(moments.time, given, strict=True)
    ]


def screen(
    record: LoggerRecord,
    level: np.ndarray,
    rules: Sequence[Rule] = DEFAULT_RULES,
    *,
    visits: Sequence[Visit] = (),
    events: Sequence[pd.Timestamp] = (),
    zone: str | None = None,
) -> LoggerRecord:
    """Give every reading a status by named rules.

    Parameters
    ----------
    level : ndarray
        Head or depth of every row of the record's frame [m].
    rules : sequence of Rule
        In the order of application [-].
    visits : sequence of Visit
        Hand readings beside the instrument's [m].
    events : sequence of Timestamp
        When something was done to the sensor or the device [UTC].
    zone : str, optional
        Zone whose days and nights count; that of the record if not given [text].

    Raises
    ------
    ValueError
        If `level` does not have one value per row.
    """
    frame = record.frame
    height = np.asarray(level, dtype=float)
    if height.shape != (len(frame),):
        raise ValueError(f"level has shape {height.shape}, the record has {len(frame)} rows")
    findings = Findings(record.zone)
    state = _State(record, height, findings)
    state.note(NO_LEVEL, "reject", (state.good & ~np.isfinite(height)))
    rows, found = [], []
    site = Site(state.start, zone_of(zone or record.zone), visits, findings, events)
    for rule in sorted(rules, key=lambda one: one.name in MARKING):
        mask, why = state.apply(rule, site)
        rows += _report(rule, mask, why)
        found.append((rule.name, mask))
    return state.result(rows, _spans(found, state.time))


class _State:
    """What is accepted so far, and why the rest is not."""

    def __init__(self, record: LoggerRecord, level: np.ndarray, findings: Findings):
        self.record, self.level, self.findings = record, level, findings
        self.time = utc_values(record.frame["time"])
        self.good = (record.frame["status"] == "measured").to_numpy()
        self.view: View | None = None
        self.held: dict[str, tuple[np.ndarray, str, bool]] = {}
        self.reason = record.frame["reason"].astype(object).to_numpy(dtype=object, copy=True)
        self.start = record.frame["time"].iloc[0] if len(self.time) else pd.Timestamp(0, tz="UTC")
        origin = self.time[0] if len(self.time) else np.datetime64(0, "us")
        self.seconds = (self.time - origin) / np.timedelta64(1, "s")
        self.columns = {
            role: record.frame[role].to_numpy() for role in ROLES if role in record.frame
        }

    def accepted(self) -> View:
        """The readings accepted so far; the same view as long as no more are rejected."""
        if self.view is None:
            keep = slice(None) if self.good.all() else self.good
            columns = {role: values[keep] for role, values in self.columns.items()}
            step = self.record.step
            self.view = View(self.seconds[keep], self.level[keep], columns, step)
        return self.view

    def apply(self, rule: Rule, site: Site) -> tuple[np.ndarray, str]:
        """Rows a rule finds among those accepted, and why it was not applied, if so."""
        mask = np.zeros(len(self.time), dtype=bool)
        if not rule.active:
            return mask, "switched off"
        view = self.accepted()
        if rule.name in REJECTING:
            found = REJECTING[rule.name](view, rule)
        else:
            found = MARKING[rule.name](view, rule, site)
        if isinstance(found, str):
            return mask, f"not applied: {found}"
        if isinstance(found, Held):
            return mask, self.hold(rule, found)
        most = rule.parameters.get("most")
        many = most is not None and found.sum() >= RECURS and found.mean() > most.value
        if rule.action == "reject" and many:
            share = f"{spoken.percent(float(found.mean()))} of the readings"
            return mask, self.hold(rule, Held(found, f"they are {share}", False))
        mask[self.good] = found
        self.note(rule.name, rule.action, mask)
        return mask, ""

    def hold(self, rule: Rule, held: Held) -> str:
        """Keep what a rule finds, tell it, and leave the figures to who computes volumes."""
        mask = np.zeros(len(self.time), dtype=bool)
        mask[self.good] = held.found
        if mask.any():
            self.held[rule.name] = (mask, held.why, held.real)
        return f"held back: {held.why}"

    def note(self, name: str, action: str, mask: np.ndarray) -> None:
        """Reject the rows found, or count the marked ones in a flag."""
        found = int(mask.sum())
        if not found:
            return
        if action == "reject":
            self.good, self.view = self.good & ~mask, None
            self.reason[mask] = name
        share = found / len(mask)
        doing = "rejected" if action == "reject" else "marked, and kept"
        self.findings.flag(
            f"screening: {name}",
            f"{found:,} of {len(mask):,} readings ({spoken.percent(share, 2)}) are {doing}: {name}",
            rule=name,
            readings=found,
            share=round(share, 6),
        )

    def result(self, rows: list[dict], spans: pd.DataFrame) -> LoggerRecord:
        """The record with its new statuses."""
        record = self.record
        frame = record.frame.copy()
        frame["status"] = pd.Categorical.from_codes(
            np.where(self.good, 0, 1), categories=["measured", "rejected"]
        )
        frame["reason"] = pd.Categorical(self.reason)
        again = Findings(self.findings.file)
        flow = self.columns.get("flow")
        intervals = find_intervals(
            self.time[self.good],
            record.zone,
            None,
            None if flow is None else flow[self.good],
            again,
        )
        kept = [flag for flag in record.flags if flag.code != "gaps"]
        gaps = [flag for flag in again.flags if flag.code == "gaps"]
        counts = dict(record.counts) | {
            "measured": int(self.good.sum()),
            "rejected": int((~self.good).sum()),
        }
        return replace(
            record,
            frame=frame,
            flags=(*kept, *gaps, *self.findings.flags),
            counts=counts,
            gaps=intervals.gaps,
            screening=pd.DataFrame(rows),
            spans=spans,
            held=self.held,
        )


def _report(rule: Rule, mask: np.ndarray, why: str) -> list[dict]:
    found = int(mask.sum())
    return [
        {
            "rule": rule.name,
            "action": rule.action,
            "parameter": name,
            "value": np.nan if parameter.value is None else parameter.value,
            "unit": parameter.unit,
            "reason": parameter.reason,
            "stated": parameter.stated,
            "rejected": found if rule.action == "reject" else 0,
            "marked": found if rule.action == "mark" else 0,
            "share": found / max(len(mask), 1),
            "remark": why,
        }
        for name, parameter in rule.parameters.items()
    ]


def _spans(found: list[tuple[str, np.ndarray]], time: np.ndarray) -> pd.DataFrame:
    """Stretches that each rule found, one after the other."""
    edges = [(name, *runs(mask)) for name, mask in found if mask.any()]
    starts, ends = (
        np.concatenate([each[side] for each in edges]) if edges else np.array([], dtype=int)
        for side in (1, 2)
    )
    names = [name for name, first, _ in edges for _ in first]
    return pd.DataFrame(
        {
            "rule": pd.Series(names, dtype="str"),
            "start": pd.DatetimeIndex(time[starts]).tz_localize("UTC").as_unit("us"),
            "end": pd.DatetimeIndex(time[ends - 1]).tz_localize("UTC").as_unit("us"),
            "readings": ends - starts,
        }
    )
