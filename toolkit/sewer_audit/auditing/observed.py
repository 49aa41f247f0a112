"""What the explanations have to explain, gathered from an audit's evidence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.auditing.evidence import Evidence
from sewer_audit.auditing.inputs import Inputs
from sewer_audit.auditing.weather import case_rain
from sewer_audit.case import Case
from sewer_audit.errors import AuditError
from sewer_audit.explanations import Observations
from sewer_audit.hydraulics import build_device
from sewer_audit.units import parse, to_si

__all__ = ["observations_of", "other_sizes"]

OFFSETS = np.linspace(-0.06, 0.06, 17)
"""Zero errors at which the record is evaluated again [m]."""
DROWNED_FROM = (0.45, 0.6, 0.75)
"""Shares of the largest head from which tailwater may act (judgement) [-]."""
PEAK = 0.999
GRID = 2e-4
"""Spacing of the levels on which the record is condensed [m]."""
INCHES = (1, 2, 3, 6, 9, 12, 18, 24, 36, 48, 60, 72)
ANGLES = (22.5, 30, 45, 60, 90, 120)
# key of a device: other sizes in which it is sold, and by how much one is likely to be mistaken
SIZES: Mapping[str, tuple[str, ...]] = {
    "throat": tuple(f"{inch} in" for inch in INCHES),
    "diameter": tuple(f"{inch} in" for inch in (4, 6, 8, 10, 12, 15, 18, 21, 24, 30, 36)),
    "angle": tuple(f"{angle:g} deg" for angle in ANGLES),
    "size": tuple(f"{inch / 12:g} ft" for inch in (6, 9, 12, 18, 24, 30, 36, 54)),
}
NEIGHBOURS = 2
"""Sizes tried to either side of the stated one [-]."""


def observations_of(
    case: Case, inputs: Inputs, evidence: Evidence, table: pd.DataFrame
) -> Observations:
    """Everything known about the billed series.

    Units: evidence [m3]; table [m3]; returns [m3].

    table: One row per invoice: billed_m3, start, end.
    """
    step = max(-volume.as_tuple().exponent for volume in inputs.invoices.frame["billed_volume"])
    unit = case.data.invoices.volume_unit
    periods = evidence.periods
    middle = periods.start + (periods.end - periods.start) / 2
    return Observations(
        billed_m3=table["billed_m3"].to_numpy(),
        billed_step_m3=float(to_si(10.0**-step, unit, "volume")),
        days=periods.days,
        year_fraction=(middle.day_of_year / 365).to_numpy(),
        tolerance=case.data.rule.tolerance,
        rain_m=case_rain(case, inputs, periods),
        **_estimates(evidence),
        **_basis(case, evidence),
        **_record(case, evidence),
    )


def _estimates(evidence: Evidence) -> dict[str, Any]:
    told: dict[str, Any] = {}
    for name, draws in (
        ("effluent", None if evidence.effluent is None else evidence.effluent.volumes),
        ("balance", None if evidence.balance is None else evidence.balance.draws),
    ):
        if draws is not None and np.isfinite(draws).all(axis=0).any():
            told[f"{name}_mean"] = draws.mean(axis=0)
            told[f"{name}_cov"] = np.atleast_2d(np.cov(draws.T))
    return told


def _basis(case: Case, evidence: Evidence) -> dict[str, Any]:
    data = case.data
    if evidence.basis is None or data.case.basis != "intake":
        return {}
    supply = [i.meter for i in data.intake if i.role == "supply"]
    zero = np.zeros(len(evidence.periods.names))
    return {
        "basis_m3": evidence.basis.mean(axis=0),
        "basis_cov": np.atleast_2d(np.cov(evidence.basis.T)),
        "return_factor": data.case.return_factor,
        "intake_m3": sum((evidence.registers[name].volume_m3 for name in supply), zero),
        "deducts_m3": sum(evidence.credits.values(), zero),
    }


def _record(case: Case, evidence: Evidence) -> dict[str, Any]:
    """How the volumes of the record would change under another zero, or in another device."""
    effluent, series = evidence.effluent, evidence.series
    if effluent is None or series is None or effluent.model.zero is None:
        return {}
    levels, weights = _condensed(evidence)

    def volumes(device: Any, shift: float = 0.0) -> np.ndarray:
        return weights @ device.rating(np.maximum(levels - shift, 0.0))

    device = case.device
    usual = volumes(device)
    seen = _zero_seen(evidence)
    if not np.all(usual > 0):
        return {"head_sensitivity": effluent.sensitivity, **seen}
    rates, head = device.rating(levels), np.quantile(series.level, PEAK)
    return {
        **seen,
        "head_sensitivity": effluent.sensitivity,
        "zero_offsets_m": OFFSETS,
        "zero_volumes_m3": np.array([volumes(device, shift) for shift in OFFSETS]),
        "drowned_patterns": {
            f"tailwater from {spoken.percent(share, 0)} of the largest head on": weights
            @ np.maximum(rates - device.rating(np.array([share * head])), 0.0)
            / usual
            for share in DROWNED_FROM
        },
        "device_ratios": {
            label: volumes(other) / usual for label, other in other_sizes(case).items()
        },
    }


def _zero_seen(evidence: Evidence) -> dict[str, np.ndarray]:
    """How far a lasting zero error can hide from the visits from each invoice on [m]."""
    zero, causes = evidence.effluent.zero, evidence.effluent.causes  # type: ignore[union-attr]
    if zero is None or not zero.visits:
        return {}
    gauge = causes.shared.get("gauge datum")
    datum = 0.0 if gauge is None else gauge.standard
    starts = evidence.periods.seconds(evidence.series.epoch)[:, 0]  # type: ignore[union-attr]
    seen = [
        np.min([v.standard for v in zero.visits if v.time >= start], initial=np.inf)
        for start in starts
    ]
    return {"zero_seen_m": np.hypot(datum, seen)}


def _condensed(evidence: Evidence) -> tuple[np.ndarray, np.ndarray]:
    """Levels on a grid [m], and the time (times carrier) spent at each in every period [s]."""
    series = evidence.series
    low, high = float(series.level.min()), float(series.level.max())
    step = max(GRID, (high - low) / 10_000)
    cell = np.rint((series.level - low) / step).astype(np.int64)
    lasted = np.gradient(series.time)
    lasted = np.minimum(lasted, 10 * np.median(lasted)) * series.carrier
    spans = np.searchsorted(series.time, evidence.periods.seconds(series.epoch))
    count = int(cell.max()) + 1
    weights = [np.bincount(cell[a:b], lasted[a:b], count) for a, b in spans]
    return low + step * np.arange(count), np.array(weights)


def other_sizes(case: Case) -> dict[str, Any]:
    """Devices of the same kind in the sizes beside the stated one."""
    table = case.data.effluent
    dimension = {"angle": "angle"}
    for key, sizes in SIZES.items():
        stated = table.sizes.get(key)
        if stated is None:
            continue
        is_a = dimension.get(key, "length")
        number = _size(stated, is_a)
        known = [(text, _size(text, is_a)) for text in sizes]
        others = sorted((each for each in known if abs(each[1] / number - 1) > 0.02), key=_second)
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


def _size(text: str, dimension: str) -> float:
    return parse(text, dimension)


def _second(pair: tuple[str, float]) -> float:
    return pair[1]
