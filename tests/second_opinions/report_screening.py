"""Second opinions of the tests beside `report.screening`."""

from __future__ import annotations

from typing import Any

import pandas as pd

from sewer_audit.units import from_si
from sewer_audit.wording import Words


def record_by_invoice(result: Any) -> pd.DataFrame:
    """How much of every service period the record covers, its longest gap and what was filled."""
    effluent = result.evidence.effluent
    if effluent is None:
        return pd.DataFrame()
    quality, unit = effluent.quality, Words.of(result).volume_unit
    share = 100 * quality["estimated_s"] / quality["seconds"]
    return pd.DataFrame(
        {
            "invoice": quality["invoice"],
            "covered by readings [%]": 100 * quality["record_coverage"],
            "longest gap [h]": quality["longest_gap_s"] / 3600,
            "filled [% of the time]": share,
            f"filled [{unit}]": from_si(quality["estimated_m3"].to_numpy(float), unit, "volume"),
        }
    )
