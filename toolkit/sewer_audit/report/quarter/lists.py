"""The lists of the quarterly review: what is new, what is worth pursuing, what to do."""

from __future__ import annotations

from typing import Any

import pandas as pd

from sewer_audit.report.show import Shown, say, show_table
from sewer_audit.report.words import Words

__all__ = ["actions", "changes", "news", "savings"]

ROOM = "\N{NO-BREAK SPACE}" * 18  # room to write by hand


def news(found: Any) -> Shown:
    """What the invoices of this quarter brought."""
    if found.news.empty:
        return say("Nothing was flagged for the invoices of this quarter.")
    table = found.news.rename(columns={"what": "what was found", "before": "seen before"})
    return show_table(table, f"Flags of the invoices of {found.quarter}")


def changes(found: Any) -> Shown:
    """What changed since the last review of the same folder."""
    if found.before is None:
        return say("No earlier review was given to compare with.")
    if found.changes.empty:
        return say("Nothing changed since the review of {quarter}.", quarter=found.before)
    money = Words.of(found.audit).currency
    heads = {
        "earlier": f"then [{money}]",
        "now": f"now [{money}]",
        "link": "where",
        "until": "lost from",
    }
    table = found.changes.rename(columns=heads).drop(columns="code")
    caption = f"What changed since the review of {found.before}"
    return show_table(table, caption, digits={heads["earlier"]: 2, heads["now"]: 2})


def savings(found: Any) -> Shown:
    """What is worth pursuing, in order of its cautious figure."""
    if found.savings.empty:
        return say("No saving follows from the evidence of this case.")
    words, frame = Words.of(found.audit), found.savings
    table = pd.DataFrame(
        {
            "what": [_named(row) for row in frame.itertuples()],
            "paid": frame["kind"],
            f"amount [{words.currency}]": frame["amount_mean"],
            "certainty": [_certainty(row, words) for row in frame.itertuples()],
            "note": frame["note"],
        }
    )
    caption = (
        "Savings by their cautious figure: the amount where it is exact, else the lower end of its "
        "interval"
    )
    return show_table(table, caption, digits={f"amount [{words.currency}]": 0})


def _named(row: Any) -> str:
    return f"{row.what} ({row.invoices})" if row.invoices else row.what


def _certainty(row: Any, words: Words) -> str:
    if row.amount_low == row.amount_high:
        return row.certainty
    span = f"{row.amount_low:,.0f} to {row.amount_high:,.0f}"
    if row.kind == "once":  # ends of a tolerance, no interval of draws
        return f"{span}: {row.certainty}"
    return f"{span} ({words.interval_name}); probability of a gain {words.sign(row.probability)}"


def actions(found: Any) -> Shown:
    """What to do, with blanks for owner and date."""
    blank = {name: found.actions[name].replace("", ROOM) for name in ("owner", "date")}
    table = found.actions.assign(**blank).rename(columns={"last_day": "last day the case states"})
    if table.empty:
        return say("Nothing is proposed.")
    return show_table(table, "Actions; owner and date to be filled in")
