"""Screening of the effluent record as the case asks for it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from sewer_audit.case import Case
from sewer_audit.records import LoggerRecord
from sewer_audit.records.mark_rules import Visit
from sewer_audit.records.rules import screening_rules
from sewer_audit.records.screening import screen

__all__ = ["screened"]


def screened(case: Case, record: LoggerRecord, level: Any) -> LoggerRecord:
    """Give every reading of the record a status.

    Parameters
    ----------
    case : Case
        For the rules it changes, its visits and its device [-].
    record : LoggerRecord
        As read [SI].
    level : array (readings,)
        Level of every reading; zero for a method without one, which the rules for levels then
        leave alone [m].

    Returns
    -------
    LoggerRecord
        The same rows with status, reason and counts by rule [SI].

    Raises
    ------
    InputRefused
        If the case names an unknown rule or parameter.
    """
    table = case.data.effluent
    assert table is not None
    rules = screening_rules(
        table.screening,
        blanking_distance=table.blanking_distance,
        crown=getattr(case.device, "diameter", None),
        shown_as=case.file.name,
    )
    return screen(record, level, rules, visits=_visits(case), zone=case.data.case.time_zone)


def _visits(case: Case) -> list[Visit]:
    visits = []
    for visit in case.data.effluent.visit:  # type: ignore[union-attr]
        try:
            stamp = pd.Timestamp(visit.time)
        except ValueError:
            continue  # refused with its key where the visits are used
        stamp = stamp if stamp.tz is not None else stamp.tz_localize(case.zone)
        visits.append(Visit(stamp.tz_convert("UTC"), visit.hand, visit.instrument, visit.rezeroed))
    return sorted(visits, key=lambda visit: visit.time)
