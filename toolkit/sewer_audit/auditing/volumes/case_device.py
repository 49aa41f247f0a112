"""Whether a size or a unit of the case's own device is likelier than an error of every bill."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from sewer_audit.case import Case
from sewer_audit.effluent import EffluentVolumes, Periods
from sewer_audit.errors import AuditError, Flag
from sewer_audit.hydraulics import build_device
from sewer_audit.units import parse

INCHES = (1, 2, 3, 6, 9, 12, 18, 24, 36, 48, 60, 72)
ANGLES = (22.5, 30, 45, 60, 90, 120)
SIZES: Mapping[str, tuple[str, ...]] = {
    "throat": tuple(f"{inch} in" for inch in INCHES),
    "diameter": tuple(f"{inch} in" for inch in (4, 6, 8, 10, 12, 15, 18, 21, 24, 30, 36)),
    "angle": tuple(f"{angle:g} deg" for angle in ANGLES),
    "size": tuple(f"{inch / 12:g} ft" for inch in (6, 9, 12, 18, 24, 30, 36, 54)),
}
"""Key of a device to other sizes in which it is sold [text]."""
NEIGHBOURS = 2
"""Sizes tried to either side of the stated one [-]."""
LEVEL_UNITS: Mapping[str, float] = {
    "in written, cm read": 2.54,
    "cm written, in read": 1 / 2.54,
    "ft written, m read": 0.3048,
    "m written, ft read": 1 / 0.3048,
    "level written twice": 0.5,
}
"""True over recorded level where its unit is mistaken: exact definitions of the units [-]."""
NEARLY = 0.9
"""Share of the invoices that must agree with another size or unit (judgement) [-]."""
VAGUE = 1.6
"""Ratio of the ends of an interval from which on it agrees with too much (judgement) [-]."""


def device_question(
    case: Case, series: Any, periods: Periods, volumes: EffluentVolumes, billed: np.ndarray
) -> Flag | None:
    """What to ask where another size or unit of the device makes nearly every bill right.

    Units: billed [m3].

    Notes
    -----
    Asked only where the record as stated contradicts the bills together, and nothing but the
    record says so: a dimension typed wrongly is then as good an explanation as any of the bills.
    """
    table = case.data.effluent
    if table is None or case.data.case.units_confirmed or case.device is None:
        return None
    if str(table.checklist.get("dimensions", "")).lower().startswith("yes"):
        return None
    known = np.isfinite(volumes.volumes).all(axis=0) & np.isfinite(billed) & (billed > 0)
    if not known.any():
        return None
    drawn, billed = volumes.volumes[:, known], billed[known]
    tail = (1 - case.data.rule.coverage) / 2
    low, high = np.quantile(drawn.sum(axis=1), (tail, 1 - tail))
    slack = case.data.rule.tolerance * billed.sum()
    if low - slack <= billed.sum() <= high + slack:
        return None
    low, high = np.quantile(drawn, (tail, 1 - tail), axis=0)
    if np.median(high / np.maximum(low, 1e-9)) > VAGUE:
        return None
    spans = periods.seconds(series.epoch)[known]
    for words, ratio in _ratios(case, series, spans).items():
        if np.mean((low * ratio <= billed) & (billed <= high * ratio)) >= NEARLY:
            return Flag(
                "size-of-the-device",
                f"All bills agree with the record if it is read with {words}; as the case states "
                "it, none of them does, and nothing but the record says so. Has somebody measured "
                "the device and seen the unit on the logger? Nothing rests on the record before "
                "that is answered: under [effluent.checklist] dimensions = 'yes, measured ...', or "
                "under [case] units_confirmed = '...'.",
                {"instead": words, "ratio": float(np.median(ratio))},
            )
    return None


def _ratios(case: Case, series: Any, spans: np.ndarray) -> dict[str, np.ndarray]:
    """Volume of every period with another device or unit, of that as stated [-]."""
    device, level = case.device, series.level
    lasted = np.gradient(series.time) * series.carrier
    inside = [slice(*np.searchsorted(series.time, span)) for span in spans]

    def summed(rating: Any, heads: np.ndarray) -> np.ndarray:
        with np.errstate(all="ignore"):
            flow = np.nan_to_num(rating(np.maximum(heads, 0.0))) * lasted
        return np.array([flow[each].sum() for each in inside])

    usual = summed(device.rating, level)
    if not (usual > 0).all() or not np.ptp(level):
        return {}
    found = {text: summed(other.rating, level) / usual for text, other in other_sizes(case).items()}
    units = {text: summed(device.rating, level * by) / usual for text, by in LEVEL_UNITS.items()}
    return found | {f"{text} (level)": ratio for text, ratio in units.items()}


def other_sizes(case: Case) -> dict[str, Any]:
    """Devices of the same kind in the sizes beside the stated one."""
    table = case.data.effluent
    dimension = {"angle": "angle"}
    for key, sizes in SIZES.items():
        stated = table.sizes.get(key)
        if stated is None:
            continue
        is_a = dimension.get(key, "length")
        number = parse(stated, is_a)
        known = [(text, parse(text, is_a)) for text in sizes]
        others = sorted(
            (each for each in known if abs(each[1] / number - 1) > 0.02), key=lambda each: each[1]
        )
        below = [each for each in others if each[1] < number][-NEIGHBOURS:]
        above = [each for each in others if each[1] > number][:NEIGHBOURS]
        found = {}
        for text, _ in (*below, *above):
            try:
                device = build_device(table.method, {**table.sizes, key: text})
            except AuditError:
                continue  # this kind of device is not made in that size
            found[f"{key} {text} instead of {stated}"] = device
        return found
    return {}
