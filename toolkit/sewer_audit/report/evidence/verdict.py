"""The first page of the evidence: verdict, amount, and the three questions kept apart."""

from __future__ import annotations

import math
from typing import Any

from sewer_audit.charges import BRIEFLY, OF_RUN
from sewer_audit.report.evidence.invoice_words import shared_days, true_up_words
from sewer_audit.report.show import Shown, bullets, say, show_verdict
from sewer_audit.report.words import Words, counted, joined, short_finding
from sewer_audit.uncertainty import TOO_HIGH, TOO_LOW

__all__ = [
    "amount_alone",
    "amount_words",
    "conclusions",
    "fairness",
    "headline",
    "questions",
    "rule_words",
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
    """Invoices that depart from the schedule by their own figures."""
    entries = result.ledger.entries
    return list(dict.fromkeys(entry.invoice for entry in entries if entry.link != OF_RUN))


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
    text = amount_alone(result, words)
    if result.claim.empty or questions(result) or not result.ledger.entries:
        return text
    return f"{text} {_windows(result, words)}"


def amount_alone(result: Any, words: Words) -> str:
    """What was billed too high or too low, without its windows."""
    claim = result.claim
    if claim.empty:
        return "No amount can be stated: the case holds no rate schedule."
    asked, sums = questions(result), claim.attrs["sums"]
    if asked:
        return f"A question comes before any amount. {asked[0]}"
    if not result.ledger.entries:
        metered = result.case.data.case.basis == "discharge"
        return "No amount is in question by the rules." + metered * (
            " Whether the meter that is billed on reads right is the question of the volume."
        )
    exact = sum(e.amount for e in result.ledger.entries if e.exactness == "exact" and e.amount > 0)
    over, under = sums["over_invoiced"], sums["under_invoiced"]
    text = f"Billed too high by {words.money(over)}" if over else "Nothing was billed too high"
    if under:
        text += f"; billed too low by {words.money(under)}; net {words.money(sums['net'])}"
    if sums["net_low"] < sums["net_high"]:
        text += f" ({words.money(sums['net_low'])} to {words.money(sums['net_high'])}"
        text += f"; {words.money(float(exact))} of it exactly)" if exact else ")"
    return f"{text}.{_alike(result)}"


def _alike(result: Any) -> str:
    """What is to be looked at first where every bill of an edition departs alike."""
    links = [flag.data["link"] for flag in result.flags if flag.code == "alike-in-every-bill"]
    if not links:
        return ""
    return (
        f" First hold the schedule as the case states it beside the printed one: every bill of an "
        f"edition departs alike ({joined(links)})."
    )


def _windows(result: Any, words: Words) -> str:
    """What can still be disputed, what only refunded, what is barred, as of which day."""
    rule, claim = result.case.data.rule, result.claim
    if rule.look_back is None and rule.dispute_days is None:
        return "The case states no window for a claim."
    sums, over = claim.attrs["sums"], claim[claim["by_the_rules"] > 0]
    disputed = over["open"] == True  # noqa: E712  (or None, where no window is stated)
    names = ("open_for_dispute", "only_in_look_back", "barred")
    whole = sum(sums[name] > 0 for name in names) < 2
    open_, later, barred = ("all of it" if whole else words.money(sums[n]) for n in names)
    said = []
    if sums["open_for_dispute"]:
        first = min(over.loc[disputed, "dispute_until"])
        said.append(f"{open_} can still be disputed, the first amount until {first}")
    if sums["only_in_look_back"]:
        text = f"for {later} "
        if rule.dispute_days is not None:
            text += f"the {rule.dispute_days}-day dispute window is closed; "
        text += "a refund can still be asked for"
        if rule.look_back is not None:
            ends = over.loc[~disputed, "lapses_on"].dropna()
            text += f" (look-back of {rule.look_back} months), the first amount before {min(ends)}"
        said.append(text)
    if sums["barred"]:
        said.append(f"{barred} is barred")
    return f"As of {sums['decided_on']}: {'; '.join(said) or 'nothing to claim'}."


def questions(result: Any) -> list[str]:
    """What the case is asked before anything may be claimed on its bills."""
    return [flag.message for flag in result.flags if "bill" in flag.stops]


SHOWN = 6
"""Errors that the first screen names one by one [-]."""


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
        known = "exactly" if all(e.exactness == "exact" for e in entries) else "within an interval"
        amount = words.money(float(abs(sum(entry.amount for entry in entries))))
        told = f"{amount} too {'high' if over else 'low'}, known {known}"
        facts[f"{joined(names)}: {_with_rivals(result, code, names)}"] = told
    left = [entry for _, entries in order[SHOWN:] for entry in entries]
    if left:
        facts["Further entries of the ledger"] = words.money(float(sum(e.amount for e in left)))
    return facts | true_up_words(result, words)


def _volume_facts(result: Any, words: Words) -> dict[str, str]:
    total = result.total
    facts = {f"Billed, all invoices{words.unit_meaning}": words.volume(total["billed_m3"])}
    if _known(total, "audited_mean"):
        interval = words.volume_interval(total["audited_low"], total["audited_high"])
        reached = words.volume(total["audited_mean"])
        facts["Reached the sewer by the evidence, all invoices"] = f"{reached}; {interval}"
        facts["Billed volume against that, all invoices"] = short_finding(total["finding"])
    runs = result.judged["invoices"].map(len) > 1
    counts = result.judged.loc[~runs, "finding"].map(short_finding).value_counts()
    told = [f"{n} {what}" for what, n in counts.items()]
    told += [
        f"{joined(row.invoices)} together {short_finding(row.finding)}"
        for row in result.judged[runs].itertuples()
    ]
    facts["The same, invoice by invoice"] = ", ".join(told)
    return facts


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
    return bullets(
        [
            *_rules_sentences(result),
            *_volume_sentences(result),
            *_rests_on(result),
            *_cautions(result),
            *_basis_briefly(result),
        ],
        "The evidence answers none of the three questions yet.",
    )


def _rules_sentences(result: Any) -> list[str]:
    shared = shared_days(result)
    said = []
    if shared:
        said = [
            f"Days on two invoices: {'; '.join(shared)}. Every day counts once, for the earliest "
            "invoice that holds it; which of the two stands is for the billing authority to say."
        ]
    return [*said, *_by_the_rules(result)]


def _by_the_rules(result: Any) -> list[str]:
    if result.claim.empty:
        return []
    head = "By the rules: "
    if not _wrong(result):
        checked = (
            "reads, rates" if any(result.pricing.by_rules) else "on the printed volumes, rates"
        )
        return [f"{head}{checked} and sums of every invoice agree with the schedule."]
    return [
        f"{head}the amounts above follow from reads, rates and sums alone: no doubt about record, "
        "balance or basis reaches them. They ask for a correction or a refund."
    ]


def _with_rivals(result: Any, code: str, names: list[str]) -> str:
    """A class in a few words, and those that fit as well."""
    rivals = [
        BRIEFLY.get(other, other)
        for row in result.signatures.itertuples()
        if row.code == code and set(row.invoices) & set(names)
        for other in row.look_alikes
    ]
    return " or ".join(dict.fromkeys([BRIEFLY.get(code, code), *rivals]))


def _volume_sentences(result: Any) -> list[str]:
    head = "Volume: "
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
    for finding in (TOO_HIGH, TOO_LOW):
        rows = result.judged[result.judged["finding"] == finding]
        names = rows["invoice"].tolist()
        if names:
            sentences.append(f"{head}the {finding.replace('too', 'is too')} in {joined(names)}.")
            if any(len(each) > 1 for each in rows["invoices"]):
                sentences[-1] += " Between two actual reads there is one volume, joined by +."
            sentences[-1] += _of_the_basis(result, rows)
    if not sentences:
        sentences = [head + "no billed volume is shown to be wrong by the stated rule."]
    return sentences


def _of_the_basis(result: Any, rows: Any) -> str:
    """Which of the wrong volumes are as the schedule asks, so that no error was made."""
    if result.case.data.case.basis != "intake" or result.claim.empty:
        return ""
    agrees = {e.bill.invoice: e.due is not None and e.volume_agrees for e in result.pricing.series}
    right = [row.invoice for row in rows.itertuples() if all(agrees[n] for n in row.invoices)]
    if not right:
        return ""
    which = "All of these volumes" if len(right) == len(rows) else f"The volumes of {joined(right)}"
    return (
        f" {which} follow the schedule, which bills a share of the intake: there the basis is at "
        "issue, not the invoice."
    )


def _rests_on(result: Any) -> list[str]:
    """What each leg alone says of all invoices, and which granted point leaves them open."""
    table, whole = result.opposing, result.total["finding"]
    if table.empty or whole not in (TOO_HIGH, TOO_LOW):
        return []
    legs = table[table["kind"] == "alone"]
    granted = table[table["kind"].isin(["pessimistic", "left out"])]
    lost = granted[granted["total_finding"] != whole]
    told = [f"{short_finding(row.total_finding)} by {row.what} alone" for row in legs.itertuples()]
    told += [f"{short_finding(row.total_finding)} with {row.what}" for row in lost.itertuples()]
    return [f"All invoices together: {'; '.join(told)}."] if told else []


def _basis_briefly(result: Any) -> list[str]:
    """Whether the billed share describes the site, where the box holds the figures."""
    basis = result.basis
    if not basis.get("answered"):
        return []
    if basis["fair"]:
        return ["Basis: the billed share describes this site within what the evidence can tell."]
    more = basis["share_mean"] > basis["return_factor"]
    return [
        "Basis: the billed share does not describe this site; that is no error of an invoice"
        + (
            ", and it is in favour of the site: to question the basis can raise bills."
            if more
            else " and asks for a credit or another basis."
        )
    ]


def _basis_sentences(result: Any, words: Words) -> list[str]:
    basis = result.basis
    if not basis.get("answered"):
        return []
    low, high = words.share(basis["share_low"]), words.share(basis["share_high"])
    text = (
        f"{words.share(basis['share_mean'])} of the net intake reached the sewer "
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
    low = result.judged["finding"] == TOO_LOW
    names = result.judged.loc[low, "invoice"].astype(str).tolist()
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
        if result.case.data.case.basis == "discharge":
            return say("The schedule bills the discharge itself: there is no share to question.")
        return say("The third question, whether the basis is fair, is not answered by this case.")
    return say("{sentence}", sentence=sentences[0])


def rule_words(result: Any) -> Shown:
    """The decision rule, and where it comes from."""
    rule = result.case.data.rule
    source = rule.source.strip().rstrip(".") or "the case file names no source for it"
    return say(
        "The decision rule ({source}). {rule} No finding rests on a record that covers less than "
        "{least} of a period.",
        source=source,
        rule=result.rule.statement(len(result.judged)),
        least=f"{100 * rule.smallest_coverage_of_record:.3g} %",
    )
