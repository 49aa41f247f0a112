"""The first page of the evidence: verdict, amount, and the three questions kept apart."""

from __future__ import annotations

import math
from typing import Any

from sewer_audit.charges import BRIEFLY, OF_RUN
from sewer_audit.report.evidence.invoice_words import shared_days, true_up_words
from sewer_audit.report.show import Shown, bullets, show_verdict, tell
from sewer_audit.uncertainty import TOO_HIGH, TOO_LOW
from sewer_audit.wording import Words

__all__ = [
    "amount_alone",
    "amount_words",
    "basis_values",
    "conclusions",
    "fairness",
    "headline",
    "questions",
    "rule_words",
    "verdict",
]

SHOWN = 6
"""Errors that the first screen names one by one [-]."""


def verdict(result: Any) -> Shown:
    """The box that opens the report: which bill is wrong by how much, the volume, the basis."""
    words, table, device = Words.of(result), result.invoices, result.case.device
    trend = device is not None and result.case.notes.trend_grade
    told = {
        **_volume_facts(result, words),
        **_basis_facts(result, words),
        "trend": words("verdict.told.trend") if trend else None,
        "invoices": words(
            "verdict.told.invoices",
            count=len(table),
            first=table["start"].min(),
            last=table["end"].max(),
        ),
    }
    facts = _by_bill(result, words) | words.labels("verdict.facts", told)
    return show_verdict(headline(result), amount_words(result, words), facts)


def _known(row: Any, name: str) -> bool:
    value = row.get(name)
    return value is not None and math.isfinite(value)


def _wrong(result: Any) -> list[str]:
    """Invoices that depart from the schedule by their own figures."""
    entries = result.ledger.entries
    return list(dict.fromkeys(entry.invoice for entry in entries if entry.link != OF_RUN))


def headline(result: Any) -> str:
    """Whether the invoices follow from the schedule, in one line."""
    words, count, wrong = Words.of(result), len(result.invoices), len(_wrong(result))
    if result.claim.empty:
        return words("verdict.headline.not_recomputed", invoices=count)
    if questions(result):
        return words("verdict.headline.question_first")
    if not wrong:
        return words("verdict.headline.all_follow", invoices=count)
    return words("verdict.headline.some_do_not", wrong=wrong, invoices=count)


def amount_words(result: Any, words: Words) -> str:
    """What was billed too high or too low, and where that stands on the day of the decision."""
    text = amount_alone(result, words)
    if result.claim.empty or questions(result) or not result.ledger.entries:
        return text
    return f"{text} {_windows(result, words)}"


def amount_alone(result: Any, words: Words) -> str:
    """What was billed too high or too low, without its windows."""
    claim, entries, asked = result.claim, result.ledger.entries, questions(result)
    if claim.empty:
        return words("verdict.amount.no_schedule")
    if asked:
        return words("verdict.amount.question_first", question=asked[0])
    if not entries:
        return words("verdict.amount.none", metered=result.case.data.case.basis == "discharge")
    sums = claim.attrs["sums"]
    return words(
        "verdict.amount.stated",
        alike=[
            flag.data["link"] for flag in result.flags if flag.code == "rates-to-be-held-beside"
        ],
        known_within=sums["net_low"] < sums["net_high"],
        exact=sum(e.amount for e in entries if e.exactness == "exact" and e.amount > 0),
        **sums,
    )


def _windows(result: Any, words: Words) -> str:
    """What can still be disputed, what only refunded, what is barred, as of which day."""
    rule, claim = result.case.data.rule, result.claim
    if rule.look_back is None and rule.dispute_days is None:
        return words("verdict.windows.none")
    sums, over = claim.attrs["sums"], claim[claim["by_the_rules"] > 0]
    disputed = over["open"] == True  # noqa: E712  (or None, where no window is stated)
    named = {"open": "open_for_dispute", "later": "only_in_look_back", "barred": "barred"}
    amounts = {name: sums[key] for name, key in named.items() if sums[key] > 0}
    ends = over.loc[~disputed, "lapses_on"].dropna()
    told = [
        words(
            f"verdict.windows.{name}",
            amount=words.money(amount) if len(amounts) > 1 else words("verdict.windows.all_of_it"),
            until=min(over.loc[disputed, "dispute_until"], default=None),
            days=rule.dispute_days,
            months=rule.look_back,
            lapses=min(ends, default=None),
        )
        for name, amount in amounts.items()
    ]
    return words("verdict.windows.as_of", decided_on=sums["decided_on"], told=told)


