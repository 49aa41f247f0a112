"""The first page of the evidence: verdict, amount, and the three questions kept apart."""

from __future__ import annotations

import math
from typing import Any

from sewer_audit.auditing.verdict import runs_of_estimates
from sewer_audit.charges import BRIEFLY
from sewer_audit.report.invoice_words import shared_days
from sewer_audit.report.show import Shown, bullets, say, show_verdict
from sewer_audit.report.words import Words, counted, joined

__all__ = [
    "amount_words",
    "conclusions",
    "fairness",
    "headline",
    "questions",
    "rule_source",
    "verdict",
]


def verdict(result: Any) -> Shown:
    """The box that opens the report: which bill is wrong by how much, the volume, the basis."""
    words = Words.of(result)
    facts = {
        **_by_bill(result, words),
        **_volume_facts(result, words),
        **_basis_fact(result, words),
    }
    device = result.case.device
    if device is not None and device.notes.trend_grade:
        facts["Class of the effluent record"] = "Trend grade: it carries no claim alone"
    starts, ends = result.invoices["start"], result.invoices["end"]
    facts["Invoices"] = (
        f"{len(result.invoices)}, {words.day(starts.min())} to {words.day(ends.max())}"
    )
    return show_verdict(headline(result), amount_words(result, words), facts)


def _known(row: Any, name: str) -> bool:
    value = row.get(name)
    return value is not None and math.isfinite(value)


def _wrong(result: Any) -> list[str]:
    """Invoices for which the ledger holds an amount."""
    return list(dict.fromkeys(entry.invoice for entry in result.ledger.entries))


def headline(result: Any) -> str:
    """Whether the invoices follow from the schedule, in one line."""
    number = len(result.invoices)
    if result.claim.empty:
        return f"{counted(number, 'invoice').capitalize()}: not recomputed, for want of a schedule"
    if questions(result):
        return "The bills cannot be judged before a question is answered"
    wrong = _wrong(result)
    if not wrong:
        return f"Every one of {counted(number, 'invoice')} follows from the rate schedule"
    which = "does" if len(wrong) == 1 else "do"
    return f"{len(wrong)} of {counted(number, 'invoice')} {which} not follow from the rate schedule"


def amount_words(result: Any, words: Words) -> str:
    """What was billed too high or too low, and where that stands on the day of the decision."""
    claim = result.claim
    if claim.empty:
        return "No amount can be stated: the case holds no rate schedule."
    asked, sums = questions(result), claim.attrs["sums"]
    if asked:
        return f"A question comes before any amount. {asked[0]}"
    if not result.ledger.entries:
        return "No amount is in question by the rules."
    over, under = sums["over_invoiced"], sums["under_invoiced"]
    text = f"Billed too high by {words.money(over)}" if over else "Nothing was billed too high"
    if under:
        text += f"; billed too low by {words.money(under)}; net {words.money(sums['net'])}"
    if sums["net_low"] < sums["net_high"]:
        text += f" ({words.money(sums['net_low'])} to {words.money(sums['net_high'])})"
    return f"{text}. {_windows(result, words)}"


def _windows(result: Any, words: Words) -> str:
    """What of the overcharges is open, what only in the look-back, what barred, as of which day."""
    rule, sums = result.case.data.rule, result.claim.attrs["sums"]
    if rule.look_back is None and rule.dispute_days is None:
        return "The case states no window for a claim."
    parts = [
        (words.money(sums[name]), told)
        for name, told in (
            ("open_for_dispute", "open for dispute"),
            ("only_in_look_back", "only within the look-back"),
            ("barred", "barred"),
        )
        if sums[name]
    ]
    if len(parts) == 1:
        parts = [("all of it", parts[0][1])]
    said = ", ".join(" ".join(part) for part in parts) or "nothing to claim"
    text = f"As of {sums['decided_on']}: {said}"
    if sums["next_deadline"] is not None:
        text += f"; next deadline {sums['next_deadline']}"
    return text + "."


def questions(result: Any) -> list[str]:
    """What the case is asked before anything may be claimed on its bills."""
    return [flag.message for flag in result.flags if "bill" in flag.stops]


SHOWN = 6
"""Errors that the first screen names one by one [-]."""


