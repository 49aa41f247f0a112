"""What the explanations have to explain, gathered from an audit's evidence.

Bills are known invoice by invoice; the two estimates are compared between the site's own reads,
so that what monthly totals cannot tell apart may be told by its course in time.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sewer_audit.auditing.judgement.marks import courses_of, marks_of, quiet_intake
from sewer_audit.auditing.judgement.patterns import Patterns
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.auditing.volumes.evidence import Evidence, registers_of
from sewer_audit.auditing.volumes.terms import Grounds, balance_terms, instants_of
from sewer_audit.auditing.volumes.weather import rain_amounts
from sewer_audit.balance import Balance, amounts_in_periods, expected_discharge
from sewer_audit.case import Case
from sewer_audit.effluent import Periods
from sewer_audit.errors import AuditError
from sewer_audit.explanations import Observations
from sewer_audit.uncertainty import Draws
from sewer_audit.units import to_si

__all__ = ["observations_of"]

DAY = pd.Timedelta(days=1)
SHORTEST = 5.0
"""Reads nearer to each other are not taken as intervals of their own [d] (judgement)."""
MOST = 60
"""Intervals compared at most [-]."""
FINER = 1.3
"""Intervals per invoice from which they are worth comparing [-]."""
COVERED = 0.85
"""Share of an interval that must hold readings [-]."""
STOPPED, FLOWING = 0.15, 0.3
"""Share of the usual intake below which a register stands still, and of the usual flow above which
water left all the same (judgement) [-]."""
DRAINS = (3.0, 10.0, 25.0)
"""Half-lives of rain that drains through the ground [d] (judgement)."""
TRIAL = Draws(300, 1)
"""Draws that settle the mean of the balance between two reads [-]."""


def observations_of(
    case: Case, inputs: Inputs, evidence: Evidence, table: pd.DataFrame
) -> Observations:
    """Everything known about the billed series.

    Units: evidence [m3]; table [m3]; returns [m3].

    table: One row per invoice: billed_m3.
    """
    step = max(-volume.as_tuple().exponent for volume in inputs.invoices.frame["billed_volume"])
    unit = case.data.invoices.volume_unit
    periods = evidence.periods
    patterns = _patterns(case, evidence)
    return Observations(
        billed_m3=table["billed_m3"].to_numpy(),
        billed_step_m3=float(to_si(10.0**-step, unit, "volume")),
        tolerance=case.data.rule.tolerance,
        fine=_between_reads(case, inputs, evidence, patterns),
        **_estimates(evidence),
        **_basis(case, evidence),
        **_uses(evidence.balance),
        **_times(case, inputs, periods, periods),
        **({} if patterns is None else patterns.over(periods)),
        **({} if patterns is None else courses_of(patterns, periods)),
        **({} if patterns is None else marks_of(patterns, inputs)),
    )


def _patterns(case: Case, evidence: Evidence) -> Patterns | None:
    series, table = evidence.series, case.data.effluent
    if series is None or evidence.effluent is None or table.form == "hand readings":  # type: ignore
        return None
    return Patterns(case, evidence, evidence.periods.start[0])


def _times(case: Case, inputs: Inputs, periods: Periods, invoices: Periods) -> dict[str, Any]:
    """Where the periods lie, and the rain that fell on them or drains in them."""
    start = invoices.start[0]
    middle = periods.start + (periods.end - periods.start) / 2
    found: dict[str, Any] = {
        "days": np.maximum(periods.days, 1e-6),
        "starts_d": np.asarray((periods.start - start) / DAY, dtype=float),
        "epoch": start,
        "year_fraction": (middle.day_of_year / 365).to_numpy(),
        "invoice_spans": tuple(
            (float((a - start) / DAY), float((b - start) / DAY))
            for a, b in zip(invoices.start, invoices.end, strict=True)
        ),
    }
    rain = rain_amounts(case, inputs)
    if rain is None:
        return found
    ends = periods.start, periods.end
    found["rain_m"] = amounts_in_periods(rain.index, rain.to_numpy(), *ends)
    daily = rain.groupby(rain.index.floor("D")).sum()
    daily = daily.reindex(pd.date_range(daily.index[0], invoices.end[-1].ceil("D")), fill_value=0.0)
    found["rain_stores"] = {
        f"draining over {days:g} days after rain": amounts_in_periods(
            daily.index, daily.ewm(halflife=days).mean().to_numpy(), *ends
        )
        for days in DRAINS
    }
    return found


def _estimates(evidence: Evidence) -> dict[str, Any]:
    told: dict[str, Any] = {}
    for name, draws in (
        ("effluent", None if evidence.effluent is None else evidence.effluent.volumes),
        ("balance", None if evidence.balance is None else evidence.balance.draws),
    ):
        if draws is None:
            continue
        known = np.isfinite(draws).all(axis=0)
        if evidence.gate is not None and name == "effluent":
            known &= ~evidence.gate.void  # a doubted record is asked why, no measurement is not
        if known.any():
            draws = np.where(known, draws, np.nan)
            told[f"{name}_mean"] = draws.mean(axis=0)
            told[f"{name}_cov"] = np.atleast_2d(np.cov(draws.T))
    return told


def _basis(case: Case, evidence: Evidence) -> dict[str, Any]:
    data = case.data
    found: dict[str, Any] = {}
    if data.intake and evidence.balance is not None:
        found["intake_m3"] = _registered(case, evidence.registers, len(evidence.periods.names))
    if evidence.basis is None or data.case.basis != "intake":
        return found
    zero = np.zeros(len(evidence.periods.names))
    return found | {
        "basis_m3": evidence.basis.mean(axis=0),
        "basis_cov": np.atleast_2d(np.cov(evidence.basis.T)),
        "return_factor": data.case.return_factor,
        "deducts_m3": sum(evidence.credits.values(), zero),
    }


def _registered(case: Case, registers: Any, count: int) -> np.ndarray:
    supply = [each.meter for each in case.data.intake if each.role == "supply"]
    return sum((registers[name].volume_m3 for name in supply), np.zeros(count))


def _uses(balance: Balance | None) -> dict[str, Any]:
    """Volumes of uses, and of inflows below nothing, that a statement may have got wrong."""
    if balance is None:
        return {}
    sign = {"use": 1.0, "inflow": -1.0}
    return {
        "uses_m3": {
            name: sign[balance.roles[name]] * draws.mean(axis=0)
            for name, draws in balance.components.items()
            if balance.roles.get(name) in sign and np.isfinite(draws).all()
        }
    }


def _between_reads(
    case: Case, inputs: Inputs, evidence: Evidence, patterns: Patterns | None
) -> Observations | None:
    """Record and balance between the site's reads; None where these are no finer than bills."""
    if patterns is None or evidence.reconciliation is None or not case.data.intake:
        return None
    periods = _read_periods(case, inputs, evidence.periods)
    if len(periods.names) < FINER * len(evidence.periods.names):
        return None
    try:
        registers = registers_of(case, inputs, periods)
        grounds = Grounds(case, inputs, periods, registers, evidence.series, [])
        terms = balance_terms(grounds)
        balance = expected_discharge(*terms.values(), instants_of(periods), TRIAL)
    except AuditError:
        return None  # what is known by the invoice alone stays so
    share = _overlap(periods, evidence.periods)
    volume, covered = patterns.volumes(periods)
    whole, _ = patterns.volumes(evidence.periods)
    ratio = evidence.effluent.volumes.mean(axis=0) / np.maximum(whole, 1e-9)  # type: ignore
    told = _estimates(evidence)
    if not {"effluent_mean", "balance_mean"} <= set(told):
        return None
    stopped = ~np.isfinite(told["effluent_mean"] + told["balance_mean"])
    effluent = np.where(covered >= COVERED, volume * (share @ np.nan_to_num(ratio)), np.nan)
    effluent = np.where(share @ stopped > 0.2, np.nan, effluent)
    expected = balance.draws.mean(axis=0)
    if (np.isfinite(effluent) & np.isfinite(expected)).sum() < 4:
        return None
    intake = _registered(case, registers, len(periods.names))
    times = _times(case, inputs, periods, evidence.periods)
    seen, whole = patterns.over(periods), patterns.over(evidence.periods)
    seen |= courses_of(patterns, periods) | quiet_intake(patterns, inputs, periods)
    seen |= marks_of(patterns, inputs)
    relative = {
        name: np.nan_to_num(
            told[f"{name}_cov"] / np.outer(*2 * [np.maximum(np.abs(told[f"{name}_mean"]), 1e-9)])
        )
        for name in ("effluent", "balance")
    }
    zero = [
        patterns.zero_effect(each, np.broadcast_to(found.get("head_sensitivity", 0.0), len(
            each.names)))
        for each, found in ((periods, seen), (evidence.periods, whole))
    ]  # fmt: skip
    shared = share @ _positive(relative["effluent"] - zero[1]) @ share.T + zero[0]
    spread = {"effluent": shared, "balance": share @ relative["balance"] @ share.T}
    covs = {
        f"{name}_cov": spread[name] * np.outer(*2 * [np.nan_to_num(mean)])
        for name, mean in (("effluent", effluent), ("balance", expected))
    }
    return Observations(
        billed_m3=np.zeros(len(expected)),
        effluent_mean=effluent,
        balance_mean=expected,
        intake_m3=intake,
        standstills=_standstills(case, inputs, evidence, patterns),
        **covs,
        **_uses(balance),
        **times,
        **seen,
    )


