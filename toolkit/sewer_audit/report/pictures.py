"""The figures of the evidence report, each shown if the case holds what it needs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from IPython.display import display

from sewer_audit.charts import Picture, show
from sewer_audit.charts.balance import (
    differences,
    discharge_if_true,
    estimates_side_by_side,
    opposing_intervals,
    water_balance,
)
from sewer_audit.charts.hand import hand_picture, local_readings
from sewer_audit.charts.invoices import (
    decision_picture,
    difference_origins,
    invoices_against_evidence,
    line_differences,
    ratio_picture,
)
from sewer_audit.charts.record import hydrograph, record_quality, weekly_pattern
from sewer_audit.charts.screening import screening_picture
from sewer_audit.charts.uncertainty import (
    explanations_ranking,
    uncertainty_budget,
    zero_error_curve,
)
from sewer_audit.effluent.hand import hours_looked_at, local_times
from sewer_audit.report import frames as frames
from sewer_audit.report.evidence import invoices as steps
from sewer_audit.report.evidence.screening import screened_level, screening_stretches
from sewer_audit.report.show import say
from sewer_audit.wording import Words, joined, short_finding, template

__all__ = ["PICTURES", "picture"]


def picture(name: str, result: Any, caption: str = "", form: str = "png") -> None:
    """Show one figure of an audit, or say why there is none.

    Parameters
    ----------
    name : str
        One of :data:`PICTURES` [text].
    result : Audit
        The audit [-].
    caption : str
        Printed below the figure [text].
    form : str
        "png", or "svg" for a sharp print [text].
    """
    missing, draw = PICTURES[name]
    drawn = draw(result)
    if drawn is None:
        display(say("{reason}", reason=missing))
    else:
        show(drawn, caption=caption, form=form)


def _invoices(result: Any) -> Picture:
    device = result.case.device
    trend = device is not None and device.notes.trend_grade
    remarks = {"effluent": "trend grade"} if trend else None
    unit, coverage = Words.of(result).volume_unit, result.rule.coverage
    table = result.invoices.copy()
    table["finding"] = table["finding"].map(short_finding)
    for row in result.judged.itertuples():
        *above, last = row.invoices
        if above:  # one volume between two actual reads, whatever each bill says
            named = joined(above) if len(above) < 3 else f"the {len(above)} above"
            told = [f"see {last}"] * len(above) + [f"with {named}: {short_finding(row.finding)}"]
            table.loc[table["invoice"].astype(str).isin(row.invoices), "finding"] = told
    sources = ("effluent", "balance", "basis")
    if result.case.data.case.basis == "discharge":  # by a meter of the authority: no figure of ours
        sources = sources[:2]
    return invoices_against_evidence(table, unit, coverage, sources, remarks)


def _lines(result: Any) -> Picture | None:
    if result.pricing is None:
        return None
    grid = frames.line_grid(result)
    return line_differences(grid, Words.of(result).currency) if _differs(grid) else None


def _differs(grid: Any) -> bool:
    return bool((grid.abs() >= 0.005).any(axis=None)) or bool(grid.isna().any(axis=None))


def _origins(result: Any) -> Picture | None:
    if result.pricing is None:
        return None
    found = steps.origins(result)
    if (found.abs() < 0.005).all(axis=None):
        return None
    return difference_origins(found, Words.of(result).currency)


def _ratios(result: Any) -> Picture | None:
    ratios = None if result.pricing is None else steps.volume_ratios(result)
    if ratios is None or ratios.empty:
        return None
    return ratio_picture(ratios, steps.known_ratios(result))


def _decision(result: Any) -> Picture | None:
    audited = result.evidence.audited
    if audited is None or result.total["audited_mean"] is None:
        return None
    words, rule = Words.of(result), result.rule
    billed = result.total["billed_m3"]
    total = audited.sum(axis=1)
    has = {name: getattr(result.evidence, name) is not None for name in ("effluent", "balance")}
    source = "reconciled" if all(has.values()) else "effluent" if has["effluent"] else "balance"
    return decision_picture(total, billed, rule.tolerance, words.volume_unit, rule.coverage, source)


def _by_hand(result: Any) -> bool:
    table = result.case.data.effluent
    return table is not None and table.form == "hand readings"


def _quality(result: Any) -> Picture | None:
    if result.evidence.effluent is None or _by_hand(result):
        return None
    smallest = result.case.data.rule.smallest_coverage_of_record
    return record_quality(frames.status_shares(result), smallest)


def _screening(result: Any) -> Picture | None:
    if result.evidence.series is None or _by_hand(result):
        return None
    stretches = screening_stretches(result)
    return screening_picture(screened_level(result), stretches, str(result.case.zone))


def _hydrograph(result: Any) -> Picture | None:
    if result.evidence.series is None:
        return None
    if _by_hand(result):
        local = local_times(result.evidence.series, str(result.case.zone))
        readings = local_readings(local, result.evidence.series.discharge)
        return hand_picture(readings, hours_looked_at(local), Words.of(result).discharge_unit)
    bounds = sorted({*result.invoices["start"], *result.invoices["end"]})
    unit, zone = Words.of(result).discharge_unit, str(result.case.zone)
    return hydrograph(frames.daily_discharge(result), unit, bounds, zone)


def _week(result: Any) -> Picture | None:
    if result.evidence.series is None or _by_hand(result):
        return None
    pattern = frames.weekly_pattern(result)
    if pattern["middle"].isna().all():
        return None
    return weekly_pattern(pattern, Words.of(result).discharge_unit, str(result.case.zone))


def _budget(estimate: str) -> Callable[[Any], Picture | None]:
    what = {"effluent": "the measured effluent", "balance": "intake less uses"}[estimate]

    def draw(result: Any) -> Picture | None:
        budget = frames.budget_of(result, estimate)
        return None if budget.empty else uncertainty_budget(budget, what=what)

    return draw


def _zero(result: Any) -> Picture | None:
    effluent = result.evidence.effluent
    if effluent is None or effluent.zero is None:
        return None
    spread = float(effluent.zero.posterior.standard.mean())
    unit = Words.of(result).head_unit
    return zero_error_curve(frames.zero_curve(result), unit, spread, "the whole record")


def _balance(result: Any) -> Picture | None:
    total = result.total
    if result.evidence.balance is None or total["balance_mean"] is None:
        return None
    terms = frames.flows(result)
    if not terms.loc[terms["kind"] == "in", "mean"].sum() > 0:
        return None
    parts = ("standard_uncertainty", "low", "high")
    measured = {part: total.get(f"effluent_{part}") for part in ("mean", *parts)}
    expected = {part: total.get(f"balance_{part}") for part in parts}
    shown = [
        each if all(value is not None for value in each.values()) else None
        for each in (measured, expected)
    ]
    return water_balance(terms, Words.of(result).volume_unit, *shown)


def _estimates(result: Any) -> Picture | None:
    if result.evidence.effluent is None and result.evidence.balance is None:
        return None
    unit = Words.of(result).volume_unit
    return estimates_side_by_side(result.invoices, unit, result.rule.coverage)


def _differences(result: Any) -> Picture | None:
    found = result.evidence.reconciliation
    if found is None:
        return None
    names = [str(name) for name in result.invoices["invoice"]]
    return differences(names, found.z, found.critical_z, found.chi_square, found.dof, found.p_value)


def _if_true(result: Any) -> Picture | None:
    table = result.explanations
    if table.empty or not table["corrected_discharge_m3"].notna().any():
        return None
    unit, rule = Words.of(result).volume_unit, result.rule
    return discharge_if_true(table, result.total["billed_m3"], rule.tolerance, unit, rule.coverage)


def _explanations(result: Any) -> Picture | None:
    table = result.explanations.rename(columns={"name": "explanation", "posterior": "probability"})
    if table.empty or not {"explanation", "probability"} <= set(table):
        return None
    return explanations_ranking(table)


def _opposing(result: Any) -> Picture | None:
    table = result.opposing
    if table.empty:
        return None
    unit = Words.of(result).volume_unit
    return opposing_intervals(table, result.total["billed_m3"], result.rule.tolerance, unit)


MISSING = template("pictures.missing")
PICTURES: dict[str, tuple[str, Callable[[Any], Picture | None]]] = {
    name: (MISSING[name], draw)
    for name, draw in {
        "invoices": _invoices,
        "lines": _lines,
        "origins": _origins,
        "ratios": _ratios,
        "decision": _decision,
        "quality": _quality,
        "screening": _screening,
        "hydrograph": _hydrograph,
        "week": _week,
        "effluent budget": _budget("effluent"),
        "balance budget": _budget("balance"),
        "zero": _zero,
        "balance": _balance,
        "estimates": _estimates,
        "differences": _differences,
        "discharge if true": _if_true,
        "explanations": _explanations,
        "opposing": _opposing,
    }.items()
}
"""Name of a figure: what is said where the case does not hold it, and how it is drawn."""
