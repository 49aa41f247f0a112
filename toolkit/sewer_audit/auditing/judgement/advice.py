"""Which questions the case answers, and the next proof to obtain."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from sewer_audit.auditing.invoices.pricing import Pricing
from sewer_audit.auditing.result import QUESTIONS
from sewer_audit.auditing.volumes.evidence import Evidence
from sewer_audit.case import Case
from sewer_audit.charges import OF_RUN, Ledger
from sewer_audit.uncertainty import UNDECIDED
from sewer_audit.wording import Words, template

__all__ = ["answered_questions", "next_proofs"]


def answered_questions(
    case: Case,
    evidence: Evidence,
    pricing: Pricing | None,
    basis: Mapping[str, Any],
    judged: pd.DataFrame,
) -> dict[str, dict[str, Any]]:
    """Which of the three questions the evidence lets the audit answer.

    Units: evidence [m3]; judged [m3].
    """
    said, words = template("advice.questions"), template("advice.answered")
    estimates = {"effluent": evidence.effluent, "balance": evidence.balance}
    have = [said[name] for name, each in estimates.items() if each is not None]
    missing = [said[f"{name}_missing"] for name, each in estimates.items() if each is None]
    conflict = bool(have) and evidence.audited is None
    if evidence.open:
        missing.append(said["further"])
    elif conflict:
        missing.append(said["which_is_wrong"])
    undecided = bool(have) and (judged["finding"] == UNDECIDED).all()
    if undecided and not (evidence.open or conflict):
        missing.append(said["undecided"])
    told, reads = bool(basis.get("answered")), pricing is not None and any(pricing.by_rules)
    whole = reads or case.data.case.basis == "discharge"
    rules = {
        "answered": "no" if pricing is None else "yes" if whole else "part",
        "with": said["rules_alone"]
        if pricing is None
        else Words.of(case)("advice.questions.rules_with", reads=reads),
        "missing": said["rules_missing"]
        if pricing is None
        else ""
        if whole
        else said["rules_reads"],
    }
    both = len(have) == 2 and not undecided
    volume = {
        "answered": "no" if not have or conflict else "yes" if both else "part",
        "with": " and ".join(have) or said["nothing_yet"],
        "missing": "; ".join(missing),
    }
    asked = case.data.case.basis == "intake"
    share = {
        "answered": "yes" if told else "no" if asked else "not_asked",
        "with": said["basis_with"] if told else "",
        "missing": "" if told else said[_basis_missing(case, evidence)],
    }
    found = {"rules": rules, "volume": volume, "basis": share}
    return {
        name: {"question": QUESTIONS[name], **each, "answered": words[each["answered"]]}
        for name, each in found.items()
    }


def _basis_missing(case: Case, evidence: Evidence) -> str:
    if case.data.case.basis == "discharge":
        return "basis_discharge"
    if evidence.open:
        return "further"
    if evidence.reconciliation is not None and not evidence.reconciliation.agree:
        return "basis_agree"
    if evidence.basis is not None and evidence.audited is not None:
        return "basis_intake"
    return "basis_missing"


def next_proofs(
    case: Case,
    evidence: Evidence,
    table: pd.DataFrame,
    budget: pd.DataFrame,
    ledger: Ledger | None,
) -> tuple[str, ...]:
    """What to obtain next, the most useful first.

    Units: evidence [m3]; table [m3, money]; ledger [money].
    """
    words, proofs = Words.of(case), []
    if evidence.reconciliation is not None and not evidence.reconciliation.agree:
        proofs.append(words("advice.proof.conflict"))
    if evidence.network is not None and evidence.network.possible:
        proofs.append(words("advice.proof.further", names=", ".join(evidence.network.possible)))
    entries = () if ledger is None else ledger.entries
    wrong = list(dict.fromkeys(each.invoice for each in entries if each.link != OF_RUN))
    if wrong:
        proofs.append(words("advice.proof.sheet", invoices=wrong, one=len(wrong) == 1))
    if (table["read_type"] == "estimated").any():
        proofs.append(words("advice.proof.true_up"))
    if evidence.balance is not None:
        meters = " and ".join(intake.meter for intake in case.data.intake)
        proofs.append(words("advice.proof.supply", meters=meters))
    for_cause = template("advice.cause")
    proofs += [for_cause[each] for each in _leading(budget, "effluent") if each in for_cause]
    if evidence.effluent is None:
        proofs.append(words("advice.proof.logger"))
    if evidence.balance is None:
        proofs.append(words("advice.proof.reads"))
    return tuple(proofs)


def _leading(budget: pd.DataFrame, estimate: str) -> list[str]:
    rows = budget[(budget["estimate"] == estimate) & (budget["invoice"] == "total")]
    rows = rows[rows["cause"] != "interactions"].sort_values("share", ascending=False)
    return rows.loc[rows["share"] > 0.1, "cause"].tolist()
