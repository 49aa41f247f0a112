"""Every use and inflow of a case: how it was worked out, and the evidence a city asks for."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.volumes.credits import credited
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.balance import FORMULAS, USES, UseRecord
from sewer_audit.case import Case
from sewer_audit.case.models_uses import Quantified, UseTable
from sewer_audit.sources import cite


def use_table(case: Case, evidence: Evidence) -> pd.DataFrame:
    """What never reached the sewer and what joined it unmetered, one row each.

    Parameters
    ----------
    evidence : Evidence
        With a balance, for the volumes; they are left empty without one [m3].

    Returns
    -------
    DataFrame
        name, role, kind, way, equation, credited, volume_m3 and standard_uncertainty_m3 over all
        invoices, default_95_share (limit of an estimate without a stated error),
        uncertainty_from, evidence, better, traps, sources [m3].
    """
    rows = [_row(table, evidence) for table in (*case.data.use, *case.data.inflow)]
    rows += [
        _with_volume(_other_source(intake), evidence)
        for intake in case.data.intake
        if intake.role != "supply"
    ]
    return pd.DataFrame(rows)


def _row(table: Quantified, evidence: Evidence) -> dict[str, Any]:
    formula = FORMULAS[table.kind, table.way.name]
    record = USES[formula.record]
    is_use = isinstance(table, UseTable)
    by_default = table.error is None and formula.limit_95 > 0
    return _with_volume(
        {
            "name": table.name,
            "role": "use" if is_use else "inflow",
            "kind": table.kind,
            "way": table.way.name,
            "equation": formula.equation,
            "credited": bool(is_use and credited(table)),  # type: ignore[arg-type]
            "default_95_share": formula.limit_95 if by_default else np.nan,
            "uncertainty_from": formula.limit_source
            if by_default or table.sector is not None or table.losses
            else "the case",
            **_asked(record),
        },
        evidence,
    )


def _other_source(intake: Any) -> dict[str, Any]:
    return {
        "name": intake.meter,
        "role": "intake",
        "kind": intake.role,
        "way": "meter of its own",
        "equation": "V = registered volume",
        "credited": False,
        "default_95_share": np.nan,
        "uncertainty_from": "the case" if intake.error is not None else "default of a meter",
        **_asked(USES["private well"]),
    }


def _asked(record: UseRecord) -> dict[str, str]:
    return {
        "evidence": record.evidence,
        "better": record.better,
        "traps": record.traps,
        "sources": cite("; ".join(record.sources)),
    }


def _with_volume(row: dict[str, Any], evidence: Evidence) -> dict[str, Any]:
    volume = standard = np.nan
    if evidence.balance is not None:
        total = evidence.balance.components[row["name"]].sum(axis=1)
        volume, standard = float(total.mean()), float(total.std(ddof=1))
    return {**row, "volume_m3": volume, "standard_uncertainty_m3": standard}
