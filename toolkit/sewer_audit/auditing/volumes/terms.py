"""The terms of the balance, from what the case states and the records it names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from sewer_audit import spoken
from sewer_audit.auditing.reading.inputs import Inputs
from sewer_audit.auditing.volumes.weather import record_rain, wet_excess
from sewer_audit.balance import (
    FORMULAS,
    DailyTerm,
    EstimatedTerm,
    IntakeVolumes,
    MeteredTerm,
    MeterShareTerm,
    ShareTerm,
    StatedTerm,
    Term,
    WayFormula,
    amounts_in_periods,
    as_periods,
    consumptive_share,
    meter_error,
    month_seconds,
    steam_losses,
    supply_meter_error,
)
from sewer_audit.balance import Periods as Instants
from sewer_audit.case import Case
from sewer_audit.case.models_uses import Quantified
from sewer_audit.case.models_ways import INPUTS
from sewer_audit.case.values import Uncertain
from sewer_audit.effluent import DischargeSeries, Periods
from sewer_audit.errors import Flag, InputRefused, Problem
from sewer_audit.uncertainty import Cause
from sewer_audit.units import DIMENSIONS

WATER = 998.0
"""Density by which weighed water becomes a volume [kg/m3]."""
YEAR = 365.2425 * 86400.0
MONTH_SECONDS = 86400.0 * np.array([31, 28.2425, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
DEPTHS = ("reference_evapotranspiration", "pan_depth")
"""Depths over a year, or over each month, that become a rate."""
SHORT = {"cycles_of_concentration": "cycles"}


def instants_of(periods: Periods) -> Instants:
    """Service periods as the balance counts them; one may have no time at all.

    Units: periods [UTC]; returns [s].
    """
    return as_periods(pd.DataFrame({"start": periods.start, "end": periods.end}), may_be_empty=True)


@dataclass(frozen=True)
class Grounds:
    """What terms are made from.

    Units: inputs [SI]; periods [UTC]; series [SI].
    """

    case: Case
    inputs: Inputs
    periods: Periods
    registers: Mapping[str, IntakeVolumes]
    series: DischargeSeries | None
    flags: list[Flag]

    @property
    def seconds(self) -> np.ndarray:
        """Seconds of every period in each calendar month [s]."""
        return month_seconds(self.periods.start, self.periods.end, self.periods.zone)


def as_cause(name: str, spread: Uncertain, dimension: str, persistence: str | None = None) -> Cause:
    """A stated uncertain value as a cause.

    Units: returns [SI].
    """
    of_spread = "temperature difference" if dimension == "temperature" else dimension
    return Cause(
        name,
        spread.standard_in(of_spread),
        value=spread.value_in(dimension),
        unit=DIMENSIONS[dimension][1],
        shape=spread.shape or "normal",
        dof=spread.dof,
        persistence=spread.persistence if persistence is None else persistence,
        source=spread.source or "stated in the case without a source",
        time_constant=spread.time_constant,
    )


def balance_terms(grounds: Grounds) -> dict[str, list[Term]]:
    """Every term of the balance by its role.

    Units: returns [m3].
    """
    data, known = grounds.case.data, grounds.registers
    intakes: list[Term] = [
        MeteredTerm(each.meter, known[each.meter], _error_of_meter(each.meter, grounds.case))
        for each in data.intake
    ]
    found = {
        "intake": intakes,
        "use": [_term(use, grounds) for use in data.use],
        "inflow": [_term(inflow, grounds) for inflow in data.inflow],
    }
    grounds.flags.extend(
        _exact_flag(term) for part in found.values() for term in part if _exact(term)
    )
    return found


def _exact(term: Term) -> bool:
    """Whether a term brings no uncertainty at all."""
    return not term.registers and not any(cause.standard > 0 for cause in term.causes)


def _exact_flag(term: Term) -> Flag:
    message = (
        f"{term.name}: every figure it is worked out from is stated without a spread and counts as "
        "exact, so the interval does not know how far it may be off; state a spread with each"
    )
    return Flag("counts-as-exact", message, {"term": term.name})


def further_terms(grounds: Grounds) -> list[Term]:
    """Terms of the further measurements, which take no part in the expected discharge.

    Units: returns [m3].
    """
    found = [_term(each, grounds) for each in grounds.case.data.further_measurement]
    grounds.flags.extend(_exact_flag(term) for term in found if _exact(term))
    return found


def _meter_cause(name: str, error: Uncertain | None, meter: Any = None) -> Cause:
    if error is None and meter is not None:
        known = meter.low_flow_share, meter.years_since_test, meter.meter_type
        return supply_meter_error(name, *known)
    if error is None:
        return meter_error(name, "sub-meter")
    return as_cause(f"{name}: meter error", error, "ratio")


def _term(table: Quantified, grounds: Grounds) -> Term:
    way, name = table.way, table.name
    formula = FORMULAS[table.kind, way.name]
    if way.name == "share of the intake":
        share = as_cause(name, table.inputs["fraction"], "ratio")
        return ShareTerm(name, str(table.fraction_of), share)
    if table.sector is not None:
        return ShareTerm(name, str(table.fraction_of), consumptive_share(name, table.sector))
    if way.name == "so much per day":
        if table.monthly:
            rate = {"per_day": np.asarray(table.by_month["per_day"])}
            return EstimatedTerm(name, _plain_rate, rate, grounds.seconds)
        return DailyTerm(name, as_cause(name, table.inputs["per_day"], "discharge"))
    if "file" in table.given:
        return _metered(table, formula, grounds)
    if table.kind == "rain":
        return _rain(table, formula, grounds)
    quantity = grounds.seconds
    if table.log is not None:
        quantity = _logged(table, grounds)[:, None]
    return EstimatedTerm(name, formula.compute, _inputs(table), quantity, _error(table, formula))


def _plain_rate(per_day: np.ndarray) -> np.ndarray:
    return per_day


def _inputs(table: Quantified) -> dict[str, Cause | np.ndarray]:
    """Stated inputs: causes where a spread is stated, exact arrays otherwise; depths as rates."""
    found: dict[str, Cause | np.ndarray] = {}
    for key, values in table.by_month.items():
        scale = MONTH_SECONDS if key in DEPTHS else 1.0
        found[key] = np.asarray(values) / scale
    for key, stated in table.inputs.items():
        words = SHORT.get(key, key.replace("_", " "))
        cause = as_cause(f"{table.name}: {words}", stated, INPUTS[key])
        scale = YEAR if key in DEPTHS else 1.0
        if cause.standard > 0:
            unit = cause.unit if scale == 1.0 else "m/s"
            standard, value = cause.standard / scale, cause.value / scale
            found[key] = replace(cause, standard=standard, value=value, unit=unit)
        else:
            found[key] = np.array([cause.value / scale])
    return found | steam_losses(table.name, table.losses)


def _error(table: Quantified, formula: WayFormula) -> Cause | None:
    """The stated error of an estimate, or the default of its formula, marked as such."""
    name = f"{table.name}: estimate"
    if table.error is not None:
        return as_cause(name, table.error, "ratio")
    if not formula.limit_95:
        return None
    source = f"{spoken.percent(formula.limit_95, 0)} at 95 %: {formula.limit_source}"
    return Cause(name, formula.limit_95 / 1.96, source=source, default=True)


def _metered(table: Quantified, formula: WayFormula, grounds: Grounds) -> Term:
    name, owner = table.name, getattr(table, "same_meter_as", None) or table.name
    register, error = grounds.registers[owner], _error_of_meter(owner, grounds.case)
    if formula.compute is None and table.drain is None:
        return MeteredTerm(name, register, error)
    drain, drain_error = None, None
    if table.drain is not None:
        drain = grounds.registers[f"{name}: drain"]
        drain_error = _meter_cause(f"{name}: drain", table.drain.error)
    return MeterShareTerm(
        name,
        register,
        error,
        formula.compute,
        _inputs(table),
        drain,
        drain_error,
        formula.steady_drain if "condensate_to_drain" in table.inputs else None,
        "" if owner == name else owner,
    )


def _error_of_meter(name: str, case: Case) -> Cause:
    for intake in case.data.intake:
        if intake.meter == name:
            return _meter_cause(name, intake.error, intake)
    table = next(each for each in case.data.quantified if each.name == name)
    return _meter_cause(name, table.error)


def _logged(table: Quantified, grounds: Grounds) -> np.ndarray:
    """Sum of the dated amounts of every period; weighed water as a volume [m3, kg or m]."""
    record = grounds.inputs.logs[table.name]
    times, amounts = record.frame["time"], record.frame["amount"].to_numpy()
    if record.dimension == "mass" and table.kind != "laundry evaporation":
        amounts = amounts / WATER
    sums = amounts_in_periods(times, amounts, grounds.periods.start, grounds.periods.end)
    empty = [n for n, total in zip(grounds.periods.names, sums, strict=True) if not total > 0]
    if empty:
        grounds.flags.append(
            Flag(
                "nothing-written-down",
                f"{table.name}: no amount is written down in {', '.join(empty)}; it counts as none",
                {"use": table.name, "invoices": empty},
            )
        )
    return sums


def _rain(table: Quantified, formula: WayFormula, grounds: Grounds) -> Term:
    if table.log is not None:
        frame = grounds.inputs.logs[table.name].frame
        rain = pd.Series(frame["amount"].to_numpy(), index=pd.DatetimeIndex(frame["time"]))
    else:
        found = record_rain(grounds.inputs)
        if found is None:
            problem = Problem(
                grounds.case.file.name,
                f"inflow {table.name!r} needs a rain record, and there is none",
                "Name a rain column of the logger export, or a log of dated rain",
                column=f"inflow[{table.name}]",
            )
            raise InputRefused([problem])
        rain = found
    if table.area is None:
        return _wet(table, rain, grounds)
    periods = grounds.periods
    depth = amounts_in_periods(rain.index, rain.to_numpy(), periods.start, periods.end)
    error = _error(table, formula)
    return EstimatedTerm(table.name, formula.compute, _inputs(table), depth[:, None], error)


def _wet(table: Quantified, rain: pd.Series, grounds: Grounds) -> Term:
    """Inflow from the regression of daily effluent less intake on rain."""
    meters = [intake.meter for intake in grounds.case.data.intake]
    if grounds.series is None or not meters:
        problem = Problem(
            grounds.case.file.name,
            f"inflow {table.name!r} compares the effluent with the intake, and one is missing",
            "State the drained area and its runoff share instead",
            column=f"inflow[{table.name}]",
        )
        raise InputRefused([problem])
    records = [grounds.inputs.meters[meter].frame for meter in meters]
    found, volumes = wet_excess(grounds.series, records, rain, grounds.periods)
    grounds.flags.extend(found.flags)
    grounds.flags.append(
        Flag(
            "inflow-from-the-record",
            f"{table.name}: the inflow ({found.area_m2:.0f} m2 drained, u = "
            f"{found.standard_m2:.0f} m2) was taken from the effluent record itself, by how it "
            "follows the rain; for that part the balance is no independent check of the record",
            {"area_m2": found.area_m2, "standard_m2": found.standard_m2},
        )
    )
    source = "standard error of the regression of daily effluent less intake on rain"
    error = Cause(f"{table.name}: drained area", found.relative_standard, source=source)
    return StatedTerm(table.name, volumes, error)
