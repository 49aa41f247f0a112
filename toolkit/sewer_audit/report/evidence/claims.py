"""Claims and payments of an audit as tables people read."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.report.words import Words

__all__ = ["claim_frame"]

YES_NO = {True: "yes", False: "no"}


def claim_frame(result: Any) -> pd.DataFrame:
    """Amounts by invoice with windows and deadlines; payments and interest where they are known."""
    words, frame = Words.of(result), result.claim
    money = words.currency
    columns: dict[str, list[Any]] = {
        "invoice": [*frame["invoice"], "sum"],
        "billed on": [*map(words.day, frame["billed_on"]), ""],
        f"billed less recomputed [{money}]": _summed(frame["by_the_rules"]),
    }
    if frame["paid"].notna().any():
        columns[f"paid [{money}]"] = _summed(frame["paid"])
        columns[f"to be refunded [{money}]"] = _summed(frame["refund"])
        columns[f"to be credited [{money}]"] = _summed(frame["credit"])
    if frame["interest"].notna().any():
        columns[f"interest [{money}]"] = _summed(frame["interest"])
    asked = [*(YES_NO.get(v, "not stated") for v in frame["in_look_back"]), ""]
    columns["inside the look-back"] = asked
    columns["refund lapses on"] = [*(words.day(v) for v in frame["lapses_on"]), ""]
    columns["dispute until"] = [*(words.day(v) for v in frame["dispute_until"]), ""]
    columns["open for dispute"] = [*(YES_NO.get(v, "not stated") for v in frame["open"]), ""]
    if not frame["exact"].all():
        columns["known"] = [*np.where(frame["exact"], "exactly", "within an interval"), ""]
    return pd.DataFrame(columns)


def _summed(values: pd.Series) -> list[float]:
    numbers = values.astype(float)
    return [*numbers, float(np.nansum(numbers))]
