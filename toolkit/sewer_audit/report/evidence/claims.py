"""Claims and payments of an audit as tables people read."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.wording import Words

__all__ = ["claim_frame"]


def claim_frame(result: Any) -> pd.DataFrame:
    """Amounts by invoice with windows and deadlines; payments and interest where they are known."""
    words, frame = Words.of(result), result.claim
    named = {True: words("bills.claims.yes"), False: words("bills.claims.no")}

    def answers(name: str) -> list[str]:
        return [*(named.get(v, words("bills.claims.not_stated")) for v in frame[name]), ""]

    def days(name: str) -> list[str]:
        return [*map(words.day, frame[name]), ""]

    columns: dict[str, list[Any]] = {
        "invoice": [*frame["invoice"], words("bills.claims.sum")],
        "billed_on": days("billed_on"),
        "difference": _summed(frame["by_the_rules"]),
    }
    if frame["paid"].notna().any():
        columns |= {name: _summed(frame[name]) for name in ("paid", "refund", "credit")}
    if frame["interest"].notna().any():
        columns["interest"] = _summed(frame["interest"])
    columns["in_look_back"] = answers("in_look_back")
    columns |= {name: days(name) for name in ("lapses_on", "dispute_until")}
    columns["open"] = answers("open")
    if not frame["exact"].all():
        exact, within = words("bills.claims.exactly"), words("bills.claims.within")
        columns["known"] = [*np.where(frame["exact"], exact, within), ""]
    return words.frame("bills.claims.heads", columns)


def _summed(values: pd.Series) -> list[float]:
    numbers = values.astype(float)
    return [*numbers, float(np.nansum(numbers))]
