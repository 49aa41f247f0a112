"""Uses that never reach the sewer, against the figures published for them."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from second_opinions.balance_uses import use_error
from sewer_audit.balance import USES
from sewer_audit.balance.formulas import process, steam, surfaces, towers
from sewer_audit.errors import AuditError, OutOfRange
from sewer_audit.units import from_si, to_si

TABLE = (Path(__file__).parent / "data" / "balance.csv").read_text(encoding="utf-8")
ROWS = list(csv.DictReader(TABLE.splitlines()))
ROOMS = (towers, steam, surfaces, process)

BY_ARGUMENT = {
    "circulation": "discharge",
    "cooling_range": "temperature difference",
    "evaporation": "discharge",
    "drift": "discharge",
    "heat": "power",
    "outdoor_air": "discharge",
    "air_density": "concentration",
    "density": "concentration",
    "reference_evapotranspiration": "length",
    "area": "area",
    "rain_depth": "length",
    "mean_discharge": "discharge",
    "driest_month_discharge": "discharge",
    "wet_peak_hour": "discharge",
    "same_hour_dry": "discharge",
    "dry_mass": "mass",
    "per_person_day": "volume",
    "water_per_batch": "volume",
    "shipped": "volume",
    "steam": "mass rate",
    "blowdown": "mass rate",
    "makeup": "mass rate",
    "condensate_return": "mass rate",
}
BEYOND_UNITS = {"Btu/lb": 2326.0, "inHg": 3386.389}
PRINTED = {"lb of water": 0.45359237 / 998.0, "of 7 gal": 7 * 3.785411784e-3}


def quantity(name: str, text: str) -> float:
    number, _, unit = text.partition(" ")
    if not unit:
        return float(number)
    if unit in BEYOND_UNITS:
        return float(number) * BEYOND_UNITS[unit]
    return to_si(float(number), unit, BY_ARGUMENT[name])


def named(function: str):
    return next(getattr(room, function) for room in ROOMS if hasattr(room, function))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['function']}-{row['expected']}")
def test_published_figure(row):
    """Each row names its document and whether the figure is printed there or computed here."""
    arguments = {}
    for pair in row["inputs"].split("; "):
        name, _, text = pair.partition("=")
        arguments[name] = quantity(name, text)
    result = named(row["function"])(**arguments)
    if row["unit"] in PRINTED:
        shown = result / PRINTED[row["unit"]]
    else:
        shown = from_si(result, row["unit"], row["dimension"]) if row["unit"] else result
    expected, tolerance = float(row["expected"]), float(row["relative_tolerance"])
    assert float(shown) == pytest.approx(expected, rel=tolerance)


def test_the_case_plant_closes():
    """Water-planning guide for industry, worked case: to sewer 42 845 gal/d, 72 gal/d left open."""
    evaporation, drift = 114048.0, 14256.0
    blowdown = float(towers.tower_blowdown(evaporation, 4.0, drift))
    to_sewer = blowdown + 9568 + 9517
    assert to_sewer == pytest.approx(42845, abs=1)
    lost = evaporation + drift + 38273 - 9568
    assert lost == pytest.approx(157081, rel=0.001)
    assert 199854 - lost - to_sewer == pytest.approx(0, abs=73)


def test_the_second_scenario_contradicts_itself():
    """Same page: its evaporation of 1 877 gal/d does not give its blowdown of 2 037."""
    assert float(towers.tower_blowdown(1877.0, 8.0, 14256.0)) == 0.0
    assert float(towers.tower_blowdown(114048.0, 8.0, 14256.0)) == pytest.approx(2037, rel=0.001)


def test_evaporation_factor_is_a_ceiling():
    """Energy balance, computed here: 1/1045 per degF is 0.000957, below the rule's 0.001."""
    heat = 1000.0 * 0.001 * 4186.8 * 998.0 / 998.0  # 1 m3/s cooled by 1/1000 K, per kg
    by_heat = float(towers.evaporation_from_heat(heat, density=1000.0))
    by_rule = float(towers.tower_evaporation(1.0, 0.001))
    assert by_rule / by_heat == pytest.approx(1.045, rel=0.003)


def test_difference_of_two_meters():
    """Computed by the GUM's rule: 152 064 within 2 % less 23 760 within 5 % is within 2.54 %."""
    credit = process.by_difference(152064.0, 23760.0, 0.02, 0.05)
    assert credit.volume == pytest.approx(128304)
    assert float(credit.limit_95) * 100 == pytest.approx(2.54, abs=0.005)


def test_difference_of_equal_volumes_proves_nothing():
    credit = process.by_difference(np.array([10.0, 5.0]), np.array([10.0, 1.0]), 0.02, 0.02)
    assert credit.limit_95[0] == np.inf
    assert credit.limit_95[1] == pytest.approx(0.02 * np.hypot(5, 1) / 4)


def test_published_variances_of_a_system():
    """Water Loss Control, table 7.5: five sources at 2.55 % give the printed variance and 1.3 %."""
    volumes = np.array([7512.80, 10519.84, 6580.71, 4411.61, 7.60])
    variance = (volumes * 0.0255 / 1.96) ** 2
    assert variance[1] == pytest.approx(18732.1, rel=0.001)
    assert 100 * 1.96 * np.sqrt(variance.sum()) / volumes.sum() == pytest.approx(1.3, abs=0.05)
    gap = process.by_difference(29032.56, 24778.64, 0.013317, 0.011253)
    assert float(gap.volume) == pytest.approx(4253.92)
    assert 100 * float(gap.limit_95) == pytest.approx(11.2, abs=0.05)


def test_drift_never_makes_blowdown_negative():
    assert float(towers.tower_blowdown(1.0, 10.0, 0.5)) == 0.0
    assert float(towers.tower_makeup(1.0, 10.0, 0.5)) == 1.5


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: towers.tower_blowdown(1.0, 1.0), "more than 1"),
        (lambda: towers.cycles_of_concentration(800.0, 0.0), "not positive"),
        (lambda: steam.boiler_blowdown(1.0, 0.9), "more than 1"),
        (lambda: surfaces.irrigation_volume(1.0, 1.0, 0.5, 0.0), "between 0 and 1"),
        (lambda: surfaces.rain_inflow(0.01, 10.0, 1.2), "between 0 and 1"),
        (lambda: process.product_water(1.0, -0.1), "between 0 and 1"),
    ],
)
def test_values_outside_the_formulas_are_refused(call, text):
    with pytest.raises(OutOfRange, match=text):
        call()


def test_every_use_says_what_it_rests_on():
    for record in USES.values():
        assert record.sources and record.evidence and record.traps and record.better
        read_or_stated = {"neighbour's return", "private well", "stated rate", "stated share"}
        assert bool(record.formulas) == (record.name not in read_or_stated)
        assert 0 < record.limit_95 < 1
        assert "judgement" in record.limit_source


def test_default_error_is_marked_and_unknown_use_refused():
    cause = use_error("north tower", "cooling tower")
    assert cause.default and cause.standard == pytest.approx(0.15 / 1.96)
    with pytest.raises(AuditError, match="kind of use 'swimming'; known are deduct meter"):
        use_error("pool", "swimming")