def _positive(cov: np.ndarray) -> np.ndarray:
    """The part of a covariance that is above nothing."""
    values, vectors = np.linalg.eigh((cov + cov.T) / 2)
    return (vectors * np.maximum(values, 0.0)) @ vectors.T


def _read_periods(
    case: Case, inputs: Inputs, invoices: Periods, shortest: pd.Timedelta | None = None
) -> Periods:
    """From read to read of the supply meter that is read least, joined where they are short."""
    first, last = invoices.start[0], invoices.end.max()
    reads = [
        pd.DatetimeIndex(inputs.meters[each.meter].frame["time"])
        for each in case.data.intake
        if each.role == "supply"
    ]
    fewest = min(reads, key=len) if reads else pd.DatetimeIndex([])
    shortest = shortest or max(SHORTEST, (last - first) / DAY / MOST) * DAY
    edges = [first]
    for moment in fewest[(fewest > first) & (fewest < last)]:
        if moment - edges[-1] >= shortest and last - moment >= shortest:
            edges.append(moment)
    edges.append(last)
    start, end = pd.DatetimeIndex(edges[:-1]), pd.DatetimeIndex(edges[1:])
    return Periods(tuple(map(str, range(len(start)))), start, end, invoices.zone)


def _overlap(periods: Periods, invoices: Periods) -> np.ndarray:
    """Share of every interval that lies in each invoice [-]."""
    start = invoices.start[0]
    a, b = (np.asarray((each - start) / DAY, dtype=float) for each in (periods.start, periods.end))
    c, d = (np.asarray((each - start) / DAY, dtype=float) for each in (
        invoices.start, invoices.end))  # fmt: skip
    inside = np.minimum(b[:, None], d) - np.maximum(a[:, None], c)
    inside = np.maximum(inside, 0.0)
    nearest = np.abs((a + b)[:, None] - (c + d)).argmin(axis=1)
    inside[inside.sum(axis=1) == 0, nearest[inside.sum(axis=1) == 0]] = 1.0
    return inside / inside.sum(axis=1, keepdims=True)


