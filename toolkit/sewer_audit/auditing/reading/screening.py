"""Screening of the effluent record as the case asks for it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd

from sewer_audit.case import Case
from sewer_audit.records import LoggerRecord
from sewer_audit.records.rules.marking import Visit
from sewer_audit.records.rules.named import screening_rules
from sewer_audit.records.rules.screening import screen


def screened(case: Case, record: LoggerRecord, level: Any) -> LoggerRecord:
    """Give every reading of the record a status.

    Units: record [SI]; returns [SI].
    """
    table = case.data.effluent
    assert table is not None
    rules = screening_rules(
        table.screening,
        blanking_distance=table.blanking_distance,
        crown=getattr(case.device, "diameter", None),
        shown_as=case.file.name,
    )
    if "echo_time" in record.frame:
        # without its air there is no level, so what is marked elsewhere is no reading here
        air = {"temperature anomaly", "humidity anomaly"} - {*table.screening}
        rules = tuple(
            replace(rule, action="reject") if rule.name in air else rule for rule in rules
        )
    table_zone = case.data.case.time_zone
    events = [moment for event in table.event if (moment := _moment(case, event.time)) is not None]
    return screen(record, level, rules, visits=_visits(case), events=events, zone=table_zone)


def _visits(case: Case) -> list[Visit]:
    visits = []
    for visit in case.data.effluent.visit:  # type: ignore[union-attr]
        moment = _moment(case, visit.time)
        if moment is not None:
            visits.append(Visit(moment, visit.hand, visit.instrument, visit.rezeroed))
    return sorted(visits, key=lambda visit: visit.time)


def _moment(case: Case, text: Any) -> pd.Timestamp | None:
    """An instant; None for one that is refused with its key where it is used."""
    try:
        stamp = pd.Timestamp(text)
    except ValueError:
        return None
    return (stamp if stamp.tz is not None else stamp.tz_localize(case.zone)).tz_convert("UTC")
