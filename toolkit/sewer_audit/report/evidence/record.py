"""What the report says of the measurement: device, quality of the record, agreement, self-check."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from sewer_audit.report.show import Shown, table, tell
from sewer_audit.wording import Words

__all__ = ["agreement", "device", "quality_sentence", "self_check"]


def device(result: Any) -> Shown:
    """How the effluent was measured: method, datum, validity, sources."""
    element, stated, words = result.case.device, result.case.data.effluent, Words.of(result)
    if element is None or stated is None:
        return tell(words, "record.none")
    notes = result.case.notes
    low, high = notes.head_limits or (0.0, 0.0)
    told = {
        "method": element.method[:1].upper() + element.method[1:],
        "class": words("record.device.trend") if notes.trend_grade else None,
        "record": ", ".join(Path(name).name for name in stated.files),
    }
    after = {
        "datum": notes.datum,
        "equation": notes.equation,
        "limits": words("record.device.range", low=low, high=high) if notes.head_limits else None,
        "instrument": stated.source or words("record.device.not_described"),
    }
    rows = [
        *words.labels("record.device", told).items(),
        *((name.replace("_", " "), str(value)) for name, value in stated.sizes.items()),
        *words.labels("record.device", after).items(),
        *((words("record.device.source"), source) for source in notes.sources),
        *((words("record.device.remark"), remark) for remark in notes.remarks),
    ]
    return table(words, "record.device", pd.DataFrame(rows, columns=["what", "stated"]))


def quality_sentence(result: Any) -> Shown:
    """How much of the record could be used, in one paragraph."""
    effluent, series, words = result.evidence.effluent, result.evidence.series, Words.of(result)
    if effluent is None or series is None:
        return tell(words, "record.quality.none")
    quality, frame, gaps = effluent.quality, result.inputs.logger.frame, effluent.gaps
    if quality["record_coverage"].isna().all():
        return tell(words, "record.quality.by_hand", rows=len(frame))
    seconds = quality["seconds"]
    return tell(
        words,
        "record.quality.logged",
        rows=len(frame),
        accepted=len(series.time),
        rejected=int((frame["status"] == "rejected").sum()),
        covered=(quality["record_coverage"] * seconds).sum() / seconds.sum(),
        bridged=quality["interpolated_s"].sum() / seconds.sum(),
        gaps=len(gaps),
        estimated=quality["estimated_s"].sum() / seconds.sum(),
        filled_from=list(dict.fromkeys(map(str, gaps["filled_from"]))),
    )


def agreement(result: Any) -> Shown:
    """What the two estimates say about each other."""
    joint, words = result.evidence.reconciliation, Words.of(result)
    if joint is None:
        return tell(words, "record.agreement.none")
    return tell(
        words,
        "record.agreement.tested",
        difference=joint.total_difference,
        z=abs(joint.total_z),
        p=joint.total_p_value,
        chi_square=joint.chi_square,
        dof=joint.dof,
        joint=joint.p_value,
        agree=joint.agree,
    )


def self_check(result: Any) -> Shown:
    """How far the fast computation was verified.

    Units: result [m3].
    """
    found, words = result.findings().get("self_check"), Words.of(result)
    if not found:
        return tell(words, "record.self_check.none")
    return tell(
        words,
        "record.self_check.found",
        largest=found["largest_disagreement_with_brute_force"],
        linear=found["total_first_order"]["standard_uncertainty"],
        drawn=found["total_draws"]["standard_uncertainty"],
        **found,
    )
