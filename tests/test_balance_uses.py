"""Uses that never reach the sewer, against the figures published for them."""

from __future__ import annotations

import csv
import inspect
from pathlib import Path

import numpy as np
import pytest

from second_opinions import balance_formulas as streams
from second_opinions.balance_uses import use_error
from sewer_audit.balance import FORMULAS, USES
from sewer_audit.balance.formulas import equations
from sewer_audit.errors import AuditError
from sewer_audit.units import from_si, to_si

TABLE = (Path(__file__).parent / "data" / "balance.csv").read_text(encoding="utf-8")
ROWS = list(csv.DictReader(TABLE.splitlines()))
ROOMS = (equations, streams)

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
    "rain_depth": "length",
    "area": "area",
    "mean_discharge": "discharge",
    "driest_discharge": "discharge",
    "dry_mass": "mass",
    "steam": "mass rate",
    "blowdown": "mass rate",
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
    rounded = arguments.pop("printed_factor", 144 / 231) / (144 / 231)  # gal per ft2 and inch
    rounded *= arguments.pop("rain_depth", 1.0)  # what a log of rain multiplies an area with
    result = rounded * named(row["function"])(**arguments)
    if row["unit"] in PRINTED:
        shown = result / PRINTED[row["unit"]]
    else:
        shown = from_si(result, row["unit"], row["dimension"]) if row["unit"] else result
    expected, tolerance = float(row["expected"]), float(row["relative_tolerance"])
    assert float(shown) == pytest.approx(expected, rel=tolerance)


def test_the_case_plant_closes():
    """Water-planning guide for industry, worked case: to sewer 42 845 gal/d, 72 gal/d left open."""
    evaporation, drift = 114048.0, 14256.0
    blowdown = float(streams.tower_blowdown(evaporation, 4.0, drift))
    to_sewer = blowdown + 9568 + 9517
    assert to_sewer == pytest.approx(42845, abs=1)
    lost = evaporation + drift + 38273 - 9568
    assert lost == pytest.approx(157081, rel=0.001)
    assert 199854 - lost - to_sewer == pytest.approx(0, abs=73)


def test_the_second_scenario_contradicts_itself():
    """Same page: its evaporation of 1 877 gal/d does not give its blowdown of 2 037."""
    assert float(streams.tower_blowdown(1877.0, 8.0, 14256.0)) == 0.0
    assert float(streams.tower_blowdown(114048.0, 8.0, 14256.0)) == pytest.approx(2037, rel=0.001)


def test_evaporation_factor_is_a_ceiling():
    """Energy balance, computed here: 1/1045 per degF is 0.000957, below the rule's 0.001."""
    heat = 1000.0 * 0.001 * 4186.8 * 998.0 / 998.0  # 1 m3/s cooled by 1/1000 K, per kg
    by_heat = float(equations.evaporation_from_heat(heat, density=1000.0))
    by_rule = float(equations.tower_evaporation(1.0, 0.001, 1.8e-3))
    assert by_rule / by_heat == pytest.approx(1.045, rel=0.003)


def test_difference_of_two_meters():
    """Computed by the GUM's rule: 152 064 within 2 % less 23 760 within 5 % is within 2.54 %."""
    credit = streams.by_difference(152064.0, 23760.0, 0.02, 0.05)
    assert credit.volume == pytest.approx(128304)
    assert float(credit.limit_95) * 100 == pytest.approx(2.54, abs=0.005)


def test_difference_of_equal_volumes_proves_nothing():
    credit = streams.by_difference(np.array([10.0, 5.0]), np.array([10.0, 1.0]), 0.02, 0.02)
    assert credit.limit_95[0] == np.inf
    assert credit.limit_95[1] == pytest.approx(0.02 * np.hypot(5, 1) / 4)


def test_published_variances_of_a_system():
    """Water Loss Control, table 7.5: five sources at 2.55 % give the printed variance and 1.3 %."""
    volumes = np.array([7512.80, 10519.84, 6580.71, 4411.61, 7.60])
    variance = (volumes * 0.0255 / 1.96) ** 2
    assert variance[1] == pytest.approx(18732.1, rel=0.001)
    assert 100 * 1.96 * np.sqrt(variance.sum()) / volumes.sum() == pytest.approx(1.3, abs=0.05)
    gap = streams.by_difference(29032.56, 24778.64, 0.013317, 0.011253)
    assert float(gap.volume) == pytest.approx(4253.92)
    assert 100 * float(gap.limit_95) == pytest.approx(11.2, abs=0.05)


def test_drift_never_makes_blowdown_negative():
    assert float(streams.tower_blowdown(1.0, 10.0, 0.5)) == 0.0
    assert float(streams.tower_makeup(1.0, 10.0, 0.5)) == 1.5


def test_vapour_of_a_tower_is_its_makeup_less_its_blowdown():
    """Stream by stream, without drift: the share of the makeup that the cycles give."""
    makeup, blowdown = streams.tower_makeup(3.0, 4.0), streams.tower_blowdown(3.0, 4.0)
    assert equations.by_cycles(4.0) == pytest.approx(float(1 - blowdown / makeup))
    cycles = float(streams.cycles_of_concentration(800, 200))
    assert equations.by_conductivities(800, 200) == pytest.approx(equations.by_cycles(cycles))


def test_vapour_of_a_boiler_is_its_makeup_less_its_blowdown():
    """UFC 3-240-13FN, 3-1.5: 40 000 lb/h at 20 cycles, 30 316 back: 11 789 less 2 105 is 9 684."""
    made, returned = 40000.0, 30316.0
    blowdown = float(streams.boiler_blowdown(made, 20.0))
    makeup = float(streams.boiler_makeup(made, returned, blowdown))
    lost = float(equations.steam_lost(made, returned)) * equations.WATER_DENSITY
    assert lost == pytest.approx(9684) == pytest.approx(makeup - blowdown)
    share = equations.boiler_by_cycles(20.0, returned / made)
    assert makeup * share == pytest.approx(lost)


def test_draws_beyond_what_is_possible_are_held():
    assert equations.by_cycles(0.9) == pytest.approx(0.0, abs=1e-8)
    assert equations.clipped_share(-0.1) == 0.0
    assert equations.drained_rain(10.0, 1.2) == 10.0
    assert equations.irrigation_volume(1.0, 1.0, 0.5, 2.0) == 0.5


def test_every_way_has_the_function_its_row_names():
    rows = {each for row in FORMULAS.values() for each in (row.compute, row.steady_drain) if each}
    inner = {"tower_evaporation", "evaporation_from_heat", "humidification", "pool_evaporation"}
    public = {name for name, each in vars(equations).items() if inspect.isfunction(each)}
    public = {name for name in public if not name.startswith("_")}
    assert {each.__name__ for each in rows} == public - inner - {"saturation_pressure"}


def test_every_use_says_what_it_rests_on():
    for record in USES.values():
        assert record.sources and record.evidence and record.traps and record.better
        assert 0 < record.limit_95 < 1
        assert "judgement" in record.limit_source


def test_default_error_is_marked_and_unknown_use_refused():
    cause = use_error("north tower", "cooling tower")
    assert cause.default and cause.standard == pytest.approx(0.15 / 1.96)
    with pytest.raises(AuditError, match="kind of use 'swimming'; known are deduct meter"):
        use_error("pool", "swimming")
