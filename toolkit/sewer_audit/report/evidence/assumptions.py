"""The table of uncertain inputs: every figure with what it is a share of, and where it is from."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.auditing.judgement.budget import loose_shares
from sewer_audit.report.words import Words
from sewer_audit.spoken import speaking
from sewer_audit.uncertainty.causes import HALF_WIDTH_DIVISORS

__all__ = ["assumptions", "figure_of_spread"]

# relative causes of the effluent: what a per cent of it is a per cent of
SHARE_OF = {
    "discharge coefficient": "of the discharge",
    "rating table": "of the discharge",
    "velocity factor": "of the velocity",
    "meter error": "of the volume registered",
    "throat width": "of the width",
    "crest length": "of the length",
    "diameter": "of the diameter",
    "section width": "of the width",
    "roughness": "of the roughness",
    "slope": "of the slope",
    "submergence method": "of the way to the other correction",
    "air humidity": "of saturation",
    "gap filling": "of an invoice's volume",
    "sampling interval": "of the volume of the record",
}
# causes with a unit of their own: what the figure is measured in
MEASURED_IN = {
    "zero error": "of level, the same in every reading until the next visit",
    "zero drift": "of level, gained in 30 days",
    "head noise": "of level, anew in every reading",
    "gauge datum": "of level, the same at every visit",
    "clock": "of the logger's clock",
    "air at other hours": "of level, at hours without a visit",
    "downstream zero": "of the level below the device",
    "hand reading": "of level, anew at every visit",
    "setting of the zero": "of level, at every re-zeroing",
    "air temperature": "of air temperature",
    "notch angle": "of the angle",
    "velocity offset": "of velocity",
    "velocity noise": "of velocity, anew in every reading",
}


KNOWN = {
    "read": "read in the source",
    "abstract": "abstract read",
    "computed": "computed",
    "common practice": "common practice",
    "judgement": "judgement",
    "memory": "from memory",
    "stated": "stated by the case",
}
"""Grade of a figure in words [text]."""


def assumptions(result: Any) -> pd.DataFrame:
    """Every uncertain input with its figure, how long it lasts and where it comes from.

    Units: result [SI].
    """
    causes = result.causes
    with speaking(Words.of(result).spoken):
        spread = [_spread(row, result.case) for row in causes.to_dict("records")]
    table = pd.DataFrame(
        {
            "estimate": causes["estimate"],
            "cause": causes["cause"],
            "standard uncertainty": spread,
            "lasts over": causes["persistence"],
            "supplied by": np.where(causes["default"], "default of the toolkit", "case file"),
            "how known": causes["grade"].map(KNOWN),
            "source": causes["source"],
        }
    )
    loose = loose_shares(result.budget, result.causes, result.evidence)
    rows = [
        {
            "estimate": estimate,
            "cause": "from memory or by judgement, together",
            "standard uncertainty": f"{spoken.percent(share, 0)} of the variance",
            "lasts over": "",
            "supplied by": "default of the toolkit",
            "how known": "computed",
            "source": "the inputs above that are from memory, common practice or judgement",
        }
        for estimate, share in loose.items()
    ]
    return pd.concat([table, pd.DataFrame(rows, columns=table.columns)], ignore_index=True)


def _spread(row: dict[str, Any], case: Any) -> str:
    unit, standard = str(row["unit"]), float(row["standard"])
    if not standard:
        return "0, none of its own"
    if row["cause"] == "exponent":
        return f"{standard:.3g} in the exponent"
    text = f"{figure_of_spread(standard, unit)} {_of_what(row, case)}"
    factor = HALF_WIDTH_DIVISORS.get(str(row["shape"]))
    if factor and standard:
        text += f" (limits ± {figure_of_spread(factor * standard, unit)}, {row['shape']})"
    return text


def figure_of_spread(standard: float, unit: str) -> str:
    """A spread as people read it: shares in per cent, lengths as the case shows them.

    Units: standard [SI].

    unit: Its SI unit, "1" for a ratio.
    """
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
        return f"{spoken.volume(86400 * standard, 3)} a day"
    if unit == "rad":
        return f"{math.degrees(standard):.3g} degrees"
    return said[unit](standard, 3) if unit in said else f"{standard:.3g} {unit}"


def _of_what(row: dict[str, Any], case: Any) -> str:
    name, unit = str(row["cause"]), str(row["unit"])
    if row["estimate"] == "effluent":
        if unit != "1":
            return MEASURED_IN.get(name, "of level" if unit == "m" else "")
        return SHARE_OF.get(name, "of the measured volume")
    table = next((t for t in [*case.data.use, *case.data.inflow] if t.name == name), None)
    if table is not None and getattr(table, "fraction_of", None) is not None:
        share = f"{100 * float(row['value']):.3g} %"
        return f"of the volume {table.fraction_of} registers (its share is taken as {share})"
    whole, _, part = name.rpartition(": ")
    if part == "meter error":
        return f"of the volume {whole} registers"
    if part == "estimate":
        return f"of the volume of {whole}"
    if part.startswith("reading dates"):
        return f"of the volume of {whole} between its reads"
    if part == "drained area":
        return "of the area"
    if unit == "1":
        return f"in {part}, which is taken as {100 * float(row['value']):.4g} %"
    return f"of {part}"
