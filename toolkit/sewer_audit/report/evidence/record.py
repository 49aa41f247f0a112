"""What the report says of the measurement: device, quality of the record, agreement, self-check."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from sewer_audit.report.show import Shown, say, show_table
from sewer_audit.report.words import Words, counted, joined
from sewer_audit.spoken import speaking

__all__ = ["agreement", "device", "quality_sentence", "self_check"]

TREND = (
    "TREND GRADE: slope, roughness and backwater are not measured, so the figures show how the "
    "discharge moves, not what it is; they carry no claim alone"
)


def device(result: Any) -> Shown:
    """How the effluent was measured: method, datum, validity, sources."""
    element, table = result.case.device, result.case.data.effluent
    if element is None or table is None:
        return say("This case holds no record of the effluent.")
    words = Words.of(result)
    with speaking(words.spoken):
        notes = element.notes
    method = element.method[:1].upper() + element.method[1:]
    rows = [("method", method), ("record", ", ".join(Path(name).name for name in table.files))]
    if notes.trend_grade:
        rows.insert(1, ("class", TREND))
    rows += [(name.replace("_", " "), str(value)) for name, value in table.sizes.items()]
    rows += [("datum of the head", notes.datum), ("equation", notes.equation)]
    if notes.head_limits is not None:
        low, high = (words.head(limit) for limit in notes.head_limits)
        rows.append(("published range of the head", f"{low} to {high}"))
    rows += [("instrument", table.source or "not described in the case")]
    rows += [("source of the equation", source) for source in notes.sources]
    rows += [("published remark", remark) for remark in notes.remarks]
    return show_table(
        pd.DataFrame(rows, columns=["what", "stated"]), "How the effluent was measured"
    )


def quality_sentence(result: Any) -> Shown:
    """How much of the record could be used, in one paragraph."""
    effluent, series = result.evidence.effluent, result.evidence.series
    if effluent is None or series is None:
        return say("This case holds no record of the effluent, so there is no quality to report.")
    quality, logger = effluent.quality, result.inputs.logger
    rejected = int((logger.frame["status"] == "rejected").sum())
    if quality["record_coverage"].isna().all():
        return say(
            "{rows} were taken by hand. No part of a period counts as covered: the mean of the "
            "readings stands for each period, and its interval says how little they prove.",
            rows=counted(len(logger.frame), "reading"),
        )

    def share(column: str) -> str:
        return f"{100 * quality[column].sum() / quality['seconds'].sum():.2f} %"

    return say(
        "Of {rows} readings {accepted} were accepted and {rejected} rejected, each with its "
        "reason. They cover {covered} of the service periods, straight lines over short gaps "
        "{bridged}; {gaps} longer than that, {estimated} of the time, {were} filled from the "
        "{pattern}, each with its own uncertainty.",
        rows=len(logger.frame),
        accepted=len(series.time),
        rejected=rejected,
        covered=f"{100 * _mean_share(quality, 'record_coverage'):.2f} %",
        bridged=share("interpolated_s"),
        gaps=counted(len(effluent.gaps), "gap"),
        were="was" if len(effluent.gaps) == 1 else "were",
        pattern=_filled_from(effluent.gaps),
        estimated=share("estimated_s"),
    )


def _filled_from(gaps: pd.DataFrame) -> str:
    """What gaps were filled from, each once."""
    return joined(list(dict.fromkeys(map(str, gaps["filled_from"])))) or "weekly pattern"


def _mean_share(quality: pd.DataFrame, column: str) -> float:
    return float((quality[column] * quality["seconds"]).sum() / quality["seconds"].sum())


def agreement(result: Any) -> Shown:
    """What the two estimates say about each other."""
    joint, words = result.evidence.reconciliation, Words.of(result)
    if joint is None:
        return say("There is only one estimate, or none; nothing tests it from outside.")
    outcome = (
        "They agree within their uncertainties and were joined by weighted least squares."
        if joint.agree
        else "They contradict each other. They are not averaged: at least one of them, or its "
        "stated uncertainty, is wrong."
    )
    return say(
        "The measured effluent less the balance is {difference} over all invoices, {z} of its "
        "standard uncertainties; if both and their uncertainties are right, at least so much has a "
        "probability of {p}. Invoice by invoice, all at once, chi-square is {chi} with {dof} "
        "degrees of freedom (at least so much: {joint}). " + outcome,
        difference=words.volume(joint.total_difference),
        z=f"{abs(joint.total_z):.2f}",
        p=words.probability(joint.total_p_value),
        chi=f"{joint.chi_square:.1f}",
        dof=joint.dof,
        joint=words.probability(joint.p_value),
    )


def self_check(result: Any) -> Shown:
    """How far the fast computation was verified.

    Units: result [m3].
    """
    found, words = result.findings().get("self_check"), Words.of(result)
    if not found:
        return say("Without an effluent record there was no fast scheme to verify.")
    linear, drawn = found["total_first_order"], found["total_draws"]
    return say(
        "The effluent volumes were recomputed reading by reading for {draws} draws on {parts} "
        "stretches of the record; the largest disagreement was {largest} of a stretch. All "
        "invoices together, first-order propagation (JCGM 100) gives a standard uncertainty of "
        "{linear}, the draws (JCGM 101) {drawn}.",
        draws=found["draws_checked"],
        parts=found["stretches_checked"],
        largest=f"{100 * found['largest_disagreement_with_brute_force']:.4f} %",
        linear=words.volume(linear["standard_uncertainty"]),
        drawn=words.volume(drawn["standard_uncertainty"]),
    )
