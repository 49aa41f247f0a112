"""What screening found in a record: every rule with its parameters, reasons and counts."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.units import from_si
from sewer_audit.wording import Words

__all__ = ["screened_level", "screening_stretches", "screening_table"]

NO_ROWS = "no reading at all"


def screening_table(result: Any) -> pd.DataFrame:
    """Screening rules that found something, with their numbers and reasons; the workbook has all.

    Parameters
    ----------
    result : Audit
        The audit [-].

    Returns
    -------
    DataFrame
        One row per rule and parameter; empty where nothing was found [text].
    """
    logger = result.inputs.logger
    if logger is None or logger.screening is None:
        return pd.DataFrame()
    words, rows = Words.of(result), []
    for row in logger.screening.itertuples(index=False):
        found = row.rejected if row.action == "reject" else row.marked
        if row.remark or not found:
            continue
        rows.append(
            {
                "rule": row.rule,
                "parameter": row.parameter,
                "value": _value(row.value, row.unit, row.parameter, words),
                "reason": words("record.screened.stated") if row.stated else row.reason,
                "readings": f"{found:,}",
                "done": words(f"record.screened.{row.action}"),
            }
        )
    return words.frame("record.screening", rows)


def _value(value: float, unit: str, parameter: str, words: Words) -> str:
    spoken = words.spoken
    if not np.isfinite(value):
        return words("record.screened.not_stated")
    if unit == "s":
        return f"{value / 3600:.4g} h" if value >= 7200 else f"{value / 60:.4g} min"
    if unit == "K" and "change" in parameter:
        return spoken.temperature_step(value)
    said = {"m": spoken.length, "K": spoken.temperature, "m/s": spoken.velocity}
    if unit == "m/s" and parameter == "rate":
        return spoken.rate_of_rise(value)
    return said[unit](value) if unit in said else f"{value:.4g}"


def screening_stretches(result: Any) -> pd.DataFrame:
    """Stretches of the record that were rejected, marked or hold no reading, by reason."""
    logger = result.inputs.logger
    parts = [_rejected(logger.frame), _missing(logger)]
    if logger.spans is not None and logger.screening is not None:
        actions = logger.screening.drop_duplicates("rule").set_index("rule")["action"]
        marked = logger.spans[logger.spans["rule"].map(actions) == "mark"]
        parts.append(
            pd.DataFrame(
                {
                    "reason": marked["rule"].astype("str"),
                    "kind": "marked",
                    "start": marked["start"],
                    "end": marked["end"],
                    "readings": marked["readings"],
                }
            )
        )
    return pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)


def _rejected(frame: pd.DataFrame) -> pd.DataFrame:
    """Runs of neighbouring rows rejected for one reason."""
    reason = frame["reason"].astype("str").to_numpy()
    edge = np.flatnonzero(np.concatenate([[True], reason[1:] != reason[:-1], [True]]))
    starts, ends = edge[:-1], edge[1:] - 1
    bad = (frame["status"].to_numpy() == "rejected")[starts]
    time = frame["time"]
    return pd.DataFrame(
        {
            "reason": pd.Series(reason[starts][bad], dtype="str"),
            "kind": "rejected",
            "start": time.iloc[starts[bad]].to_numpy(),
            "end": time.iloc[ends[bad]].to_numpy(),
            "readings": (ends - starts + 1)[bad],
        }
    ).astype({"start": time.dtype, "end": time.dtype})


def _missing(logger: Any) -> pd.DataFrame:
    """Intervals without rows; what was rejected inside a gap is counted there, not here."""
    gaps, times = logger.gaps, logger.frame["time"]
    if not len(gaps):
        return pd.DataFrame()
    inside = np.searchsorted(times, gaps["end"], side="left") - np.searchsorted(
        times, gaps["start"], side="right"
    )
    lost = np.rint(gaps["seconds"] / logger.step - 1).astype(int) - inside
    found = pd.DataFrame(
        {
            "reason": NO_ROWS,
            "kind": "missing",
            "start": gaps["start"],
            "end": gaps["end"],
            "readings": lost,
        }
    )
    return found[found["readings"] > 0]


def screened_level(result: Any) -> pd.DataFrame:
    """Level, or flow where the method has no level, of every row with its status."""
    logger, words = result.inputs.logger, Words.of(result)
    frame = logger.frame[["time", "status"]].copy()
    if result.case.device.level_column is None:
        unit = words.discharge_unit
        frame["value"] = from_si(logger.frame["flow"].to_numpy(dtype=float), unit, "discharge")
        frame.attrs["axis"] = words("record.screened.flow")
    else:
        unit = words.head_unit
        frame["value"] = from_si(np.asarray(result.inputs.level, dtype=float), unit, "length")
        frame.attrs["axis"] = words("record.screened.level")
    return frame
