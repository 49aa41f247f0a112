"""What the evidence report says in words: answers, explanations, claim, what would change it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from sewer_audit.report.evidence.claims import claim_frame
from sewer_audit.report.evidence.flags import flags
from sewer_audit.report.evidence.record import agreement, device, quality_sentence, self_check
from sewer_audit.report.evidence.verdict import conclusions, fairness, rule_words, verdict
from sewer_audit.report.frames import invoice_overview, margins
from sewer_audit.report.show import Shown, bullets, say, show_table, table, tell
from sewer_audit.wording import Words

__all__ = [
    "agreement",
    "answers",
    "bullets",
    "claim",
    "conclusions",
    "device",
    "explained",
    "fairness",
    "flags",
    "margin_table",
    "next_proof",
    "overview",
    "quality_sentence",
    "rule_words",
    "run_of",
    "self_check",
    "table_or",
    "verdict",
]


def table_or(frame: pd.DataFrame | None, caption: str, empty: str, **keywords: Any) -> Shown:
    """A table, or a sentence where there is nothing to show."""
    if frame is None or frame.empty:
        return say("{sentence}", sentence=empty)
    return show_table(frame, caption, **keywords)


def run_of(result: Any) -> Shown:
    """Draws, seed and coverage of this run, and how the number of draws was found."""
    found = result.stability
    return tell(
        Words.of(result),
        "story.run.this",
        draws=result.draws,
        seed=result.seed,
        coverage=result.rule.coverage,
        stable=found and found.stable,
        digits=found and found.digits,
        tried=found and found.draws,
    )


def answers(result: Any) -> Shown:
    """Which of the three questions the case answers, and what would open the others."""
    words = Words.of(result)
    rows = [
        {
            "question": each["question"],
            "answered": each["answered"],
            "with": each["with"] or "–",
            "missing": each["missing"] or words("story.answers.nothing_missing"),
        }
        for each in result.questions.values()
    ]
    return table(words, "story.answers", rows)


def explained(result: Any) -> Shown:
    """What the ranking of the explanations allows to say."""
    statement = result.explanations.attrs.get("statement", "")
    return tell(Words.of(result), "story.explained.statement", statement=statement)


def overview(result: Any) -> Shown:
    """Billed and audited volume, a row for each invoice and run of estimates, then their sum.

    Units: result [m3].
    """
    frame, caption = invoice_overview(result), Words.of(result)("story.overview.caption")
    return show_table(frame, caption, digits=1, sums=(len(frame) - 1,))


def claim(result: Any) -> Shown:
    """Amounts by invoice with windows and deadlines."""
    table, words = result.claim, Words.of(result)
    if table.empty:
        return tell(words, "bills.claim.no_schedule")
    unpaid, sums = table["paid"].isna().all(), table.attrs["sums"]
    day = result.case.data.rule.decided_on
    caption = words("bills.claims.caption", **{**sums, "unpaid": unpaid, "decided_on": day})
    return show_table(claim_frame(result), caption, digits=2, sums=(len(table),))


def margin_table(result: Any) -> Shown:
    """What it would take for another finding.

    Units: result [m3].
    """
    frame, words = margins(result), Words.of(result)
    sums = () if frame is None else (len(frame) - 1,)
    caption, empty = words("story.margins.caption"), words("story.margins.empty")
    return table_or(frame, caption, empty, digits=1, sums=sums)


def next_proof(result: Any) -> Shown:
    """What to obtain next, the most useful first."""
    return bullets(list(result.next_proof), Words.of(result)("story.proof.empty"))
