"""Further balances in a report: what they say of the measurements, and what cannot be named."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.volumes.further import FURTHER_OPEN, network_table
from sewer_audit.report.evidence.balance import pairs
from sewer_audit.report.show import Shown, bullets, show_table, tell
from sewer_audit.wording import Words

__all__ = ["closing", "measurements", "parts", "suspicion"]


def suspicion(result: Any) -> Shown:
    """What the balances say of the measurements, and what they cannot."""
    found, words = result.evidence.network, Words.of(result)
    if found is None:
        return tell(words, "balance.further.one_balance")
    numbers = {"streams": len(found.streams), "balances": len(found.balances)}
    count = int(found.counted.sum())
    tested = words("balance.further.tested", **{**vars(found), **numbers, "count": count})
    if found.agree:
        return bullets([tested, words("balance.further.closed")], "")
    return bullets([tested, *_open(result, found, words)], "")


def _open(result: Any, found: Any, words: Words) -> list[str]:
    told = [flag.message for flag in result.flags if flag.code == FURTHER_OPEN]
    said = [words("balance.further.found", message=text) for text in told]
    if found.named is not None:
        able = [each for each in found.suspects if np.isfinite(each.error)]
        others = [each for each in able if each.name not in found.possible]
        if others:
            best = next(each for each in found.suspects if each.name == found.named)
            factor, other = others[0].factor_below_best / best.factor_below_best, others[0].name
            huge = factor >= 1e6
            said.append(words("balance.further.next", other=other, factor=factor, huge=huge))
    elif found.possible:
        said.append(words("balance.further.only_a_test", possible=list(found.possible)))
    return [*said, words("balance.further.not_adjusted")]


def measurements(result: Any) -> pd.DataFrame:
    """Every stream as measured and adjusted, and the error that would explain the balances.

    Units: result [m3].
    """
    found, words = result.evidence.network, Words.of(result)
    if found is None:
        return pd.DataFrame()
    shown = network_table(found, result.case)
    none, adjusted = words("balance.further.cannot_be"), "adjusted_standard_uncertainty_m3"
    errors = zip(
        shown["error_if_wrong_share"], shown["error_standard_uncertainty_share"], strict=True
    )
    columns = {
        "stream": shown["stream"],
        "role": shown["role"],
        "sum": pairs(words, shown["volume_m3"], shown["standard_uncertainty_m3"]),
        "adjusted": pairs(words, shown["adjusted_m3"], shown[adjusted]),
        "adjustment": shown["adjustment_z"],
        "error": [
            f"{100 * e:+.1f} ({100 * u:.1f})" if np.isfinite(e) else ("–" if np.isnan(e) else none)
            for e, u in errors
        ],
        "statistic": shown["likelihood_ratio"],
    }
    if not found.agree:
        del columns["adjusted"]
        columns["possible"] = words.yes(shown["possible"])
    return words.frame("balance.measurements.heads", columns)


def closing(result: Any) -> pd.DataFrame:
    """What flows into and out of each balance, and whether it closes.

    Units: result [m3].
    """
    found = result.evidence.network
    if found is None:
        return pd.DataFrame()
    columns = {
        "balance": found.balances,
        "imbalance_m3": found.imbalance,
        "z": found.balance_z,
        "largest": np.nanmax(found.invoice_z, axis=1),
    }
    return Words.of(result).frame("balance.closing.heads", columns)


def parts(result: Any) -> list[Shown]:
    """Everything a page tells of the further balances."""
    told, words = [suspicion(result)], Words.of(result)
    if result.evidence.network is not None:
        told.append(show_table(closing(result), words("balance.closing.caption"), digits=1))
        caption = words("balance.measurements.caption")
        told.append(show_table(measurements(result), caption, digits=1))
    return told
