"""Time series in WaterML 2.0, the open standard for observations of water."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree.ElementTree import Element

import numpy as np
import pandas as pd

from sewer_audit.errors import UnitError
from sewer_audit.records.assemble import Choices, assemble
from sewer_audit.records.clock.stamps import StampFault, parse_stamp
from sewer_audit.records.clock.zones import to_utc, zone_of
from sewer_audit.records.files.numbers import Marks, is_missing, parse_float
from sewer_audit.records.files.xml_files import local_name, read_xml
from sewer_audit.records.merge import Rows
from sewer_audit.records.model import DOUBTFUL, ROLES, Findings, LoggerRecord
from sewer_audit.records.rules.plausible import ask_marks
from sewer_audit.records.rules.status import Status
from sewer_audit.units import to_si

# codes of UCUM, the unit list the standard names, to the trade's words (from memory)
UCUM = {
    "[ft_i]": "ft",
    "[in_i]": "in",
    "[ft_i]3/s": "cfs",
    "[cft_i]/s": "cfs",
    "[gal_us]/min": "gpm",
    "[ft_i]/s": "ft/s",
    "m3.s-1": "m3/s",
    "m3/s": "m3/s",
    "m3/h": "m3/h",
    "L/s": "L/s",
    "l/s": "L/s",
    "m.s-1": "m/s",
    "Cel": "degC",
    "[degF]": "degF",
}
# last part of the interpolation type's address: what a stamp marks (from memory of the standard)
STAMPS = {
    "Continuous": "instant",
    "Discontinuous": "instant",
    "AveragePrec": "interval end",
    "AverageSucc": "interval start",
}
STAMPS |= {"ConstPrec": "interval end", "ConstSucc": "interval start"}
EXTREMES = ("MaxPrec", "MaxSucc", "MinPrec", "MinSucc")
"""Kinds that hold the largest or the smallest of an interval: no flow is made of them [text]."""
TOTALS = ("InstantTotal", "TotalPrec", "TotalSucc")
# units as services spell them out in a title (common practice, no source)
WORDS = {
    "cubic feet per second": "cfs",
    "cubic foot per second": "cfs",
    "ft3/s": "cfs",
    "cubic metres per second": "m3/s",
    "cubic meters per second": "m3/s",
    "litres per second": "L/s",
    "liters per second": "L/s",
    "feet": "ft",
    "foot": "ft",
    "metres": "m",
    "meters": "m",
    "inches": "inch",
}
SOUND = ("", "good", "unchecked", "missing", "approved", "a", "provisional", "p")
"""Codes that say nothing against a value, or that there is none: of the standard, the others common
practice [text]."""
TITLE = "{http://www.w3.org/1999/xlink}title"
XLINK = "{http://www.w3.org/1999/xlink}href"
NIL = "{http://www.w3.org/2001/XMLSchema-instance}nil"
ID = "{http://www.opengis.net/gml/3.2}id"


def read_waterml(
    path: str | Path | Sequence[str | Path],
    *,
    role: str,
    unit: str | None = None,
    series: str | None = None,
    zone: str | None = None,
    shown_as: str | Sequence[str] | None = None,
    status: Status | None = None,
    not_missing: Sequence[str] = (),
    missing_marks: Sequence[str] = (),
) -> LoggerRecord:
    """Read one time series of a WaterML 2.0 file, or of several that follow on each other.

    Parameters
    ----------
    path : str, Path or sequence of them
        Where the files lie [-].
    role : str
        What the series holds: "flow", "head", "depth", "velocity", ... [text].
    unit : str, optional
        Unit of the values; that of the file if not given [text].
    series : str, optional
        Identifier (gml:id) of the observation, where the file holds several [text].
    zone : str, optional
        Zone of stamps written without an offset [text].
    shown_as : str or sequence of str, optional
        Names of the files in messages [text].
    status : Status, optional
        What the codes of quality and the qualifiers of the points mean [-].
    not_missing, missing_marks : sequence of str
        Numbers that are readings although, or no readings because, they mark missing values [text].

    Raises
    ------
    InputRefused
        With every problem of the file.
    ValueError
        If the role is not known.

    Notes
    -----
    Codes of quality that say more than that a value is good, unchecked, approved or provisional are
    refused until the case says what they mean.
    Values without content and those whose quality is "missing" are rejected and kept as text; a
    point with neither time nor value is passed over and counted. Points without a time of their own
    follow the base time at the stated spacing.
    Means over the preceding or following interval are moved to the middle of it. A series of
    totals is refused for a role that is no total.
    """
    if role not in ROLES:
        raise ValueError(f"role {role!r} is not known; known are {', '.join(ROLES)}")
    paths = [path] if isinstance(path, (str, Path)) else list(path)
    shown = [shown_as] if isinstance(shown_as, str) else list(shown_as or [])
    names = [*shown, *(Path(one).name for one in paths[len(shown) :])]
    findings = Findings(names[0])
    way = _Way(role, unit, zone, status or Status(""), Marks.of(missing_marks, not_missing))
    parts, kept, stamps, points = [], [], set(), 0
    for one, name in zip(paths, names, strict=True):
        findings.file = name
        series_rows, lost, stamp = _one_file(one, series, way, findings)
        parts.append(series_rows)
        kept.append(lost)
        stamps.add(stamp)
        points += len(series_rows.time)
    if len(stamps) > 1:
        findings.add(
            "the files differ in what a stamp marks", "Export them in one way", code="interpolation"
        )
        findings.raise_if_refused()
    tally = {"rows in files": points, "rows set aside": 0, "other lines": 0}
    choices = Choices(names, zone or "UTC", None, stamps.pop(), "reject", None)
    return assemble(parts, kept, tally, choices, findings)


@dataclass(frozen=True)
class _Way:
    """How the points of a series are read."""

    role: str
    unit: str | None
    zone: str | None
    status: Status
    marks: Marks


def _one_file(
    path: str | Path, series: str | None, way: _Way, findings: Findings
) -> tuple[Rows, pd.DataFrame, str]:
    """Rows of one file, the text of those without a value, and what a stamp marks."""
    root = read_xml(path, findings)
    body = _series(root, series, findings)
    points = [item for item in body.iter() if local_name(item) == "MeasurementTVP"]
    if not points:
        findings.add(
            "the series holds no time-value pairs",
            "Download it again with its values",
            code="no rows",
        )
    stamp = _stamp(body, way.role, findings)
    way = replace(way, unit=_unit(body, way.role, way.unit, findings))
    findings.raise_if_refused()
    instants = _spaced(body, len(points), way.zone, findings)
    points = points if instants is not None else _filled(points, findings)
    usual = _codes(default) if (default := _first(body, "defaultPointMetadata")) is not None else []
    rows, kept = _rows(points, way, findings, instants, usual)
    findings.raise_if_refused()
    return rows, kept, stamp


def _filled(points: list[Element], findings: Findings) -> list[Element]:
    """Points that hold something."""
    held = [
        point
        for point in points
        if _first(point, "value") is not None or any((e.text or "").strip() for e in point.iter())
    ]
    if len(held) < len(points):
        empty = len(points) - len(held)
        findings.flag("empty points", f"{empty:,} points hold neither time nor value", points=empty)
    return held


def _spaced(body: Element, count: int, zone: str | None, findings: Findings) -> np.ndarray | None:
    """Instants of points from the base time and the spacing; None where they have their own."""
    base, spacing = (_first(body, name) for name in ("baseTime", "spacing"))
    if base is None or spacing is None:
        return None
    try:
        step = pd.Timedelta((spacing.text or "").strip())
    except ValueError:
        step = pd.NaT
    if pd.isna(step) or step <= pd.Timedelta(0):
        findings.add(
            f"the spacing {spacing.text!r} is no duration",
            "Write it as PT15M, or give each point its time",
            column="spacing",
            code="time",
        )
        return None
    first = _instant((base.text or "").strip(), zone, 1, findings)
    return first + np.arange(count) * np.timedelta64(int(step.value // 1000), "us")


def _series(root: Element, series: str | None, findings: Findings) -> Element:
    found = [item for item in root.iter() if local_name(item) == "OM_Observation"]
    found = found or [item for item in root.iter() if local_name(item) == "MeasurementTimeseries"]
    names = [item.get(ID, f"number {place}") for place, item in enumerate(found, start=1)]
    wanted = [item for item, name in zip(found, names, strict=True) if series in (None, name)]
    if len(wanted) != 1:
        what = f"the file holds {len(found)} series: {', '.join(names[:20])}"
        if not found:
            what = "the file holds no WaterML 2.0 time series"
        remedy = "State series = 'its identifier'" if found else "Name a WaterML 2.0 file"
        findings.add(what, remedy, code="series")
        findings.raise_if_refused()
    return wanted[0]


def _first(body: Element, name: str) -> Element | None:
    return next((item for item in body.iter() if local_name(item) == name), None)


def _stamp(body: Element, role: str, findings: Findings) -> str:
    kinds = {
        (item.get(XLINK) or item.get("title") or "").rpartition("/")[2]
        for item in body.iter()
        if local_name(item) == "interpolationType"
    } - {""}
    if len(kinds) > 1:
        findings.add(
            f"the points are of different kinds: {', '.join(sorted(kinds))}",
            "Export one kind only",
            code="interpolation",
        )
    kind = min(kinds, default="")
    if kind in EXTREMES:
        findings.add(
            f"the values are the largest or the smallest of an interval ({kind}), not a {role}",
            "Export instants or means; no volume follows from extremes",
            code="interpolation",
        )
    if kind in TOTALS and role != "rain":
        findings.add(
            f"the values are totals ({kind}), not a {role}",
            "Export the rate, or read the series as a meter",
            code="interpolation",
        )
    if not kind:
        findings.flag(
            "kind of value not stated", "the file does not say what a stamp marks; read as instants"
        )
    elif kind not in STAMPS and kind not in TOTALS:
        findings.flag("kind of value not known", f"values of kind {kind} are read as instants")
    return STAMPS.get(kind, "instant")


def _unit(body: Element, role: str, stated: str | None, findings: Findings) -> str:
    codes: dict[str, None] = {}
    for element in (item for item in body.iter() if local_name(item) == "uom"):
        said = (element.get("code"), element.get("title"), element.get(TITLE), element.text)
        codes[next((each.strip() for each in said if each and each.strip()), "")] = None
    code = next(iter(codes), "")
    if len(codes) > 1:
        findings.add(
            f"the points have several units: {', '.join(map(repr, codes))}",
            "Export the series in one unit",
            code="unit",
        )
    theirs = UCUM.get(code, WORDS.get(code.lower(), code))
    unit = stated or theirs
    try:
        to_si(1.0, unit, ROLES[role])
    except UnitError as error:
        findings.add(
            f"the unit of the series is {code!r}: {error}" if code else "the series has no unit",
            "State the unit in the case",
            code="unit",
        )
        return unit
    if stated and theirs:
        try:
            ours, others = (to_si(1.0, name, ROLES[role]) for name in (stated, theirs))
        except UnitError:
            return unit
        if abs(ours / others - 1) > 1e-3:
            findings.add(
                f"the file names the unit {code!r}, the case states {stated!r}",
                "Leave the unit out of the case, so that the file's counts, or correct the file",
                code="unit",
            )
    return unit


def _rows(
    points: list[Element],
    way: _Way,
    findings: Findings,
    instants: np.ndarray | None,
    usual: Sequence[str],
) -> tuple[Rows, pd.DataFrame]:
    read = [
        _point(point, number, way, findings, None if instants is None else instants[number - 1])
        for number, point in enumerate(points, start=1)
    ]
    findings.raise_if_refused()
    time, values, reasons, texts = (list(column) for column in zip(*read, strict=True))
    numbers = np.array(values, dtype=float)
    reason = np.array(reasons, dtype=object)
    marked = np.isin(numbers, way.marks.numbers)
    numbers[marked], reason[marked] = np.nan, "missing mark"
    lines = np.arange(1, len(points) + 1)
    ask_marks(way.role, numbers, lines, way.marks.spared, findings)
    columns = {way.role: to_si(numbers, str(way.unit), ROLES[way.role])}
    words = [" ".join(_codes(point) or usual) for point in points]
    if any(words) or way.status.codes:
        meaning = replace(way.status, codes={**dict.fromkeys(SOUND, "good"), **way.status.codes})
        columns[DOUBTFUL] = meaning.apply(np.array(words), lines, reason, findings, None)
        findings.raise_if_refused()
    rows = Rows(
        np.array(time, dtype="datetime64[us]"),
        columns,
        reason,
        np.zeros(len(points), dtype=int),
        np.arange(1, len(points) + 1),
    )
    rows = rows.take(np.argsort(rows.time, kind="stable"))
    lost = np.flatnonzero(rows.reason != "")
    kept = pd.DataFrame(
        {
            "file": pd.Series([findings.file] * len(lost), dtype="str"),
            "line": rows.line[lost],
            "time": pd.DatetimeIndex(rows.time[lost]).tz_localize("UTC").as_unit("us"),
            "text": pd.Series([texts[n - 1] for n in rows.line[lost]], dtype="str"),
            "reason": pd.Series(list(rows.reason[lost]), dtype="str"),
        }
    )
    return rows, kept


def _codes(element: Element) -> list[str]:
    """Codes of quality and qualifiers of a point, but for those that say it is as usual."""
    found = []
    for item in element.iter():
        if local_name(item) in ("quality", "qualifier"):
            inner = next((each.text for each in item.iter() if (each.text or "").strip()), "")
            said = (item.get(XLINK) or "").rpartition("/")[2], item.get(TITLE), inner
            found.append(next((word.strip() for word in said if word and word.strip()), ""))
    return [word for word in found if word.lower() not in SOUND]


def _point(
    point: Element,
    number: int,
    way: _Way,
    findings: Findings,
    spaced: np.datetime64 | None,
) -> tuple[np.datetime64, float, str, str]:
    """Instant, value, why there is none, and text of one time-value pair."""
    stamp, value, quality = (_first(point, name) for name in ("time", "value", "quality"))
    written = "" if stamp is None else (stamp.text or "").strip()
    if spaced is not None and not written:
        moment = spaced
    else:
        moment = _instant(written, way.zone, number, findings)
    text = "" if value is None else (value.text or "").strip()
    poor = "" if quality is None else (quality.get(XLINK) or "").rpartition("/")[2]
    nil = value is None or value.get(NIL) in ("true", "1")
    if nil or is_missing(text, way.marks.words) or poor == "missing":
        return moment, float("nan"), "missing mark" if text else "blank", text
    try:
        return moment, parse_float(text), "", text
    except ValueError as error:
        findings.add(str(error), "Correct the value", column=f"point {number}", code="number")
        return moment, float("nan"), "", text


def _instant(text: str, zone: str | None, number: int, findings: Findings) -> np.datetime64:
    try:
        stamp = parse_stamp(text)
        moment = np.datetime64(stamp.moment, "us")
        if stamp.offset is not None:
            return moment - np.timedelta64(round(stamp.offset * 1e6), "us")
        if zone is None:
            raise StampFault(f"{text!r} has no offset from UTC", "State the zone of the series")
        time = to_utc(np.array([moment]), zone_of(zone)).time
        return np.datetime64(time.tz_localize(None)[0].to_datetime64(), "us")
    except StampFault as fault:
        findings.add(str(fault), fault.remedy, column=f"point {number}", code="time")
        return np.datetime64("NaT", "us")