def questions(result: Any) -> list[str]:
    """What the case is asked before anything may be claimed on its bills."""
    return [flag.message for flag in result.flags if "bill" in flag.stops]


def _by_bill(result: Any, words: Words) -> dict[str, str]:
    """One fact for each kind of error: its bills, its amount, how well it is known."""
    groups: dict[tuple[str, bool], list[Any]] = {}
    for entry in result.ledger.entries:
        if entry.link != OF_RUN:
            groups.setdefault((entry.code, entry.amount > 0), []).append(entry)
    order = sorted(groups.items(), key=lambda item: -abs(sum(e.amount for e in item[1])))
    facts = {}
    for (code, over), entries in order[:SHOWN]:
        names = list(dict.fromkeys(entry.invoice for entry in entries))
        fits = words("verdict.told.or").join(_with_rivals(result, code, names))
        facts[words("verdict.told.error", invoices=names, fits=fits)] = words(
            "verdict.told.known",
            amount=abs(sum(entry.amount for entry in entries)),
            over=over,
            exact=all(e.exactness == "exact" for e in entries),
        )
    left = [entry.amount for _, entries in order[SHOWN:] for entry in entries]
    more = {"more": words.money(float(sum(left))) if left else None}
    return facts | words.labels("verdict.facts", more) | true_up_words(result, words)


def _volume_facts(result: Any, words: Words) -> dict[str, str]:
    total, facts = result.total, {"billed": words.volume(result.total["billed_m3"])}
    if _known(total, "audited_mean"):
        ends = total["audited_low"], total["audited_high"]
        facts["reached"] = words("verdict.told.reached", mean=total["audited_mean"], ends=ends)
        facts["against"] = words.written(total["finding"], "finding")
    runs = result.judged["invoices"].map(len) > 1
    counts = result.judged.loc[~runs, "finding"].value_counts()
    told = [words("verdict.told.count", count=n, finding=what) for what, n in counts.items()]
    told += [
        words("verdict.told.together", invoices=row.invoices, finding=row.finding)
        for row in result.judged[runs].itertuples()
    ]
    return {**facts, "each": ", ".join(told)}


def basis_values(result: Any) -> dict[str, Any]:
    """What templates may say of the share that is billed; nothing where it is not answered.

    Parameters
    ----------
    result : Audit
        The audit [-].

    Returns
    -------
    dict
        Shares of the net intake [-], and what billing on the discharge would change, unless a
        question to the case comes first [money].
    """
    basis = result.basis
    if not basis.get("answered"):
        return {}
    parts = (
        [float(basis[f"amount_{part}"]) for part in ("mean", "low", "high")]
        if _known(basis, "amount_mean") and not questions(result)
        else [math.nan] * 3
    )
    more = parts[0] < 0
    return {
        **{name: basis[f"share_{name}"] for name in ("mean", "low", "high")},
        "factor": basis["return_factor"],
        "fair": basis["fair"],
        "favour": basis["share_mean"] > basis["return_factor"],
        "more": more,
        "amount": abs(parts[0]),
        "ends": (-parts[2], -parts[1]) if more else (parts[1], parts[2]),
    }


def _basis_facts(result: Any, words: Words) -> dict[str, str]:
    values = basis_values(result)
    if not values:
        return {}
    facts = {"share": words("verdict.told.share", **values)}
    if values["amount"] >= 0 and not values["fair"]:
        way = "more_on_discharge" if values["more"] else "less_on_discharge"
        facts[way] = words("verdict.told.on_discharge", **values)
    return facts


def conclusions(result: Any) -> Shown:
    """The verdict in sentences, the three questions kept apart."""
    words = Words.of(result)
    parts = (_rules, _volumes, _rests_on, _caution, _basis)
    told = [sentence for part in parts for sentence in part(result, words)]
    return bullets(told, words("verdict.conclusions.none"))


