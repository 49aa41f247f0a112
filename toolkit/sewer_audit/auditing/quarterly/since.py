"""What changed since the last review: entries of the ledger, their amounts, their deadlines."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from sewer_audit.auditing.result import Audit
from sewer_audit.errors import InputRefused, Problem

FILE = "findings.json"
COLUMNS = ("what", "invoice", "link", "code", "earlier", "now", "until")
CENT = 0.005
"""Half a cent; smaller changes are none [money]."""


@dataclass(frozen=True)
class LastReview:
    """What is kept of a review: its quarter and, by invoice and link, its ledger."""

    quarter: str
    entries: dict[tuple[str, str], dict[str, Any]]

    def text(self) -> str:
        """As one line that :func:`last_review` reads again, so that a folder can carry it."""
        return json.dumps({"quarter": self.quarter, "ledger": [*self.entries.values()]})


def last_review(given: str | Path) -> LastReview | None:
    """The last review.

    Parameters
    ----------
    given : str or Path
        Its folder, its findings as text, or nothing [text].

    Raises
    ------
    InputRefused
        If it is no review that this toolkit wrote.
    """
    if not given:
        return None
    remedy = f"Name the folder of a review, which holds {FILE}"
    name, text = "last review", str(given)
    try:
        if not text.startswith("{"):
            name, text = FILE, (Path(given) / FILE).read_text(encoding="utf-8")
        tree = json.loads(text)
        quarter = str(tree["review"]["quarter"] if "review" in tree else tree["quarter"])
        kept = [{key: each[key] for key in KEYS} for each in tree["ledger"]]
        for each in kept:
            each["amount"] = float(each["amount"])
            for key in ("until", "as_of"):
                if each[key] is not None:
                    date.fromisoformat(each[key])
    except OSError as error:
        found = f"cannot be read ({error.strerror or 'no such file'})"
        raise InputRefused(Problem(name, found, remedy)) from None
    except (ValueError, KeyError, TypeError, RecursionError):
        found = "is not the findings of a review"
        raise InputRefused(Problem(name, found, remedy)) from None
    return LastReview(quarter, {(str(e["invoice"]), str(e["link"])): e for e in kept})


KEYS = ("invoice", "link", "code", "amount", "until", "as_of")
"""What is compared of an entry of the ledger [text]."""


def changes_since(earlier: LastReview | None, result: Audit) -> pd.DataFrame:
    """What the ledger holds anew, no more or otherwise, and what can no longer be disputed."""
    if earlier is None:
        return pd.DataFrame(columns=list(COLUMNS))
    now = {(each.invoice, each.link): each for each in result.ledger.entries}
    rows: list[tuple[Any, ...]] = []
    for key, each in now.items():
        old = earlier.entries.get(key)
        place = (each.invoice, each.link, each.code)
        until = "" if each.until is None else str(each.until)
        amount = float(each.amount)
        if old is None:
            rows.append(("new", *place, None, amount, until))
            continue
        if abs(amount - old["amount"]) > CENT:
            rows.append(("amount changed", *place, old["amount"], amount, until))
        if _passed(old, each.as_of):
            rows.append(("deadline passed", *place, old["amount"], amount, old["until"]))
    for key, old in earlier.entries.items():
        if key not in now:
            place = (old["invoice"], old["link"], old["code"])
            rows.append(("no longer found", *place, old["amount"], None, old["until"] or ""))
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    return frame.astype({"earlier": float, "now": float})


def _passed(old: dict[str, Any], today: date | None) -> bool:
    """Whether the day on which it is lost came between the two reviews."""
    if old["until"] is None or old["as_of"] is None or today is None:
        return False
    return date.fromisoformat(old["as_of"]) < date.fromisoformat(old["until"]) <= today
