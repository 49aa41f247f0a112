"""The table of uncertain inputs: every figure with what it is a share of, and where it is from."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.judgement.budget import loose_shares
from sewer_audit.uncertainty.causes import HALF_WIDTH_DIVISORS
from sewer_audit.wording import Words, template

__all__ = ["assumptions", "figure_of_spread"]


def assumptions(result: Any) -> pd.DataFrame:
    """Every uncertain input with its figure, how long it lasts and where it comes from.

    Units: result [SI].
    """
    causes, words, known = result.causes, Words.of(result), template("assumptions.known")
    default = words("assumptions.told.default")
    columns = {
        "estimate": causes["estimate"],
        "cause": causes["cause"],
        "standard": [_spread(row, result.case, words) for row in causes.to_dict("records")],
        "persistence": causes["persistence"],
        "supplied": np.where(causes["default"], default, words("assumptions.told.case")),
        "known": causes["grade"].map(known),
        "source": causes["source"],
    }
    loose = loose_shares(result.budget, result.causes, result.evidence)
    rows = [
        {
            "estimate": estimate,
            "cause": words("assumptions.told.loose"),
            "standard": words("assumptions.told.loose_share", share=share),
            "persistence": "",
            "supplied": default,
            "known": known["computed"],
            "source": words("assumptions.told.loose_source"),
        }
        for estimate, share in loose.items()
    ]
    table = pd.DataFrame(columns)
    table = pd.concat([table, pd.DataFrame(rows, columns=table.columns)], ignore_index=True)
    return words.frame("assumptions.assumptions", table)


def _spread(row: dict[str, Any], case: Any, words: Words) -> str:
    unit, standard = str(row["unit"]), float(row["standard"])
    if not standard:
        return words("assumptions.told.none")
    if row["cause"] == "exponent":
        return words("assumptions.told.exponent", standard=standard)
    factor = HALF_WIDTH_DIVISORS.get(str(row["shape"]))
    return words(
        "assumptions.told.spread",
        figure=figure_of_spread(standard, unit, words),
        of=_of_what(row, case, words),
        limits=figure_of_spread(factor * standard, unit, words) if factor else None,
        shape=row["shape"],
    )


def figure_of_spread(standard: float, unit: str, words: Words) -> str:
    """A spread as people read it: shares in per cent, lengths as the case shows them.

    Units: standard [SI].

    unit: Its SI unit, "1" for a ratio.
    """
    spoken = words.spoken
    said = {
        "m": spoken.length,
        "m/s": spoken.velocity,
        "K": spoken.temperature_step,
        "m3": spoken.volume,
        "m2": spoken.area,
    }
    if unit == "1":
        return f"{100 * standard:.3g} %"
    if unit == "m3/s":
        return words("assumptions.told.a_day", volume=spoken.volume(86400 * standard, 3))
    if unit == "rad":
        return words("assumptions.told.degrees", angle=math.degrees(standard))
    return said[unit](standard, 3) if unit in said else f"{standard:.3g} {unit}"


def _of_what(row: dict[str, Any], case: Any, words: Words) -> str:
    name, unit, share = str(row["cause"]), str(row["unit"]), row["value"]
    if row["estimate"] == "effluent":
        kind = "share_of" if unit == "1" else "measured_in"
        other = {"1": words("assumptions.of.measured"), "m": words("assumptions.of.level")}
        return template(f"assumptions.{kind}").get(name, other.get(unit, ""))
    table = next((t for t in [*case.data.use, *case.data.inflow] if t.name == name), None)
    meter = getattr(table, "fraction_of", None)
    if meter is not None:
        return words("assumptions.of.registered_share", meter=meter, share=float(share))
    whole, _, part = name.rpartition(": ")
    ways = {"meter error": "registered", "estimate": "volume", "drained area": "area"}
    way = "between_reads" if part.startswith("reading dates") else ways.get(part, "")
    if way:
        return words(f"assumptions.of.{way}", name=whole)
    if unit == "1":
        return words("assumptions.of.taken_as", name=part, share=float(share))
    return words("assumptions.of.other", name=part)