def _standstills(
    case: Case, inputs: Inputs, evidence: Evidence, patterns: Patterns
) -> dict[str, tuple[float, float]]:
    """Stretches in which the register hardly moved while water left the site [d].

    The reads beside a stretch count with it where they show less than usual: it begins and ends
    between two reads.
    """
    periods = _read_periods(case, inputs, evidence.periods, 2 * DAY)
    intake = _registered(case, registers_of(case, inputs, periods), len(periods.names))
    rate, flow = intake / periods.days, patterns.volumes(periods)[0] / periods.days
    usual, left = np.nanmedian(rate), np.nanmedian(flow)
    still = (rate < STOPPED * usual) & (flow > FLOWING * left)
    start = np.asarray((periods.start - evidence.periods.start[0]) / DAY, dtype=float)
    found, place = {}, 0
    while place < len(still):
        end = place
        while end < len(still) and still[end]:
            end += 1
        if end > place:
            low = place - 1 if place and rate[place - 1] < 0.9 * usual else place
            high = end + 1 if end < len(still) and rate[end] < 0.9 * usual else end
            days = [
                str(each[k].date()) for each, k in ((periods.start, low), (periods.end, high - 1))
            ]
            span = float(start[low]), float(start[high - 1] + periods.days[high - 1])
            found[f"from {days[0]} to {days[1]} at most"] = span
        place = end + 1
    return found
