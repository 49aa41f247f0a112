"""What the evidence report says in words: answers, explanations, claim, what would change it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from sewer_audit.report.evidence.claims import claim_frame
from sewer_audit.report.evidence.flags import flags
from sewer_audit.report.evidence.record import agreement, device, quality_sentence, self_check
from sewer_audit.report.evidence.verdict import conclusions, fairness, rule_words, verdict
from sewer_audit.report.frames import invoice_overview, margins
from sewer_audit.report.show import Shown, bullets, say, show_table
from sewer_audit.report.words import sentence_of

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
    return say(
        "This run: {draws} draws, seed {seed}, {coverage} coverage." + _found_how(result.stability),
        draws=result.draws,
        seed=result.seed,
        coverage=f"{100 * result.rule.coverage:.4g} %",
    )


def _found_how(found: Any) -> str:
    """How the number of draws was found, if it was not given."""
    if found is None:
        return ""
    within = f"within {found.digits} significant digit{'s' if found.digits > 1 else ''} of its "
    within += "uncertainty (JCGM 101, 7.9.4)"
    if found.stable:
        return (
            " Blocks of draws were added until no volume and no charge changed any more "
            f"{within}: {found.draws:,}."
        )
    return (
        f" Blocks of draws were added up to {found.draws:,}; some volume or charge is still not "
        f"firm {within}."
    )


def answers(result: Any) -> Shown:
    """Which of the three questions the case answers, and what would open the others."""
    frame = pd.DataFrame(
        [
            {
                "question": each["question"],
                "answered": each["answered"],
                "with": each["with"] or "–",
                "what would open it further": each["missing"] or "nothing is missing",
            }
            for each in result.questions.values()
        ]
    )
    return show_table(frame, "Questions this case answers")


def explained(result: Any) -> Shown:
    """What the ranking of the explanations allows to say."""
    statement = str(result.explanations.attrs.get("statement", ""))
    return say("{statement}", statement=sentence_of(statement) if statement else "None was ranked.")


def overview(result: Any) -> Shown:
    """Billed and audited volume, a row for each invoice and run of estimates, then their sum.

    Units: result [m3].
    """
    frame = invoice_overview(result)
    return show_table(frame, "Billed and audited volume", digits=1, sums=(len(frame) - 1,))


def claim(result: Any) -> Shown:
    """Amounts by invoice with windows and deadlines."""
    if result.claim.empty:
        return say("Without a rate schedule no amount can be stated.")
    return show_table(
        claim_frame(result), _claim_caption(result), digits=2, sums=(len(result.claim),)
    )


def _claim_caption(result: Any) -> str:
    rule, sums = result.case.data.rule, result.claim.attrs["sums"]
    words = ["Amounts by invoice with the windows the case states"]
    if rule.decided_on is not None:
        words.append(f"counted from {rule.decided_on}")
    if result.claim["paid"].isna().all():
        words.append("as if every invoice had been paid in full: the case states no payments")
    if sums["next_deadline"] is not None:
        words.append(f"the first amount lapses on {sums['next_deadline']}")
    return "; ".join(words)


def margin_table(result: Any) -> Shown:
    """What it would take for another finding.

    Units: result [m3].
    """
    frame = margins(result)
    sums = () if frame is None else (len(frame) - 1,)
    empty = "Nothing was decided, so there is nothing a change could overturn."
    return table_or(frame, "What it would take for another finding", empty, digits=1, sums=sums)


def next_proof(result: Any) -> Shown:
    """What to obtain next, the most useful first."""
    return bullets(list(result.next_proof), "Nothing further is proposed.")
