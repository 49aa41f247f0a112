"""The lists of the quarterly review: what is new, what is worth pursuing, what to do."""

from __future__ import annotations

from typing import Any

from sewer_audit.report.show import Shown, table, tell
from sewer_audit.wording import Words

__all__ = ["actions", "changes", "news", "savings"]

ROOM = "\N{NO-BREAK SPACE}" * 18  # room to write by hand


def news(found: Any) -> Shown:
    """What the invoices of this quarter brought."""
    return table(Words.of(found.audit), "quarter.news", found.news, quarter=found.quarter)


def changes(found: Any) -> Shown:
    """What changed since the last review of the same folder."""
    words = Words.of(found.audit)
    if found.before is None:
        return tell(words, "quarter.changes.not_given")
    shown, digits = found.changes.drop(columns="code"), {"earlier": 2, "now": 2}
    return table(words, "quarter.changes", shown, digits, quarter=found.before)


def savings(found: Any) -> Shown:
    """What is worth pursuing, in order of its cautious figure."""
    words, frame = Words.of(found.audit), found.savings
    rows = list(frame.itertuples())
    columns = {
        "what": [f"{row.what} ({row.invoices})" if row.invoices else row.what for row in rows],
        "kind": frame["kind"],
        "amount": frame["amount_mean"],
        "certainty": [_certainty(row, words) for row in rows],
        "note": frame["note"],
    }
    return table(words, "quarter.savings", columns, {"amount": 0})


def _certainty(row: Any, words: Words) -> str:
    if row.amount_low == row.amount_high:
        return row.certainty
    return words(
        "quarter.savings.certain",
        low=row.amount_low,
        high=row.amount_high,
        once=row.kind == "once",  # ends of a tolerance, no interval of draws
        certainty=row.certainty,
        probability=row.probability,
    )


def actions(found: Any) -> Shown:
    """What to do, with blanks for owner and date."""
    blank = {name: found.actions[name].replace("", ROOM) for name in ("owner", "date")}
    return table(Words.of(found.audit), "quarter.actions", found.actions.assign(**blank))
