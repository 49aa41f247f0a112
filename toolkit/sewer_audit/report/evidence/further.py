"""Further balances in a report: what they say of the measurements, and what cannot be named."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.volumes.further import FURTHER_OPEN, network_table
from sewer_audit.report.show import Shown, bullets, say, show_table
from sewer_audit.report.words import Words, counted, joined
from sewer_audit.units import from_si

__all__ = ["closing", "measurements", "parts", "suspicion"]

ONE_BALANCE = (
    "With one balance per invoice no test can name a wrong measurement: whichever it is, the same "
    "difference is left. Further balances can, such as sub-meters behind the supply meter or a "
    "second measurement of the effluent."
)


def suspicion(result: Any) -> Shown:
    """What the balances say of the measurements, and what they cannot."""
    found, words = result.evidence.network, Words.of(result)
    if found is None:
        return say("{sentence}", sentence=ONE_BALANCE)
    count = counted(int(found.counted.sum()), "invoice")
    sentences = [
        f"{counted(len(found.streams), 'stream')} in {counted(len(found.balances), 'balance')} "
        f"over {count}. All invoices jointly: chi-square {found.chi_square:.1f} with {found.dof} "
        f"degrees of freedom (probability {words.probability(found.p_value)} of a larger one by "
        f"chance); the sums over the invoices: {found.total_chi_square:.1f} with "
        f"{found.total_dof} ({words.probability(found.total_p_value)})."
    ]
    if found.agree:
        sentences.append(
            "Every balance closes within the uncertainties, so no measurement is suspect; the "
            "adjusted volumes are the smallest changes that close all of them. The verdict rests "
            "on the two estimates as joined above; the further balances test them and do not "
            "narrow it."
        )
    else:
        sentences += _open(result, found)
    return bullets(sentences, "")


def _open(result: Any, found: Any) -> list[str]:
    told = [flag.message for flag in result.flags if flag.code == FURTHER_OPEN]
    sentences = [f"{text[:1].upper()}{text[1:]}." for text in told]
    if found.named is not None:
        able = [each for each in found.suspects if np.isfinite(each.error)]
        others = [each for each in able if each.name not in found.possible]
        if others:
            best = next(each for each in found.suspects if each.name == found.named)
            factor = others[0].factor_below_best / best.factor_below_best
            sentences.append(
                f"The next, {others[0].name}, makes the figures {_times(factor)} times less "
                "likely. This is a lead and no proof: a test of the instrument is."
            )
    elif found.possible:
        sentences.append(
            f"Among {joined(list(found.possible))} only a test of the instruments can tell. The "
            "size each error would have stands in the table: one that is out of the question "
            "rules its measurement out."
        )
    sentences.append("Nothing was adjusted: volumes that contradict each other are not averaged.")
    return sentences


def _times(factor: float) -> str:
    return f"{factor:,.0f}" if factor < 1e6 else "more than a million"


def measurements(result: Any) -> pd.DataFrame:
    """Every stream as measured and adjusted, and the error that would explain the balances.

    Units: result [m3].
    """
    found = result.evidence.network
    if found is None:
        return pd.DataFrame()
    table, unit = network_table(found, result.case), Words.of(result).volume_unit

    def pair(mean: str, spread: str) -> list[str]:
        volumes = [from_si(table[name].to_numpy(float), unit, "volume") for name in (mean, spread)]
        return [
            f"{a:,.0f} ({u:,.0f})" if np.isfinite(a) else "–" for a, u in zip(*volumes, strict=True)
        ]

    errors = zip(
        table["error_if_wrong_share"], table["error_standard_uncertainty_share"], strict=True
    )
    frame = {
        "measurement": table["stream"],
        "is": table["role"],
        f"sum (u) [{unit}]": pair("volume_m3", "standard_uncertainty_m3"),
        f"adjusted (u) [{unit}]": pair("adjusted_m3", "adjusted_standard_uncertainty_m3"),
        "adjustment / u": table["adjustment_z"],
        "own error (u) [%]": [
            f"{100 * e:+.1f} ({100 * u:.1f})"
            if np.isfinite(e)
            else ("–" if np.isnan(e) else "cannot be")
            for e, u in errors
        ],
        "statistic": table["likelihood_ratio"],
    }
    if not found.agree:
        del frame[f"adjusted (u) [{unit}]"]
        frame["not excluded"] = np.where(table["possible"], "yes", "no")
    return pd.DataFrame(frame)


def closing(result: Any) -> pd.DataFrame:
    """What flows into and out of each balance, and whether it closes.

    Units: result [m3].
    """
    found = result.evidence.network
    if found is None:
        return pd.DataFrame()
    unit = Words.of(result).volume_unit
    return pd.DataFrame(
        {
            "balance": found.balances,
            f"in less out, sum [{unit}]": from_si(found.imbalance, unit, "volume"),
            "over its u": found.balance_z,
            "largest invoice over its u": np.nanmax(found.invoice_z, axis=1),
        }
    )


def parts(result: Any) -> list[Shown]:
    """Everything a page tells of the further balances."""
    told = [suspicion(result)]
    if result.evidence.network is not None:
        caption = "Does every balance close? u is the standard uncertainty"
        told.append(show_table(closing(result), caption, digits=1))
        caption = (
            "Every measurement. Own error: what would explain the balances if it alone were wrong; "
            "statistic: its likelihood ratio statistic, chi-square with one degree of freedom"
        )
        told.append(show_table(measurements(result), caption, digits=1))
    return told