def _rules(result: Any, words: Words) -> list[str]:
    shared = shared_days(result)
    said = [words("verdict.conclusions.shared_days", days=shared)] if shared else []
    if result.claim.empty or questions(result):
        return said
    if _wrong(result):
        return [*said, words("verdict.conclusions.depart")]
    return [*said, words("verdict.conclusions.agree", read=any(result.pricing.by_rules))]


def _with_rivals(result: Any, code: str, names: list[str]) -> list[str]:
    """A class in a few words, and those that fit as well."""
    rivals = [
        other
        for row in result.signatures.itertuples()
        if row.code == code and set(row.invoices) & set(names)
        for other in row.look_alikes
    ]
    return list(dict.fromkeys(BRIEFLY.get(each, each) for each in [code, *rivals]))


def _volumes(result: Any, words: Words) -> list[str]:
    evidence, said = result.evidence, []
    if evidence.open:
        return [words("verdict.conclusions.further_open")]
    if evidence.audited is None:
        conflict = evidence.reconciliation is not None
        return [words("verdict.conclusions.no_volume", conflict=conflict)]
    for finding in (TOO_HIGH, TOO_LOW):
        rows = result.judged[result.judged["finding"] == finding]
        right = _as_scheduled(result, rows)
        if len(rows):
            said.append(
                words(
                    "verdict.conclusions.volume_wrong",
                    high=finding == TOO_HIGH,
                    invoices=rows["invoice"].tolist(),
                    runs=any(len(each) > 1 for each in rows["invoices"]),
                    right=right,
                    all=len(right) == len(rows),
                )
            )
    return said or [words("verdict.conclusions.volume_stands")]


def _as_scheduled(result: Any, rows: Any) -> list[str]:
    """Which of the wrong volumes are as the schedule asks, so that no error was made."""
    if result.case.data.case.basis != "intake" or result.claim.empty:
        return []
    agrees = {e.bill.invoice: e.due is not None and e.volume_agrees for e in result.pricing.series}
    return [row.invoice for row in rows.itertuples() if all(agrees[n] for n in row.invoices)]


def _rests_on(result: Any, words: Words) -> list[str]:
    """What each leg alone says of all invoices, and which granted point leaves them open."""
    table, whole = result.opposing, result.total["finding"]
    if table.empty or whole not in (TOO_HIGH, TOO_LOW):
        return []
    legs = table[table["kind"] == "alone"]
    granted = table[table["kind"].isin(["pessimistic", "left out"])]
    lost = granted[granted["total_finding"] != whole]
    told = [
        words(f"verdict.conclusions.{way}", finding=row.total_finding, what=row.what)
        for way, rows in (("alone", legs), ("granted", lost))
        for row in rows.itertuples()
    ]
    return [words("verdict.conclusions.rests_on", told=told)] if told else []


def _basis(result: Any, words: Words) -> list[str]:
    """Whether the billed share describes the site, where the box holds the figures."""
    values = basis_values(result)
    if not values:
        return []
    if values["fair"]:
        return [words("verdict.conclusions.basis_fair")]
    return [words("verdict.conclusions.basis_unfair", favour=values["favour"])]


def _caution(result: Any, words: Words) -> list[str]:
    """That a dispute can raise the bill, where an invoice was too low by the rule or the rates."""
    low = result.judged["finding"] == TOO_LOW
    names = result.judged.loc[low, "invoice"].astype(str).tolist()
    if not result.claim.empty:
        names += result.claim.loc[result.claim["by_the_rules"] < -0.005, "invoice"].tolist()
    named = list(dict.fromkeys(names))
    if not named:
        return []
    return [words("verdict.conclusions.caution", invoices=named, count=len(named))]


def fairness(result: Any) -> Shown:
    """The answer to the third question as a sentence."""
    words, values = Words.of(result), basis_values(result)
    if values:
        return tell(words, "verdict.fairness.answered", **values)
    if result.case.data.case.basis == "discharge":
        return tell(words, "verdict.fairness.no_share")
    return tell(words, "verdict.fairness.not_answered")


def rule_words(result: Any) -> Shown:
    """The decision rule, and where it comes from."""
    rule = result.case.data.rule
    return tell(
        Words.of(result),
        "verdict.rule.stated",
        source=rule.source.strip().rstrip("."),
        rule=result.rule.statement(len(result.judged)),
        least=rule.smallest_coverage_of_record,
    )
