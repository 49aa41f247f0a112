"""What the evidence report says in words: verdict, answers, conclusions, cautions of this case."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from toolkit.report_frames import margins
from toolkit.report_record import agreement, device, quality_sentence, self_check
from toolkit.report_show import Shown, markdown_text, say, show_table, show_verdict
from toolkit.report_words import Words, counted, joined

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
    "quality_sentence",
    "self_check",
    "table_or",
    "verdict",
]


def bullets(sentences: list[str], empty: str) -> Shown:
    """Sentences as a list, safe inside Markdown.

    Parameters
    ----------
    sentences : list of str
        Any text [text].
    empty : str
        What to say if there is none [text].

    Returns
    -------
    Shown
        A list [text].
    """
    if not sentences:
        return say(empty)
    lines = [f"- {markdown_text(sentence)}" for sentence in sentences]
    plain = "\n".join(f"- {sentence}" for sentence in sentences)
    return Shown("\n".join(lines), plain, "text/markdown")


def table_or(frame: pd.DataFrame | None, caption: str, empty: str, **keywords: Any) -> Shown:
    """A table, or a sentence where there is nothing to show.

    Parameters
    ----------
    frame : DataFrame or None
        The table [-].
    caption : str
        Its caption [text].
    empty : str
        The sentence [text].
    **keywords
        Passed on to :func:`toolkit.report_show.show_table` [-].

    Returns
    -------
    Shown
        Table or sentence [text].
    """
    if frame is None or frame.empty:
        return say("{sentence}", sentence=empty)
    return show_table(frame, caption, **keywords)


def verdict(result: Any) -> Shown:
    """The box that opens the report: finding, amount, the few figures behind them.

    Parameters
    ----------
    result : Audit
        The audit [-].

    Returns
    -------
    Shown
        HTML [text].
    """
    words, total = Words.of(result), result.total
    facts = {"Billed, all invoices": words.volume(total["billed_m3"])}
    if _known(total, "audited_mean"):
        interval = words.volume_interval(total["audited_low"], total["audited_high"])
        facts["Audited, all invoices"] = f"{words.volume(total['audited_mean'])}; {interval}"
        finding = str(total["finding"])
        facts["All invoices together"] = finding[:1].upper() + finding[1:]
    if result.basis.get("answered"):
        low, high = (words.share(result.basis[f"share_{end}"]) for end in ("low", "high"))
        facts["Share of the net intake that reached the sewer"] = (
            f"{words.share(result.basis['share_mean'])}; {low} to {high} ({words.interval_name}); "
            f"the schedule bills {words.share(result.basis['return_factor'])}"
        )
    if _known(result.basis, "amount_mean") and not result.basis["fair"]:
        saved = words.money(result.basis["amount_mean"], cents=False)
        span = words.money_interval(result.basis["amount_low"], result.basis["amount_high"])
        facts["Less if billed on the discharge (a question of the basis, not an error)"] = (
            f"{saved}; {span}"
        )
    starts, ends = result.invoices["start"], result.invoices["end"]
    facts["Invoices"] = (
        f"{len(result.invoices)}, {words.day(starts.min())} to {words.day(ends.max())}"
    )
    return show_verdict(_findings(result), _amount(result, words), facts)


def _known(row: Any, name: str) -> bool:
    value = row.get(name)
    return value is not None and math.isfinite(value)


def _findings(result: Any) -> str:
    counts = result.invoices["finding"].value_counts()
    order = ("too high", "too low", "supported", "cannot be decided")
    parts = []
    for kind in order:
        number = int(sum(n for finding, n in counts.items() if kind in finding))
        if number:
            parts.append(f"{kind} in {number}")
    return f"Billed volume of {counted(len(result.invoices), 'invoice')}: {', '.join(parts)}"


def _amount(result: Any, words: Words) -> str:
    if result.claim.empty:
        return "No amount can be stated: the case holds no rate schedule."
    amounts = result.claim["by_the_rules"]
    over, under = float(amounts[amounts > 0].sum()), float(-amounts[amounts < 0].sum())
    if not over and not under:
        return "Every invoice follows from the rate schedule to the cent."
    text = f"Invoiced beyond the rate schedule: {words.money(over)}"
    if under:
        text += f"; invoiced below it: {words.money(under)}; net {words.money(over - under)}"
    return text


def conclusions(result: Any) -> Shown:
    """The verdict in sentences, the three questions kept apart.

    Parameters
    ----------
    result : Audit
        The audit [-].

    Returns
    -------
    Shown
        A list [text].
    """
    words = Words.of(result)
    return bullets(
        [
            *_rules_sentences(result, words),
            *_volume_sentences(result),
            *_basis_sentences(result, words),
        ],
        "The evidence answers none of the three questions yet.",
    )


def _rules_sentences(result: Any, words: Words) -> list[str]:
    if result.claim.empty:
        return []
    claim = result.claim
    wrong = claim[claim["by_the_rules"].abs() > 0.005]
    head = "By the rules: "
    if wrong.empty:
        return [head + "reads, rates and sums of every invoice agree with the schedule."]
    named = [f"{r.invoice} ({words.money(r.by_the_rules)})" for r in wrong.itertuples()]
    return [
        f"{head}{counted(len(wrong), 'invoice')} of {len(claim)} do not follow from the reads and "
        f"the schedule, as billed less recomputed: {joined(named)}. Such an error asks for a "
        "correction or a refund."
    ]


def _volume_sentences(result: Any) -> list[str]:
    table, head = result.invoices, "Volume: "
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
    if not sentences:
        sentences = [head + "no billed volume is shown to be wrong by the stated rule."]
    return sentences


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
        span = words.money_interval(basis["amount_low"], basis["amount_high"])
        amount = words.money(basis["amount_mean"], cents=False)
        text += (
            f"; billed on the discharge, these invoices would have cost less by {amount}, {span}"
        )
    return [text + ". That is no error of an invoice: it asks for a credit or another basis."]


def answers(result: Any) -> Shown:
    """Which of the three questions the case answers, and what would open the others.

    Parameters
    ----------
    result : Audit
        The audit [-].

    Returns
    -------
    Shown
        A table [text].
    """
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


def fairness(result: Any) -> Shown:
    """The answer to the third question as a sentence.

    Parameters
    ----------
    result : Audit
        The audit [-].

    Returns
    -------
    Shown
        A sentence [text].
    """
    sentences = _basis_sentences(result, Words.of(result))
    if not sentences:
        return say("The third question, whether the basis is fair, is not answered by this case.")
    return say("{sentence}", sentence=sentences[0].removeprefix("Basis: "))


def explained(result: Any) -> Shown:
    """What the ranking of the explanations allows to say.

    Parameters
    ----------
    result : Audit
        The audit [-].

    Returns
    -------
    Shown
        A sentence [text].
    """
    statement = str(result.explanations.attrs.get("statement", ""))
    return say("{statement}", statement=_sentence(statement) if statement else "None was ranked.")


def claim(result: Any) -> Shown:
    """Amounts by invoice with windows and deadlines.

    Parameters
    ----------
    result : Audit
        The audit [money].

    Returns
    -------
    Shown
        A table, or a sentence without a schedule [text].
    """
    if result.claim.empty:
        return say("Without a rate schedule no amount can be stated.")
    words, frame = Words.of(result), result.claim
    yes_no = {True: "yes", False: "no"}
    table = pd.DataFrame(
        {
            "invoice": [*frame["invoice"], "sum"],
            "billed on": [*map(words.day, frame["billed_on"]), ""],
            f"billed less recomputed [{words.currency}]": [
                *frame["by_the_rules"].astype(float),
                float(frame["by_the_rules"].sum()),
            ],
            "within the look-back": [
                *(yes_no.get(v, "not stated") for v in frame["in_look_back"]),
                "",
            ],
            "dispute until": [*(words.day(v) for v in frame["dispute_until"]), ""],
            "still open": [*(yes_no.get(v, "not stated") for v in frame["open"]), ""],
        }
    )
    decided = result.case.data.rule.decided_on
    since = f", counted from {decided}" if decided is not None else ""
    caption = f"Amounts by invoice with the windows the case states{since}"
    return show_table(table, caption, digits=2, sums=(len(table) - 1,))


def margin_table(result: Any) -> Shown:
    """What it would take for another finding.

    Parameters
    ----------
    result : Audit
        The audit [m3].

    Returns
    -------
    Shown
        A table, or a sentence without an audited volume [text].
    """
    frame = margins(result)
    sums = () if frame is None else (len(frame) - 1,)
    empty = "Nothing was decided, so there is nothing a change could overturn."
    return table_or(frame, "What it would take for another finding", empty, digits=1, sums=sums)


def next_proof(result: Any) -> Shown:
    """What to obtain next, the most useful first.

    Parameters
    ----------
    result : Audit
        The audit [-].

    Returns
    -------
    Shown
        A list [text].
    """
    return bullets(list(result.next_proof), "Nothing further is proposed.")


def flags(result: Any) -> Shown:
    """Everything the reader must know, what stops a verdict first.

    Parameters
    ----------
    result : Audit
        The audit [-].

    Returns
    -------
    Shown
        A list [text].
    """
    ordered = sorted(result.flags, key=lambda flag: flag.severity == "note")
    marks = {"note": "", "stops verdict": "Stops a verdict: "}
    named = [marks[flag.severity] + _sentence(flag.message) for flag in ordered]
    return bullets(named, "Nothing was flagged.")


def _sentence(text: str) -> str:
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