def _by_bill(result: Any, words: Words) -> dict[str, str]:
    """One fact for each kind of error: its bills, its amount, how well it is known."""
    groups: dict[tuple[str, bool], list[Any]] = {}
    for entry in result.ledger.entries:
        groups.setdefault((entry.code, entry.amount > 0), []).append(entry)
    order = sorted(groups.items(), key=lambda item: -abs(sum(e.amount for e in item[1])))
    facts = {}
    for (code, over), entries in order[:SHOWN]:
        names = list(dict.fromkeys(entry.invoice for entry in entries))
        known = "exactly" if all(e.exactness == "exact" for e in entries) else "within an interval"
        amount = words.money(float(abs(sum(entry.amount for entry in entries))))
        told = f"{amount} too {'high' if over else 'low'}, known {known}"
        facts[f"{joined(names)}: {BRIEFLY.get(code, code)}"] = told
    left = [entry for _, entries in order[SHOWN:] for entry in entries]
    if left:
        facts["Further entries of the ledger"] = words.money(float(sum(e.amount for e in left)))
    return facts


def _volume_facts(result: Any, words: Words) -> dict[str, str]:
    total = result.total
    facts = {f"Billed, all invoices{words.unit_meaning}": words.volume(total["billed_m3"])}
    if _known(total, "audited_mean"):
        interval = words.volume_interval(total["audited_low"], total["audited_high"])
        reached = words.volume(total["audited_mean"])
        facts["Reached the sewer by the evidence, all invoices"] = f"{reached}; {interval}"
        facts["Billed volume against that, all invoices"] = _briefest(str(total["finding"]))
    counts = result.invoices["finding"].map(_briefest).value_counts()
    facts["The same, invoice by invoice"] = ", ".join(f"{n} {what}" for what, n in counts.items())
    return facts


def _briefest(finding: str) -> str:
    return finding.removeprefix("billed volume ").removesuffix(" from this evidence")


def _basis_fact(result: Any, words: Words) -> dict[str, str]:
    basis = result.basis
    if not basis.get("answered"):
        return {}
    low, high = (words.share(basis[f"share_{end}"]) for end in ("low", "high"))
    facts = {
        "Share of the net intake (intake less credits) that reached the sewer": (
            f"{words.share(basis['share_mean'])}; {low} to {high} ({words.interval_name}); "
            f"the schedule bills {words.share(basis['return_factor'])}"
        )
    }
    if _known(basis, "amount_mean") and not basis["fair"]:
        way, amount, span = _on_discharge(basis, words)
        what = f"{way.capitalize()} if billed on the discharge (a question of the basis, no error)"
        facts[what] = f"{amount}; {span}"
    return facts


def conclusions(result: Any) -> Shown:
    """The verdict in sentences, the three questions kept apart."""
    words = Words.of(result)
    return bullets(
        [
            *_rules_sentences(result, words),
            *_volume_sentences(result),
            *_cautions(result),
            *_basis_sentences(result, words),
        ],
        "The evidence answers none of the three questions yet.",
    )


def _rules_sentences(result: Any, words: Words) -> list[str]:
    shared = shared_days(result)
    said = []
    if shared:
        said = [
            f"Days on two invoices: {'; '.join(shared)}. Every day counts once, for the earliest "
            "invoice that holds it; which of the two stands is for the billing authority to say."
        ]
    return [*said, *_by_the_rules(result, words)]


def _by_the_rules(result: Any, words: Words) -> list[str]:
    if result.claim.empty:
        return []
    claim, head = result.claim, "By the rules: "
    wrong = _wrong(result)
    if not wrong:
        return [head + "reads, rates and sums of every invoice agree with the schedule."]
    amounts = [f"{name} ({words.money(float(result.ledger.of(name)))})" for name in wrong]
    return [
        f"{head}{len(wrong)} of {counted(len(claim), 'invoice')} "
        f"{'does' if len(wrong) == 1 else 'do'} not follow from the reads and the schedule, as "
        f"billed less recomputed: {joined(amounts)}. "
        "Such an error asks for a correction or a refund.",
        *_briefly(result),
    ]


def _briefly(result: Any) -> list[str]:
    """In a few words, what the figures of the invoices fit."""
    fits = [
        f"{_with_rivals(row)} ({', '.join(row.invoices)})"
        for row in result.signatures.itertuples()
        if row.exactness != "not explained"
    ]
    return [f"What their figures fit: {'; '.join(fits)}."] if fits else []


def _with_rivals(row: Any) -> str:
    """The class and those that fit as well, each with its chance of fitting by accident."""
    told = []
    for code in (row.code, *row.look_alikes):
        chance = row.chances.get(code)
        by_chance = ""
        if chance is not None:
            share = "less than 0.01" if chance < 1e-4 else f"{100 * chance:.2g}"
            by_chance = f", by accident {share} %"
        told.append(f"{BRIEFLY.get(code, code)}{by_chance}")
    return " or ".join(told)


