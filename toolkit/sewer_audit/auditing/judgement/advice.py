"""Which questions the case answers, and the next proof to obtain."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from sewer_audit.auditing.invoices.pricing import Pricing
from sewer_audit.auditing.result import QUESTIONS
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.case import Case

__all__ = ["answered_questions", "next_proofs"]

NOT_ASKED = "not applicable"
"""Answer to the third question where the schedule bills no share of the intake [text]."""
TEST = "a test of the measurements that the further balances do not exclude"


def answered_questions(
    case: Case, evidence: Evidence, pricing: Pricing | None, basis: Mapping[str, Any]
) -> dict[str, dict[str, Any]]:
    """Which of the three questions the evidence lets the audit answer.

    Units: evidence [m3].
    """
    estimates = [
        ("the effluent record", "a logger record of the effluent", evidence.effluent),
        ("the balance of supply reads", "reads of the supply meters", evidence.balance),
    ]
    have = [word for word, _, estimate in estimates if estimate is not None]
    missing = [word for _, word, estimate in estimates if estimate is None]
    conflict = bool(have) and evidence.audited is None
    if evidence.open:
        missing.append(TEST)
    elif conflict:
        missing.append("a visit that finds which of the two conflicting estimates is wrong")
    there = bool(basis.get("answered"))
    return {
        "rules": _rules(case, pricing),
        "volume": {
            "question": QUESTIONS["volume"],
            "answered": "no" if not have or conflict else "yes" if len(have) == 2 else "in part",
            "with": " and ".join(have) or "nothing yet",
            "missing": "; ".join(missing),
        },
        "basis": {
            "question": QUESTIONS["basis"],
            "answered": "yes" if there else "no" if case.data.case.basis == "intake" else NOT_ASKED,
            "with": "the audited discharge as a share of the registered net intake"
            if there
            else "",
            "missing": _basis_missing(case, evidence, basis),
        },
    }


def _rules(case: Case, pricing: Pricing | None) -> dict[str, Any]:
    if pricing is None:
        answered, known = "no", "the invoices alone: consecutive, sums, estimated reads"
        missing = "the rate schedule"
    else:
        reads = any(pricing.by_rules)
        whole = reads or case.data.case.basis == "discharge"
        answered = "yes" if whole else "in part"
        known = "the rate schedule" + (" and the register reads" if reads else "")
        missing = "" if whole else "reads of the meters the schedule bills on"
    question = QUESTIONS["rules"]
    return {"question": question, "answered": answered, "with": known, "missing": missing}


def _basis_missing(case: Case, evidence: Evidence, basis: Mapping[str, Any]) -> str:
    if basis.get("answered"):
        return ""
    if case.data.case.basis == "discharge":
        return "the schedule bills the discharge itself, not a share of the intake"
    if evidence.open:
        return TEST
    if evidence.reconciliation is not None and not evidence.reconciliation.agree:
        return "two estimates that agree"
    if evidence.basis is not None and evidence.audited is not None:
        return "volumes of every invoice, and a net intake that is above zero for certain"
    return "reads of the supply meters and an estimate of the discharge"


def next_proofs(
    case: Case, evidence: Evidence, table: pd.DataFrame, budget: pd.DataFrame
) -> tuple[str, ...]:
    """What to obtain next, the most useful first.

    Units: evidence [m3]; table [m3, money].
    """
    proofs = []
    if evidence.reconciliation is not None and not evidence.reconciliation.agree:
        proofs.append(
            "The two estimates conflict: have the supply meter tested and read the head by hand "
            "at three different flows, before any figure is relied on."
        )
    if evidence.network is not None and evidence.network.possible:
        names = ", ".join(evidence.network.possible)
        proofs.append(
            "The further balances do not close. Before any figure is relied on, have tested "
            f"what they do not exclude, the cheapest first: {names}."
        )
    wrong = table.loc[
        (table["invoiced_total"] - table["recomputed_total"]).abs() > 0.005, "invoice"
    ].tolist()
    if wrong:
        proofs.append(
            f"Ask the city for the reading sheet and the calculation of {', '.join(wrong)}: "
            "their totals differ from what reads and schedule give."
        )
    if (table["read_type"] == "estimated").any():
        proofs.append("Ask for an actual read and a true-up wherever a read was estimated.")
    if evidence.balance is not None:
        meters = " and ".join(intake.meter for intake in case.data.intake)
        proofs.append(
            f"Have the supply meter ({meters}) tested, the city's engineer present: a test "
            "settles what no calculation can."
        )
    proofs += [_for_cause(cause) for cause in _leading(budget, "effluent") if _for_cause(cause)]
    if evidence.effluent is None:
        proofs.append(
            "Set a level logger at a flume or weir in the last manhole, or an area-velocity "
            "meter, for at least one billing period, by people trained for confined spaces; it "
            "would answer the second question."
        )
    if evidence.balance is None:
        proofs.append("Read the supply registers on the city's read days: it opens the balance.")
    return tuple(proofs)


def _leading(budget: pd.DataFrame, estimate: str) -> list[str]:
    rows = budget[(budget["estimate"] == estimate) & (budget["invoice"] == "total")]
    rows = rows[rows["cause"] != "interactions"].sort_values("share", ascending=False)
    return rows.loc[rows["share"] > 0.1, "cause"].tolist()


def _for_cause(cause: str) -> str:
    return {
        "zero error and drift": "Visit the manhole at low flow, read the head at the staff gauge "
        "beside the instrument (from above where it can be read from there), before and after any "
        "adjustment; monthly while the dispute lasts.",
        "discharge coefficient": "Measure throat width and floor level of the device, and agree "
        "with the city on a second measurement (dilution, or a portable meter) at two flows; work "
        "below ground is for people trained and equipped for confined spaces.",
        "air temperature": "Compare the logger's air temperature with a thermometer on the path "
        "of the echo.",
        "air humidity": "Re-zero the instrument on the spot, by a hand reading beside it.",
        "velocity factor": "Have people trained for confined spaces take a velocity profile "
        "across the pipe at two depths.",
        "roughness": "Replace the Manning estimate by a flow element: it shows trends only.",
        "meter error": "Have the full-pipe meter tested.",
    }.get(cause, "")
