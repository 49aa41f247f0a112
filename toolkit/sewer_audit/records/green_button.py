"""Interval readings of a meter in Green Button form (ESPI, NAESB REQ.21), an open standard."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from xml.etree.ElementTree import Element

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.records.files.xml_files import local_name, read_xml, text_of
from sewer_audit.records.model import Findings, RegisterRecord
from sewer_audit.units import to_si

SPACES = {"espi": "http://naesb.org/espi"}
# code of the unit in ReadingType: trade unit, and whether it is a rate; checked against the code
# list of an independent open-source reader of the standard (greenbutton-objects 2024.7.11)
UNITS = {
    42: ("m3", False),
    119: ("cf", False),
    122: ("cf/h", True),
    125: ("m3/h", True),
    128: ("gallon", False),
    129: ("gallon/h", True),
    130: ("impgal", False),
    131: ("impgal/h", True),
    134: ("L", False),
    137: ("L/h", True),
}
ESTIMATED = {8, 9, 10, 11, 12, 13}
"""Quality codes of readings that were not measured: estimated, questionable, derived, projected."""
_WHOLE = re.compile(r"[+-]?\d{1,15}", re.ASCII)


def read_green_button(
    path: str | Path | Sequence[str | Path],
    *,
    unit: str | None = None,
    shown_as: str | Sequence[str] | None = None,
) -> RegisterRecord:
    """Read the interval readings of a water meter, from one file or several.

    Parameters
    ----------
    path : str, Path or sequence of them
        Where the files lie; intervals that stand in two of them are read once [-].
    unit : str, optional
        Unit of the readings, where the file does not state it [text].
    shown_as : str or sequence of str, optional
        Names of the files in messages [text].

    Raises
    ------
    InputRefused
        With every problem of the file: no interval readings, no unit of volume, intervals that
        overlap.

    Notes
    -----
    Starts are seconds since 1970-01-01 in UTC. Between intervals that do not touch the volume is
    not known and not counted; each such break is flagged and its hours are given.
    """
    paths = [path] if isinstance(path, (str, Path)) else list(path)
    shown = [shown_as] if isinstance(shown_as, str) else list(shown_as or [])
    names = [*shown, *(Path(one).name for one in paths[len(shown) :])]
    findings = Findings(names[0])
    parts, units = [], set()
    for one, shown_name in zip(paths, names, strict=True):
        findings.file = shown_name
        table, kind = _one_file(one, unit, findings)
        parts.append(table)
        units.add(kind)
    findings.file = ", ".join(dict.fromkeys(names))
    if len(units) > 1:
        findings.add(
            "the files are in different units", "Download one meter at a time", code="unit"
        )
        findings.raise_if_refused()
    name, rate, power = units.pop()
    table = pd.concat(parts, ignore_index=True) if len(parts) > 1 else parts[0]
    table = _in_order(table, findings)
    findings.raise_if_refused()
    amount = table["value"].to_numpy(dtype=float) * 10.0**power
    if rate:
        amount = amount * table["duration"].to_numpy() / 3600.0
        name = name.removesuffix("/h")
    count_m3 = float(to_si(1.0, name, "volume"))
    frame = _cumulate(table, amount, count_m3, findings)
    return RegisterRecord(frame, findings.summary(), tuple(findings.flags), count_m3)


def _one_file(
    path: str | Path, unit: str | None, findings: Findings
) -> tuple[pd.DataFrame, tuple[str, bool, int]]:
    """Intervals of one file and what their values are in."""
    root = read_xml(path, findings)
    readings = [item for item in root.iter() if local_name(item) == "IntervalReading"]
    if not readings:
        findings.add(
            "the file holds no interval readings",
            "Download the usage data, not the summary",
            code="no rows",
        )
    kind = _reading_type(root, unit, findings)
    findings.raise_if_refused()
    table = _table(readings, findings)
    findings.raise_if_refused()
    return table, kind


def _reading_type(root: Element, stated: str | None, findings: Findings) -> tuple[str, bool, int]:
    kinds = [item for item in root.iter() if local_name(item) == "ReadingType"]
    facts = {
        tuple(text_of(kind, f"espi:{name}", SPACES) for name in ("uom", "powerOfTenMultiplier"))
        for kind in kinds
    }
    if len(facts) > 1:
        findings.add(
            f"the file holds readings in {len(facts)} different units",
            "Download one meter at a time",
            code="unit",
        )
    uom, power = min(facts, default=("", ""))
    power = power or "0"
    if not _WHOLE.fullmatch(power) or abs(int(power)) > 12:
        findings.add(f"the power of ten {power!r} is not read", "Correct the file", code="unit")
        power = "0"
    code = int(uom) if _WHOLE.fullmatch(uom) else None
    if code in UNITS:
        name, rate = UNITS[code]
        if stated is not None and abs(to_si(1.0, stated, "volume") / _volume(name) - 1) > 1e-3:
            findings.warn(
                f"the file states its readings in {name}, the case in {stated}",
                "Make sure which is right; the file's unit is used",
                code="unit",
            )
        return name, rate, int(power)
    if stated is None or code not in (None, 0):
        findings.add(
            f"the unit code {uom!r} is none of a volume of water" if uom else "no unit is stated",
            "Download the readings of the water meter, or state the unit in the case",
            code="unit",
        )
    return stated or "m3", False, int(power)


def _volume(name: str) -> float:
    return float(to_si(1.0, name.removesuffix("/h"), "volume"))


def _table(readings: list[Element], findings: Findings) -> pd.DataFrame:
    rows = []
    for number, reading in enumerate(readings, start=1):
        texts = {
            "start": text_of(reading, "espi:timePeriod/espi:start", SPACES),
            "duration": text_of(reading, "espi:timePeriod/espi:duration", SPACES),
            "value": text_of(reading, "espi:value", SPACES),
        }
        quality = text_of(reading, "espi:ReadingQuality/espi:quality", SPACES)
        row = {"quality": int(quality) if _WHOLE.fullmatch(quality) else 0, "line": number}
        for name, text in texts.items():
            if not _WHOLE.fullmatch(text):
                findings.add(
                    f"{text!r} is no whole number",
                    "Download the file again",
                    column=f"{name} of interval {number}",
                    code="number",
                )
                text = "1"
            row[name] = int(text)
        limits = {"start": (0, 4_102_444_800), "duration": (1, 400 * 86400)}
        for name, (low, high) in limits.items():
            if not low <= row[name] <= high:
                findings.add(
                    f"{row[name]} is no possible {name}",
                    f"Correct the file; {low} to {high} seconds are read",
                    column=f"{name} of interval {number}",
                    code="number",
                )
        rows.append(row)
    return pd.DataFrame(rows)


def _in_order(table: pd.DataFrame, findings: Findings) -> pd.DataFrame:
    table = table.sort_values("start", kind="stable", ignore_index=True)
    same = table.duplicated(subset=["start", "duration", "value"]).to_numpy()
    if same.any():
        findings.flag(
            "identical rows merged",
            f"{int(same.sum())} identical intervals were read once",
            rows=int(same.sum()),
        )
        table = table[~same].reset_index(drop=True)
    ends = (table["start"] + table["duration"]).to_numpy()
    for place in np.flatnonzero(table["start"].to_numpy()[1:] < ends[:-1]) + 1:
        begins = spoken.moment(pd.Timestamp(int(table["start"].iloc[place]), unit="s"))
        findings.add(
            f"the interval from {begins} overlaps the one before",
            "Keep one of the two",
            column=f"interval {int(table['line'].iloc[place])}",
            code="overlap",
        )
    return table


def _cumulate(
    table: pd.DataFrame, amount: np.ndarray, count_m3: float, findings: Findings
) -> pd.DataFrame:
    """Reads at the start and at every end; a break between intervals adds a read at its end."""
    start, ends = table["start"].to_numpy(), (table["start"] + table["duration"]).to_numpy()
    total = np.cumsum(amount)
    estimated = table["quality"].isin(ESTIMATED).to_numpy()
    broken = np.flatnonzero(start[1:] > ends[:-1]) + 1
    _flags(amount, float((start[broken] - ends[broken - 1]).sum() / 3600), len(broken), findings)
    extra = np.concatenate([[0], broken]).astype(int)
    before = np.concatenate([[0.0], total])[extra]
    moments = np.concatenate([start[extra], ends])
    register = np.concatenate([before, total])
    kind = np.concatenate([np.zeros(len(extra), bool), estimated])
    reason = np.concatenate([np.arange(len(extra)) > 0, np.zeros(len(ends), bool)])
    line = np.concatenate([table["line"].to_numpy()[extra], table["line"].to_numpy()])
    frame = pd.DataFrame(
        {
            "time": pd.DatetimeIndex(
                np.datetime64("1970-01-01", "us") + moments.astype("timedelta64[s]")
            ).tz_localize("UTC"),
            "register": register,
            "read_type": pd.Series(np.where(kind, "estimated", "actual"), dtype="str"),
            "volume_m3": register * count_m3,
            "status": pd.Series(np.where(kind, "estimated", "measured"), dtype="str"),
            "reason": pd.Series(np.where(reason, "volume before not known", ""), dtype="str"),
            "line": line,
        }
    )
    frame["time"] = frame["time"].dt.as_unit("us")
    return frame.sort_values(["time", "line"], kind="stable", ignore_index=True)


def _flags(amount: np.ndarray, hours: float, breaks: int, findings: Findings) -> None:
    if (amount < 0).any():
        findings.flag(
            "negative intervals",
            f"{int((amount < 0).sum())} intervals are negative: a correction or backflow",
            intervals=int((amount < 0).sum()),
        )
    if breaks:
        findings.flag(
            "intervals missing",
            f"{breaks} breaks of together {hours:.1f} h stand between the intervals; their volume "
            "is not known and not counted",
            breaks=breaks,
            hours=hours,
        )
