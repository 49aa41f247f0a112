"""The water balance in a report: uses with the evidence asked for, tests, explanations."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.volumes.uses import use_table
from sewer_audit.explanations import CATALOGUE, VERY_STRONG
from sewer_audit.report.show import Shown, bullets, say
from sewer_audit.report.words import Words, counted, joined, sentence_of, short_finding
from sewer_audit.units import from_si

__all__ = [
    "adjustments",
    "asked_for",
    "consistency",
    "excluded",
    "explanations",
    "opposing",
    "sensitivity",
    "separates",
    "uses",
    "visit_list",
]


def short_answer(result: Any) -> Shown:
    """The four questions of the balance, answered in a sentence each."""
    words, total, evidence = Words.of(result), result.total, result.evidence
    sentences = []
    if evidence.balance is not None and total.get("balance_mean") is not None:
        came = evidence.balance.total("intake").sum(axis=1).mean()
        used = evidence.balance.total("use").sum(axis=1).mean()
        interval = words.volume_interval(total["balance_low"], total["balance_high"])
        sentences.append(
            f"Of {words.volume(came)} taken in, {words.volume(used)} never reached the sewer; "
            f"{words.volume(total['balance_mean'])} should have, {interval}."
        )
    sentences.append(_tested(result, words))
    if evidence.reconciliation is not None and total.get("reconciled_mean") is not None:
        interval = words.volume_interval(total["reconciled_low"], total["reconciled_high"])
        sentences.append(f"Joined: {words.volume(total['reconciled_mean'])}, {interval}.")
    statement = str(result.explanations.attrs.get("statement", ""))
    if statement:
        sentences.append("Explanations: " + sentence_of(statement))
    return bullets(sentences, "There is no estimate to say anything with.")


def _tested(result: Any, words: Words) -> str:
    found = result.evidence.reconciliation
    if found is None:
        have = result.evidence.effluent is not None or result.evidence.balance is not None
        return "There is one estimate only; nothing tests it." if have else "There is no estimate."
    count = counted(int(np.isfinite(found.z).sum()), "invoice")
    if found.agree:
        return f"The measured effluent agrees with that over {count}, within the uncertainties."
    return (
        f"The measured effluent contradicts that over {count}: it differs by "
        f"{words.volume(abs(found.total_difference))} in all, and the two were not averaged."
    )


def priors() -> pd.DataFrame:
    """Every explanation of the catalogue with its prior weight and its sign in the figures."""
    rows = [
        {
            "explanation": each.name,
            "concerns": "the invoice" if each.acts_on == "bill" else "the two estimates",
            "prior weight": f"{100 * each.weight:.0f} %",
            "its size": "" if each.parameter is None else each.parameter.name,
            "seen by": each.source or "no difference",
        }
        for each in CATALOGUE
    ]
    return pd.DataFrame(rows)


def uses(result: Any) -> pd.DataFrame:
    """Uses and other inflows: equation, volume, uncertainty and where it comes from.

    Units: result [m3].
    """
    found, unit = use_table(result.case, result.evidence), Words.of(result).volume_unit
    if found.empty:
        return found
    spread = 1.96 * found["standard_uncertainty_m3"] / found["volume_m3"].abs()
    return pd.DataFrame(
        {
            "what": found["name"],
            "known by": found["kind"] + ": " + found["way"],
            "equation": found["equation"],
            f"volume [{unit}]": from_si(found["volume_m3"], unit, "volume"),
            "95 % limit [%]": 100 * spread.replace([np.inf, -np.inf], np.nan),
            "uncertainty from": found["uncertainty_from"],
            "credited": np.where(found["credited"], "yes", "no"),
        }
    )


def asked_for(result: Any) -> pd.DataFrame:
    """What a city usually asks for before it accepts a use, and what spoils the figure."""
    found = use_table(result.case, result.evidence)
    if found.empty:
        return found
    return pd.DataFrame(
        {
            "what": found["name"],
            "a city usually asks for": found["evidence"],
            "better still": found["better"],
            "what spoils it": found["traps"],
            "source": found["sources"],
        }
    )


def consistency(result: Any) -> pd.DataFrame:
    """The tests of the two estimates against each other."""
    joined_volumes = result.evidence.reconciliation
    if joined_volumes is None:
        return pd.DataFrame()
    share = 1 - np.sqrt(result.case.data.rule.coverage)
    largest = np.nanmax(np.abs(joined_volumes.z))
    rows = [
        ("all invoices jointly, chi-square", joined_volumes.chi_square, joined_volumes.dof,
         joined_volumes.p_value, joined_volumes.p_value >= share),
        ("total of all invoices, z", joined_volumes.total_z, 1, joined_volumes.total_p_value,
         joined_volumes.total_p_value >= share),
        (f"largest of the invoices, |z| against {joined_volumes.critical_z:.2f}", largest, 1,
         np.nan, largest <= joined_volumes.critical_z),
    ]  # fmt: skip
    columns = ["test", "statistic", "degrees of freedom", "probability of a larger one", "passed"]
    frame = pd.DataFrame(rows, columns=columns)
    frame["probability of a larger one"] = [
        "–" if not np.isfinite(p) else f"{p:.3g}" for p in frame["probability of a larger one"]
    ]
    frame["passed"] = np.where(frame["passed"], "yes", "NO")
    return frame


def adjustments(result: Any) -> pd.DataFrame:
    """Both estimates of every invoice, and what joining them moved.

    Units: result [m3].
    """
    found, table = result.evidence.reconciliation, result.invoices
    if found is None:
        return pd.DataFrame()
    unit = Words.of(result).volume_unit

    def shown(name: str) -> np.ndarray:
        return np.asarray(from_si(table[name].to_numpy(float), unit, "volume"))

    frame = {"invoice": table["invoice"]}
    for name, head in (("effluent", "effluent"), ("balance", "balance"), ("reconciled", "joined")):
        pairs = zip(shown(f"{name}_mean"), shown(f"{name}_standard_uncertainty"), strict=True)
        frame[f"{head}, (u) [{unit}]"] = [
            f"{mean:,.0f} ({spread:,.0f})" if np.isfinite(mean) else "–" for mean, spread in pairs
        ]
    frame["difference over its u"] = found.z
    if found.weight_of_effluent is not None:
        frame["weight of the effluent"] = found.weight_of_effluent
    return pd.DataFrame(frame)


def explanations(result: Any) -> pd.DataFrame:
    """Candidate explanations, most probable first, and what each would change."""
    found, words = result.explanations, Words.of(result)
    if found.empty:
        return pd.DataFrame()
    unit = words.volume_unit
    change = from_si(found["discharge_change_m3"].to_numpy(float), unit, "volume")
    pairs = zip(found["name"], found["detail"], strict=True)
    return pd.DataFrame(
        {
            "explanation": [f"{name} ({form})" if form else name for name, form in pairs],
            "prior": [words.sign(value) for value in found["prior"]],
            "probability": [words.sign(value) for value in found["posterior"]],
            "figures fit worse than the first by a factor": [
                f"{v:,.0f}" if v >= 100 else f"{v:.3g}" for v in found["factor_below_best"]
            ],
            f"audited discharge changes by [{unit}]": [
                "–" if not np.isfinite(v) else f"{v:+,.0f}" for v in change
            ],
            "finding on the sum if true": [
                short_finding(text) or "–" for text in found["finding_if_true"]
            ],
            "what would settle it": found["evidence"].replace("", "–"),
        }
    )


def opposing(result: Any) -> pd.DataFrame:
    """How far the finding can be shaken: point by point, what remains.

    Units: result [m3, money].
    """
    found, words = result.opposing, Words.of(result)
    if found.empty:
        return found
    unit = words.volume_unit
    return pd.DataFrame(
        {
            "granted": [
                what if kind in ("stated", "jointly") else f"{kind}: {what}"
                for kind, what in zip(found["kind"], found["what"], strict=True)
            ],
            f"audited in all [{unit}]": from_si(found["total_m3"].to_numpy(float), unit, "volume"),
            f"too high, of {len(result.judged)} judged": found["too_high"],
            "finding on the sum": found["total_finding"].map(short_finding),
            "less if billed on these volumes": [
                "–" if not np.isfinite(v) else words.money(v, cents=False) for v in found["amount"]
            ],
            "turns the sum if wrong by": [
                f"{each:.1f} standard uncertainties" if np.isfinite(each) else "–"
                for each in found["overturned_at"]
            ],
        }
    )


def leads(result: Any) -> pd.DataFrame:
    """What would settle each explanation, and what a visit would look at."""
    found = result.explanations
    if found.empty:
        return pd.DataFrame()
    kept = found[(found["factor_below_best"] < VERY_STRONG) & (found["evidence"] != "")]
    return pd.DataFrame(
        {
            "explanation": kept["name"],
            "what would settle it": kept["evidence"],
            "what a visit would look at": kept["visit"].replace("", "–"),
        }
    )


def excluded(result: Any) -> Shown:
    """Single explanations the figures exclude, and those this evidence cannot show."""
    about = result.explanations.attrs
    parts = []
    if about.get("excluded"):
        where = "For the invoices that were ranked" if about["set_aside"] else "By these figures"
        parts.append(
            f"{where} these are excluded, each more than {VERY_STRONG:.0f} times less likely "
            f"than the first: {joined(about['excluded'])}."
        )
    if about.get("untestable"):
        parts.append(f"This evidence cannot show: {joined(about['untestable'])}.")
    return say("{sentence}", sentence=" ".join(parts) or "Nothing is excluded.")


def separates(result: Any) -> Shown:
    """Evidence that would tell the two best apart, and what each answer would change."""
    about, words = result.explanations.attrs, Words.of(result)
    text = about.get("separates", "")
    if not text:
        return say("No further evidence is proposed to tell the explanations apart.")
    lines = [f"What would tell the two best apart: {text}."]
    for answer in about.get("answers", ()):
        told = f"If it shows “{answer['if']}”: "
        if np.isfinite(answer["discharge_m3"]):
            interval = words.volume_interval(answer["low_m3"], answer["high_m3"])
            told += f"{words.volume(answer['discharge_m3'])} left the site, {interval}; the sum: "
            told += answer["finding"].removeprefix("billed volume ") or "no finding"
        if answer["amount"] is not None:
            told += f"; charged beyond that {words.money(answer['amount'])}"
        lines.append(told + (f" ({answer['then']})." if answer["then"] else "."))
    return bullets(lines, "")


def sensitivity(result: Any) -> pd.DataFrame:
    """What stands first, and what may be named, under other priors."""
    rows = result.explanations.attrs.get("sensitivity", ())
    return pd.DataFrame(
        [
            {
                "priors": row["priors"],
                "stands first": row["first"],
                "probability": f"{100 * row['probability']:.0f} %",
                "nothing wrong": f"{100 * row['nothing_wrong']:.0f} %",
                "named": row["named"] or "nothing",
            }
            for row in rows
        ]
    )


def visit_list(result: Any, most: int = 6) -> list[str]:
    """What a visit would look at, for the explanations that are not excluded."""
    found = result.explanations
    if found.empty:
        return []
    likely = found[(found["factor_below_best"] < VERY_STRONG) & (found["visit"] != "")]
    told = [text for text in map(str, likely["visit"]) if not text.startswith("none")]
    return list(dict.fromkeys(part for text in told for part in text.split("; ")))[:most]
