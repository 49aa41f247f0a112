"""Expected discharge: intake less uses plus inflow, one cause or all of them."""

from __future__ import annotations

import numpy as np
import pytest

from second_opinions.balance_terms import TowerTerm
from sewer_audit.balance import (
    DailyTerm,
    MeteredTerm,
    ShareTerm,
    StatedTerm,
    expected_discharge,
    intake_volumes,
    meter_error,
)
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Cause, Draws

DAY = 86400.0
ENDS = np.array([0.0, 30.0, 60.0, 91.0]) * DAY
DRAWS = Draws(20_000, 5)


def register(*volumes: float):
    return intake_volumes(ENDS, np.cumsum([0.0, *volumes]), ENDS)


MAIN = MeteredTerm("main", register(1000, 1100, 900), Cause("main error", 0.01))
IRRIGATION = MeteredTerm("irrigation", register(100, 200, 0), Cause("deduct error", 0.015))
PRODUCT = ShareTerm("product", "main", Cause("product share", 0.005, 0.03))
TANK = DailyTerm("tank", Cause("tank rate", 0.2 / DAY, 1.0 / DAY, unit="m3/s"))
ROOF = StatedTerm("roof", np.array([5.0, 0.0, 10.0]), Cause("roof error", 0.2))
TOWER = TowerTerm("tower", register(40, 80, 40), Cause("cycles", 0.2, 4.0), Cause("makeup", 0.01))


def test_mean_and_standard_uncertainty_follow_the_formula():
    """JCGM 100:2008, equation (10), worked by hand for the sum of independent terms."""
    result = expected_discharge([MAIN], [IRRIGATION, PRODUCT, TANK], [ROOF], ENDS, DRAWS)
    mean = np.array([1000 * 0.97 - 100 - 30 + 5, 1100 * 0.97 - 200 - 30, 900 * 0.97 - 31 + 10])
    assert result.draws.mean(axis=0) == pytest.approx(mean, rel=5e-4)
    parts = [1000 * 0.97 * 0.01, 100 * 0.015, 1000 * 0.005, 0.2 * 30, 5 * 0.2]
    assert result.draws.std(axis=0)[0] == pytest.approx(np.sqrt(np.sum(np.square(parts))), rel=0.02)


def test_one_cause_at_a_time_adds_up_to_all():
    terms = [MAIN], [IRRIGATION, PRODUCT, TANK, TOWER], [ROOF], ENDS, DRAWS
    together = expected_discharge(*terms)
    alone = {name: expected_discharge(*terms, only=name).draws for name in together.causes}
    variance = sum(draws.var(axis=0) for draws in alone.values())
    assert variance == pytest.approx(together.draws.var(axis=0), rel=0.03)
    assert alone["main error"].std(axis=0)[0] == pytest.approx(9.7, rel=0.02)
    assert alone["main: reading dates"].std(axis=0) == pytest.approx(0, abs=1e-9)


def test_a_shared_error_moves_every_invoice_and_noise_does_not():
    shared = expected_discharge([MAIN], [], [], ENDS, DRAWS)
    assert np.corrcoef(shared.draws.T)[0, 2] == pytest.approx(1.0)
    own = Cause("own", 0.01, persistence="each reading")
    single = expected_discharge(
        [MeteredTerm("main", register(1000, 1100, 900), own)], [], [], ENDS, DRAWS
    )
    assert abs(np.corrcoef(single.draws.T)[0, 2]) < 0.03


def test_two_meters_of_one_reference_share_their_error():
    reference = Cause("test bench", 0.01)
    fed = MeteredTerm("fed", register(1000, 1000, 1000), reference)
    back = MeteredTerm("back", register(900, 900, 900), reference)
    result = expected_discharge([fed], [back], [], ENDS, DRAWS)
    assert result.draws.std(axis=0)[0] == pytest.approx(1.0, rel=0.02)
    other = MeteredTerm("back", register(900, 900, 900), Cause("test bench", 0.02))
    with pytest.raises(AuditError, match="two different causes are named 'test bench'"):
        expected_discharge([fed], [other], [], ENDS, DRAWS)


def test_a_tower_loses_its_makeup_less_the_blowdown():
    """(C - 1)/C of the makeup with small drift: 75 % at 4 cycles (relation from memory)."""
    exact = TowerTerm("tower", register(40, 80, 40), Cause("cycles", 0.0, 4.0))
    result = expected_discharge([MAIN], [exact], [], ENDS, DRAWS)
    assert result.components["tower"].mean(axis=0) == pytest.approx([30, 60, 30])
    assert result.total("use").shape == result.draws.shape
    assert result.roles == {"main": "intake", "tower": "use"}


def test_nothing_uncertain_still_gives_draws():
    plain = MeteredTerm("main", register(1000, 1100, 900))
    result = expected_discharge([plain], [], [], ENDS, Draws(50, 1))
    assert result.draws.shape == (50, 3)
    assert result.draws == pytest.approx(np.tile([1000.0, 1100.0, 900.0], (50, 1)))


def test_missing_reads_leave_the_invoice_without_a_balance():
    short = intake_volumes(ENDS[:3], [0.0, 1000.0, 2000.0], np.append(ENDS[:3], 300 * DAY))
    periods = np.append(ENDS[:3], 300 * DAY)
    result = expected_discharge([MeteredTerm("main", short)], [], [], periods, Draws(50, 1))
    assert np.isfinite(result.draws[:, :2]).all() and np.isnan(result.draws[:, 2]).all()
    assert "reads-missing" in {flag.code for flag in result.flags}


def test_uses_above_the_intake_stop_the_verdict():
    greedy = MeteredTerm("irrigation", register(1200, 100, 100), meter_error("irrigation"))
    result = expected_discharge([MAIN], [greedy], [], ENDS, DRAWS)
    codes = {flag.code: flag for flag in result.flags}
    assert codes["balance-below-zero"].severity == "stops verdict"
    assert codes["balance-below-zero"].data["periods"] == [0]
    assert codes["balance-defaults"].data["causes"] == ["irrigation: meter error"]


@pytest.mark.parametrize(
    ("terms", "only", "text"),
    [
        (([], [PRODUCT], []), None, "at least one intake"),
        (([MAIN], [MAIN], []), None, "'main' is used for two terms"),
        (([MAIN], [], []), "rain", "no cause 'rain' in this balance; it has main error"),
        (([MAIN], [ShareTerm("x", "well", Cause("s", 0.1))], []), None, "share of 'well'"),
        (([MAIN], [StatedTerm("x", np.ones(2))], []), None, "2 volumes for 3 service periods"),
    ],
)
def test_what_cannot_be_balanced_is_refused(terms, only, text):
    with pytest.raises(AuditError, match=text):
        expected_discharge(*terms, ENDS, Draws(50, 1), only=only)


def test_unknown_meter_kind_is_refused():
    with pytest.raises(AuditError, match="meter kind 'gas'; known are supply, sub-meter, old"):
        meter_error("main", "gas")
