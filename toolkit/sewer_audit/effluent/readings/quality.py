"""How good the record is in every service period."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.effluent.check import SelfCheck
from sewer_audit.effluent.integrate import Stretch
from sewer_audit.effluent.periods import Periods
from sewer_audit.effluent.readings.fitness import open_time
from sewer_audit.effluent.readings.gaps import GapFill
from sewer_audit.effluent.readings.series import DischargeSeries
from sewer_audit.errors import Flag


def period_quality(
    series: DischargeSeries,
    pieces: Sequence[Stretch],
    spans: np.ndarray,
    periods: Periods,
    fills: Sequence[Sequence[GapFill]],
) -> pd.DataFrame:
    """Time by status, coverage and longest gap of every period.

    Units: series [SI]; pieces [s]; spans [s]; fills [m3]; returns [s].
    """
    length = spans[:, 1] - spans[:, 0]
    covered = np.zeros(len(spans))
    for piece in pieces:
        covered[piece.period] += piece.covered
    estimated = np.array([sum(f.end - f.start for f in each) for each in fills])
    bridged = np.clip(open_time(series, spans) - estimated, 0.0, covered)
    return pd.DataFrame(
        {
            "invoice": periods.names,
            "seconds": length,
            "measured_s": covered - bridged,
            "interpolated_s": bridged,
            "estimated_s": estimated,
            "record_coverage": (covered - bridged) / np.where(length > 0, length, np.nan),
            "longest_gap_s": [max((f.end - f.start for f in each), default=0.0) for each in fills],
            "estimated_m3": [sum(f.volume for f in each) for each in fills],
        }
    )


def gap_frame(
    fills: Sequence[Sequence[GapFill]], periods: Periods, series: DischargeSeries
) -> pd.DataFrame:
    """Every gap with its estimated volume.

    Units: fills [m3]; series [s]; returns [m3].
    """
    rows = [
        {
            "invoice": name,
            "start": series.epoch + pd.to_timedelta(fill.start, unit="s").round("s"),
            "end": series.epoch + pd.to_timedelta(fill.end, unit="s").round("s"),
            "hours": (fill.end - fill.start) / 3600,
            "volume_m3": fill.volume,
            "standard_uncertainty_m3": float(
                np.hypot(fill.standard_uncertainty, fill.unseen / np.sqrt(3.0))  # rectangular
            ),
            "filled_from": "weekly pattern and intake"
            if fill.followed_intake
            else "weekly pattern",
        }
        for name, each in zip(periods.names, fills, strict=True)
        for fill in each
    ]
    columns = ["invoice", "start", "end", "hours", "volume_m3", "standard_uncertainty_m3"]
    columns.append("filled_from")
    return pd.DataFrame(rows, columns=columns)


def quality_flags(quality: pd.DataFrame, check: SelfCheck) -> tuple[Flag, ...]:
    """What the reader must know about gaps and about the fast scheme.

    Units: quality [s].
    """
    flags = []
    if check.largest > 1e-3:
        flags.append(
            Flag(
                "fast-scheme-disagrees",
                f"The fast evaluation differs from brute force by up to "
                f"{spoken.percent(check.largest, 2)} of a "
                "stretch's volume.",
                {"largest": check.largest},
            )
        )
    for row in quality[quality["estimated_s"] > 0].itertuples():
        flags.append(
            Flag(
                "gap-estimated",
                f"Invoice {row.invoice}: {row.estimated_s / 3600:.1f} h without accepted readings "
                f"were estimated ({spoken.volume(row.estimated_m3)} before the zero is corrected).",
                {
                    "invoice": row.invoice,
                    "hours": row.estimated_s / 3600,
                    "volume_m3": row.estimated_m3,
                },
            )
        )
    return tuple(flags)
