"""Further published figures about water that does not reach the sewer, and about balances.

The rows of tests/data/balance.csv are run one by one in test_balance_uses.py; what needs more than
one function, or is a range or a rule, stands here.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from second_opinions.balance_formulas import boiler_makeup
from second_opinions.balance_streams import reconcile_streams
from sewer_audit.balance import (
    USES,
    MeteredTerm,
    ShareTerm,
    consumptive_share,
    expected_discharge,
    intake_volumes,
    steam_losses,
)
from sewer_audit.balance.formulas.equations import (
    by_conductivities,
    by_cycles,
    drained_rain,
    dry_days,
    irrigation_volume,
    laundry_evaporation,
    pool_evaporation,
    saturation_pressure,
)
from sewer_audit.errors import AuditError
from sewer_audit.sources import cite
from sewer_audit.uncertainty import Cause, Draws
from sewer_audit.units import from_si, to_si

DAY = 86400.0


def test_boiler_of_the_planning_guide_in_gallons():
    """Water-planning guide, worked case: 8.34 lb/gal; it prints a makeup of 13 300 for 13 325."""
    pounds = boiler_makeup(20000.0, 10000.0, 3325.0)
    assert float(pounds) == 13325.0
    assert 13300 * 24 / 8.34 == pytest.approx(38273, rel=2e-3)
    assert float(pounds) * 24 / 8.34 == pytest.approx(38273, rel=2e-3)
    assert 3325 * 24 / 8.34 == pytest.approx(9568, rel=1e-3)


def test_feedwater_in_gallons():
    """UFC 3-240-13FN 3-1.5: 42 105 lb/h at 8.33 lb/gal are 5 054 gal/h."""
    assert 42105 / 8.33 == pytest.approx(5054, rel=1e-3)


def test_boiler_losses_are_told():
    """MIL-HDBK-1003/6, 10.7.2 (read): traps and receivers 1 to 3 %, atomizing 1 to 7 %."""
    assert "atomizing 1 to 7 %, sootblowing 1 to 2 %" in USES["boiler and steam"].traps
    assert "1 to 3 %" in USES["boiler and steam"].traps
    cited = " ".join(cite(each) for each in USES["boiler and steam"].sources)
    assert "MIL-HDBK-1003/6" in cited and "10.7.2" in cited


def test_frames_that_are_not_known_are_refused():
    with pytest.raises(AuditError, match="known are public supply"):
        consumptive_share("it", "dairy")
    with pytest.raises(AuditError, match="at most once"):
        steam_losses("it", ["atomizing", "atomizing"])


def test_worksheet_of_five_areas():
    """Filled public worksheet of the model landscape ordinance: 34 330.48 gal a year in all."""
    rows = [(204, 0.5, 0.81), (1310, 0.2, 0.81), (677, 0.8, 0.75), (194, 0.2, 0.81), (68, 1, 1)]
    depth = to_si(43.0, "in", "length")
    volumes = [
        irrigation_volume(depth, to_si(a, "ft**2", "area"), plant, efficiency)
        for a, plant, efficiency in rows
    ]
    total = from_si(float(np.sum(volumes)), "gal", "volume") * 0.62 / (144 / 231)
    assert total == pytest.approx(34330.48, rel=3e-3)  # the form rounds PF / IE to three places


@pytest.mark.parametrize(
    ("temperature", "humidity", "printed"), [(82.0, 1.0, 1.102), (84.0, 0.60, 0.706)]
)
def test_vapour_pressures_beside_the_pool_equation(temperature, humidity, printed):
    """ASHRAE Transactions 104 (1998): 1.102 inHg at 82 degF, 0.706 inHg at 84 degF and 60 %."""
    pressure = humidity * saturation_pressure(to_si(temperature, "degF", "temperature"))
    assert float(pressure) / 3386.389 == pytest.approx(printed, rel=5e-3)


def test_quiet_pool_is_below_the_equation():
    """Same paper: undisturbed pools were measured at 74 % of it, busy public ones at 126 %."""
    plain = float(pool_evaporation(1.0, 3700.0, 2400.0))
    assert float(pool_evaporation(1.0, 3700.0, 2400.0, activity=0.74)) == pytest.approx(
        0.74 * plain
    )
    assert "74 %" in pool_evaporation.__doc__


def test_saturated_towels():
    """Laundry Today: 100 lb of terry hold 250 lb or 30 gal of water, 50 lb after extraction."""
    saturated = float(laundry_evaporation(2.5, to_si(100, "lb", "mass")))
    assert from_si(saturated, "gal", "volume") == pytest.approx(30, rel=0.01)
    left = float(laundry_evaporation(0.5, to_si(100, "lb", "mass")))
    assert left / saturated == pytest.approx(50 / 250)


def test_irrigation_consumes_what_the_regional_table_says():
    """Great Lakes table of consumptive use: irrigation 70 to 90 %; efficiencies 0.75 and 0.81."""
    for efficiency in (0.75, 0.81):
        need = irrigation_volume(1.0, 1.0, 1.0, 1.0)
        used = irrigation_volume(1.0, 1.0, 1.0, efficiency)
        assert 0.70 <= float(need / used) <= 0.90


def test_infiltration_of_a_year():
    """Municipal estimate of 2004: 0.460 of 4.033 mgd is 11.41 %; times 365 d 167.9 Mgal.

    2004 had 366 days; the source used 365.
    """
    rate = dry_days(to_si(4.033, "mgd", "discharge"), to_si(3.573, "mgd", "discharge"))
    shown = from_si(rate, "mgd", "discharge")
    assert 100 * shown / 4.033 == pytest.approx(11.41, abs=0.005)
    assert shown * 365 == pytest.approx(167.9, abs=0.05)
    assert shown * 366 != pytest.approx(167.9, abs=0.05)


def test_what_counts_as_little_ground_water_is_told():
    """40 CFR 35.2005(b)(28): 120 gal per head and day is not excessive, large industry left out."""
    record = USES["ground water"]
    cited = " ".join(cite(each) for each in record.sources)
    assert "40 CFR 35.2005(b)(28)" in cited and "120 gal" in record.traps


def test_an_inch_on_a_roof():
    """2 000 ft2 and 1 in, by geometry: 1 246.8 gal; a newsletter of 2017 prints about 1 200."""
    volume = drained_rain(to_si(2000, "ft**2", "area"), 1.0) * to_si(1, "in", "length")
    assert from_si(float(volume), "gal", "volume") == pytest.approx(1246.8, abs=0.1)
    assert from_si(float(volume), "gal", "volume") == pytest.approx(1200, rel=0.04)


def test_share_of_a_tower_that_is_sewered():
    """Utility rule: a fifth of the water of a tower; that is 5 cycles, a usual figure."""
    assert float(1 - by_cycles(5.0)) == pytest.approx(0.20)
    assert float(by_conductivities(800, 300)) == pytest.approx(1 - 1 / 2.67, rel=5e-3)


def test_system_input_is_a_sum_with_corrections():
    """Water Loss Control, table 6.3 (fictitious utility of AWWA M36): 4 402.16 Mgal."""
    start, end = 0.0, 365 * DAY

    def term(name: str, volume: float, correction: float = 0.0) -> MeteredTerm:
        error = Cause(f"{name} error", 0.0, value=correction / volume)
        return MeteredTerm(name, intake_volumes([start, end], [0.0, volume], [start, end]), error)

    own, bought = term("own sources", 3480.76, 136.89), term("imports", 783.68)
    stored = term("drawn from storage", 0.83)
    balance = expected_discharge(
        [own, bought, stored], [], [], [start, end], Draws(2, 1), own.error.name
    )
    assert float(balance.draws.mean()) == pytest.approx(4402.16, abs=0.005)


def test_months_of_a_year():
    """Table 14.2 of the same (AWWA M36, 3rd ed. 2008): twelve months are 3 258.0 Mgal."""
    months = [190.5, 206.8, 206.8, 250.8, 319.3, 360.0, 374.3, 398.4, 347.0, 206.8, 206.8, 190.5]
    days = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]) * DAY
    register = np.concatenate([[0.0], np.cumsum(months)])
    found = intake_volumes(days, register, days)
    assert found.volume_m3 == pytest.approx(months)
    assert found.volume_m3.sum() == pytest.approx(3258.0, abs=0.05)


def test_estimated_reads_of_an_account():
    """Published account of 22 estimates (Water Loss Control): 8 003, 127 and -4 132 ft3."""
    actual = [15004, 15838, 16654, 17496, 18304, 19220, 20162, 21130, 22105, 23007]
    months = np.arange(10) * 30 * DAY
    found = intake_volumes(months, actual, months[[0, -1]])
    assert found.volume_m3 == pytest.approx([8003])
    assert actual[-1] + 3 * 885 - 25535 == 127
    fallen = intake_volumes([0.0, DAY, 2 * DAY], [41592.0, 42477.0, 38345.0], [DAY, 2 * DAY])
    assert fallen.volume_m3 == pytest.approx([-4132])
    assert "register-falls" in {flag.code for flag in fallen.flags}


def test_share_of_winter_water():
    """Glendale AZ 33-173: 95 % of 100 kgal for a business."""
    water = MeteredTerm("main", intake_volumes([0.0, 30 * DAY], [0.0, 100.0], [0.0, 30 * DAY]))
    lost = ShareTerm("not returned", "main", Cause("not returned", 0.0, value=0.05))
    balance = expected_discharge([water], [lost], [], [0.0, 30 * DAY], Draws(2, 1))
    assert balance.draws == pytest.approx(95.0, rel=1e-3)


def test_three_results_that_do_not_agree():
    """Weighted mean and Birge ratio of 10.0 (0.2), 10.6 (0.3), 9.2 (0.3), computed here."""
    equal = [[1, -1, 0], [1, 0, -1]]
    result = reconcile_streams([10.0, 10.6, 9.2], np.square([0.2, 0.3, 0.3]), equal)
    assert result.chi_square == pytest.approx(11.0065, abs=5e-4)
    assert np.sqrt(result.chi_square / result.dof) == pytest.approx(2.3459, abs=5e-4)
    assert result.values == pytest.approx(9.95294, abs=5e-5)
    assert not result.consistent


@pytest.mark.parametrize(("dof", "printed"), [(6, 12.5916), (8, 15.5073), (11, 19.6751)])
def test_critical_values_of_the_papers(dof, printed):
    """Chi-square at 95 % as the papers print it: Measurement 43 (2010) 702 and the two others."""
    assert chi2.ppf(0.95, dof) == pytest.approx(printed, abs=5e-4)


def test_imbalance_of_the_course_notes():
    """Course notes on data reconciliation 2003: 1095.475 in, 478.402 and 488.232 out."""
    flows, spread = [1095.475, 478.402, 488.232], np.square([4.8, 3.9, 4.4])
    assert np.array([1, -1, -1]) @ flows == pytest.approx(128.841, abs=5e-4)
    result = reconcile_streams(flows, spread, [[1, -1, -1]])
    assert result.chi_square == pytest.approx(128.841**2 / spread.sum())
    assert result.chi_square == pytest.approx(288.14, abs=0.05)