def _volume_sentences(result: Any) -> list[str]:
    table, head = result.invoices, "Volume: "
    if result.evidence.open:
        return [
            f"{head}cannot be judged, for the further balances do not close and what the verdict "
            "would rest on may be wrong; the water balance says which measurements it may be."
        ]
    if result.evidence.audited is None:
        reason = "there is neither an effluent record nor a balance of supply reads"
        if result.evidence.reconciliation is not None:
            reason = "the two estimates contradict each other, and they are not averaged"
        return [f"{head}cannot be judged, for {reason}."]
    sentences = []
    for kind in ("too high", "too low"):
        names = table.loc[table["finding"].str.contains(kind), "invoice"].astype(str).tolist()
        if names:
            sentences.append(f"{head}the billed volume is {kind} in {joined(names)}.")
            sentences[-1] += _of_the_basis(result, names) + _in_runs(result, names)
    if not sentences:
        sentences = [head + "no billed volume is shown to be wrong by the stated rule."]
    return sentences


def _of_the_basis(result: Any, wrong: list[str]) -> str:
    """Which of the wrong volumes are as the schedule asks, so that no error was made."""
    if result.case.data.case.basis != "intake" or result.claim.empty:
        return ""
    right = result.claim[result.claim["by_the_rules"].abs() <= 0.005]
    names = [name for name in wrong if name in set(right["invoice"].astype(str))]
    if not names:
        return ""
    which = "All of them follow" if len(names) == len(wrong) else f"Of these {joined(names)} follow"
    return (
        f" {which} the schedule, which bills a share of the intake: there the basis is at issue, "
        "not the invoice."
    )


def _in_runs(result: Any, names: list[str]) -> str:
    """Invoices of a run of estimates, which has one volume between its two actual reads."""
    frame = result.inputs.invoices.frame
    runs = [[str(frame["invoice"].iloc[at]) for at in run] for run in runs_of_estimates(frame)]
    told = [joined(run) for run in runs if len(run) > 1 and set(run) & set(names)]
    return f" Judged together, between two actual reads: {'; '.join(told)}." if told else ""


def _basis_sentences(result: Any, words: Words) -> list[str]:
    basis, head = result.basis, "Basis: "
    if not basis.get("answered"):
        return []
    low, high = words.share(basis["share_low"]), words.share(basis["share_high"])
    text = (
        f"{head}{words.share(basis['share_mean'])} of the net intake reached the sewer "
        f"({low} to {high}, {words.interval_name}), where the schedule bills "
        f"{words.share(basis['return_factor'])}. "
    )
    if basis["fair"]:
        return [text + "That share describes this site within what the evidence can tell."]
    text += "That share does not describe this site"
    if _known(basis, "amount_mean"):
        way, amount, span = _on_discharge(basis, words)
        text += (
            f"; billed on the discharge, these invoices would have cost {way} by {amount}, {span}"
        )
    text += ". That is no error of an invoice"
    if basis["share_mean"] > basis["return_factor"]:
        return [text + ", and it is in favour of the site: to question the basis can raise bills."]
    return [text + ": it asks for a credit or another basis."]


def _on_discharge(basis: Any, words: Words) -> tuple[str, str, str]:
    """Less or more than invoiced by the schedule, by how much, and the interval of that."""
    ends = [float(basis[f"amount_{part}"]) for part in ("mean", "low", "high")]
    if ends[0] < 0:
        ends = [-ends[0], -ends[2], -ends[1]]
    way = "more" if basis["amount_mean"] < 0 else "less"
    return way, words.money(ends[0], cents=False), words.money_interval(*ends[1:])


def _cautions(result: Any) -> list[str]:
    """That a dispute can raise the bill, where an invoice was too low by the rule or the rates."""
    low = result.invoices["finding"].str.contains("too low")
    names = result.invoices.loc[low, "invoice"].astype(str).tolist()
    if not result.claim.empty:
        names += result.claim.loc[result.claim["by_the_rules"] < -0.005, "invoice"].tolist()
    named = list(dict.fromkeys(names))
    if not named:
        return []
    was = "was" if len(named) == 1 else "were"
    return [f"Caution: {joined(named)} {was} billed too low; a dispute can also raise the bill."]


def fairness(result: Any) -> Shown:
    """The answer to the third question as a sentence."""
    sentences = _basis_sentences(result, Words.of(result))
    if not sentences:
        return say("The third question, whether the basis is fair, is not answered by this case.")
    return say("{sentence}", sentence=sentences[0].removeprefix("Basis: "))


def rule_source(result: Any) -> str:
    """Where the decision rule comes from, as the case states it."""
    source = result.case.data.rule.source.strip().rstrip(".")
    return "The decision rule" + (
        f", {source}" if source else " (the case file names no source for it)"
    )
