"""The water balance in a report: uses with the evidence asked for, tests, explanations."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.volumes.uses import use_table
from sewer_audit.explanations import CATALOGUE, VERY_STRONG
from sewer_audit.report.show import Shown, bullets, say, tell
from sewer_audit.units import from_si
from sewer_audit.wording import Words, template

__all__ = [
    "adjustments",
    "asked_for",
    "consistency",
    "excluded",
    "explanations",
    "opposing",
    "pairs",
    "sensitivity",
    "separates",
    "uses",
    "visit_list",
]


def short_answer(result: Any) -> Shown:
    """The four questions of the balance, answered in a sentence each."""
    words, total, evidence = Words.of(result), result.total, result.evidence
    said = []
    if evidence.balance is not None and total.get("balance_mean") is not None:
        came, used = (evidence.balance.total(role).sum(axis=1).mean() for role in ("intake", "use"))
        mean, ends = total["balance_mean"], (total["balance_low"], total["balance_high"])
        said.append(words("balance.short.came", came=came, used=used, mean=mean, ends=ends))
    said.append(_tested(result, words))
    if evidence.reconciliation is not None and total.get("reconciled_mean") is not None:
        mean, ends = total["reconciled_mean"], (total["reconciled_low"], total["reconciled_high"])
        said.append(words("balance.short.joined", mean=mean, ends=ends))
    if statement := result.explanations.attrs.get("statement", ""):
        said.append(words("balance.short.explanations", statement=statement))
    return bullets(said, words("balance.short.none"))


def _tested(result: Any, words: Words) -> str:
    evidence, found = result.evidence, result.evidence.reconciliation
    if found is None and evidence.effluent is None and evidence.balance is None:
        return words("balance.short.no_estimate")
    if found is None:
        return words("balance.short.one_estimate")
    count, difference = int(np.isfinite(found.z).sum()), abs(found.total_difference)
    if found.agree:
        return words("balance.short.agree", count=count)
    return words("balance.short.contradict", count=count, difference=difference)


def priors() -> pd.DataFrame:
    """Every explanation of the catalogue with its prior weight and its sign in the figures."""
    said = template("balance.concerns")
    rows = [
        {
            "explanation": each.name,
            "concerns": said["bill" if each.acts_on == "bill" else "estimates"],
            "weight": f"{100 * each.weight:.0f} %",
            "size": "" if each.parameter is None else each.parameter.name,
            "seen_by": each.source or said["no_difference"],
        }
        for each in CATALOGUE
    ]
    return pd.DataFrame(rows).rename(columns=template("balance.priors"))


def uses(result: Any) -> pd.DataFrame:
    """Uses and other inflows: equation, volume, uncertainty and where it comes from.

    Units: result [m3].
    """
    found, words = use_table(result.case, result.evidence), Words.of(result)
    if found.empty:
        return found
    spread = 1.96 * found["standard_uncertainty_m3"] / found["volume_m3"].abs()
    columns = {
        "name": found["name"],
        "known_by": found["kind"] + ": " + found["way"],
        "equation": found["equation"],
        "volume_m3": found["volume_m3"],
        "limit": 100 * spread.replace([np.inf, -np.inf], np.nan),
        "uncertainty_from": found["uncertainty_from"],
        "credited": words.yes(found["credited"]),
    }
    return words.frame("balance.uses", columns)


def asked_for(result: Any) -> pd.DataFrame:
    """What a city usually asks for before it accepts a use, and what spoils the figure."""
    found = use_table(result.case, result.evidence)
    if found.empty:
        return found
    columns = ["name", "evidence", "better", "traps", "sources"]
    return Words.of(result).frame("balance.asked_for", found[columns])


def consistency(result: Any) -> pd.DataFrame:
    """The tests of the two estimates against each other."""
    found, words = result.evidence.reconciliation, Words.of(result)
    if found is None:
        return pd.DataFrame()
    share, largest = 1 - np.sqrt(result.case.data.rule.coverage), np.nanmax(np.abs(found.z))
    critical = found.critical_z
    rows = [
        (words("balance.tests.jointly"), found.chi_square, found.dof, found.p_value),
        (words("balance.tests.total"), found.total_z, 1, found.total_p_value),
        (words("balance.tests.largest", critical=critical), largest, 1, np.nan),
    ]
    frame = pd.DataFrame(rows, columns=["test", "statistic", "freedom", "larger"])
    passed = [found.p_value >= share, found.total_p_value >= share, largest <= critical]
    frame["larger"] = [f"{p:.3g}" if np.isfinite(p) else "–" for p in frame["larger"]]
    frame["passed"] = [words("balance.tests.passed", passed=each) for each in passed]
    return words.frame("balance.consistency", frame)


def pairs(words: Words, means: Any, spreads: Any) -> list[str]:
    """Volumes with their standard uncertainties in brackets, in the unit of the case.

    Units: means [m3]; spreads [m3].
    """
    shown = (
        from_si(np.asarray(each, dtype=float), words.volume_unit, "volume")
        for each in (means, spreads)
    )
    return [
        f"{mean:,.0f} ({spread:,.0f})" if np.isfinite(mean) else "–"
        for mean, spread in zip(*shown, strict=True)
    ]


def adjustments(result: Any) -> pd.DataFrame:
    """Both estimates of every invoice, and what joining them moved.

    Units: result [m3].
    """
    found, table, words = result.evidence.reconciliation, result.invoices, Words.of(result)
    if found is None:
        return pd.DataFrame()
    frame = {"invoice": table["invoice"]}
    for name in ("effluent", "balance", "reconciled"):
        frame[name] = pairs(words, table[f"{name}_mean"], table[f"{name}_standard_uncertainty"])
    frame["z"] = found.z
    if found.weight_of_effluent is not None:
        frame["weight"] = found.weight_of_effluent
    return words.frame("balance.adjustments", frame)


def explanations(result: Any) -> pd.DataFrame:
    """Candidate explanations, most probable first, and what each would change."""
    found, words = result.explanations, Words.of(result)
    if found.empty:
        return pd.DataFrame()
    change = from_si(found["discharge_change_m3"].to_numpy(float), words.volume_unit, "volume")
    named = zip(found["name"], found["detail"], strict=True)
    columns = {
        "explanation": [f"{name} ({form})" if form else name for name, form in named],
        "prior": found["prior"].map(words.sign),
        "probability": found["posterior"].map(words.sign),
        "worse": [f"{v:,.0f}" if v >= 100 else f"{v:.3g}" for v in found["factor_below_best"]],
        "change": [f"{v:+,.0f}" if np.isfinite(v) else "–" for v in change],
        "finding": [words.written(text, "finding") or "–" for text in found["finding_if_true"]],
        "settle": found["evidence"].replace("", "–"),
    }
    return words.frame("balance.explanations", columns)


def opposing(result: Any) -> pd.DataFrame:
    """How far the finding can be shaken: point by point, what remains.

    Units: result [m3, money].
    """
    found, words = result.opposing, Words.of(result)
    if found.empty:
        return found
    columns = {
        "granted": [
            what if kind in ("stated", "jointly") else f"{kind}: {what}"
            for kind, what in zip(found["kind"], found["what"], strict=True)
        ],
        "total_m3": found["total_m3"],
        "too_high": found["too_high"],
        "finding": [words.written(each, "finding") for each in found["total_finding"]],
        "amount": [words.money(v, False) if np.isfinite(v) else "–" for v in found["amount"]],
        "overturned": [
            words("balance.overturned.at", at=each) if np.isfinite(each) else "–"
            for each in found["overturned_at"]
        ],
    }
    return words.frame("balance.opposing", columns, judged=len(result.judged))


def leads(result: Any) -> pd.DataFrame:
    """What would settle each explanation, and what a visit would look at."""
    found = result.explanations
    if found.empty:
        return pd.DataFrame()
    kept = found[(found["factor_below_best"] < VERY_STRONG) & (found["evidence"] != "")]
    shown = kept[["name", "evidence", "visit"]].replace({"visit": {"": "–"}})
    return Words.of(result).frame("balance.leads", shown)


def excluded(result: Any) -> Shown:
    """Single explanations the figures exclude, and those this evidence cannot show."""
    about, words, said = result.explanations.attrs, Words.of(result), []
    if about.get("excluded"):
        said.append(words("balance.excluded.by_figures", **{**about, "factor": VERY_STRONG}))
    if about.get("untestable"):
        said.append(words("balance.excluded.not_shown", **about))
    return say("{sentence}", sentence=" ".join(said) or words("balance.excluded.nothing"))


def separates(result: Any) -> Shown:
    """Evidence that would tell the two best apart, and what each answer would change."""
    about, words = result.explanations.attrs, Words.of(result)
    if not about.get("separates"):
        return tell(words, "balance.separates.nothing")
    lines = [words("balance.separates.head", evidence=about["separates"])]
    for answer in about.get("answers", ()):
        charged = None if answer["amount"] is None else words.money(answer["amount"])
        ends = answer["low_m3"], answer["high_m3"]
        lines.append(words("balance.separates.answer", ends=ends, charged=charged, **answer))
    return bullets(lines, "")


def sensitivity(result: Any) -> pd.DataFrame:
    """What stands first, and what may be named, under other priors."""
    words, rows = Words.of(result), result.explanations.attrs.get("sensitivity", ())
    shown = [
        {
            "priors": row["priors"],
            "first": row["first"],
            "probability": words.share(row["probability"], 0),
            "nothing_wrong": words.share(row["nothing_wrong"], 0),
            "named": row["named"] or words("balance.named.nothing"),
        }
        for row in rows
    ]
    return words.frame("balance.sensitivity", shown)


def visit_list(result: Any, most: int = 6) -> list[str]:
    """What a visit would look at, for the explanations that are not excluded."""
    found = result.explanations
    if found.empty:
        return []
    likely = found[(found["factor_below_best"] < VERY_STRONG) & (found["visit"] != "")]
    told = [text for text in map(str, likely["visit"]) if not text.startswith("none")]
    return list(dict.fromkeys(part for text in told for part in text.split("; ")))[:most]
