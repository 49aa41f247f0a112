"""Reconciliation: published and hand-checked examples, singular cases, refusal to average."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, kstest

from second_opinions.balance_streams import reconcile_streams
from sewer_audit.balance import reconcile, sidak_critical
from sewer_audit.balance.weights import pseudo_inverse, sample_covariance
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Draws

EXCHANGER = [[1, -1, -1, 0, 0, 0], [0, 1, 0, -1, 0, 0], [0, 0, 1, 0, -1, 0], [0, 0, 0, 1, 1, -1]]
GOOD = [101.91, 64.45, 34.65, 64.20, 36.44, 98.88]
BIASED = [101.91, 68.45, 34.65, 64.20, 36.44, 98.88]


def test_exchanger_with_bypass():
    """Narasimhan and Jordache (Gulf 2000): inputs read there, expected values computed here."""
    result = reconcile_streams(GOOD, np.ones(6), EXCHANGER)
    assert result.values[[0, 1, 2, 4]] == pytest.approx([100.22, 64.50, 35.72, 35.72], abs=0.006)
    assert result.chi_square == pytest.approx(6.4075, abs=5e-4)
    assert result.dof == 4 and result.consistent and result.suspect is None
    assert np.array(EXCHANGER) @ result.values == pytest.approx(0, abs=1e-10)


def test_exchanger_with_a_bias_in_stream_two():
    """Same source, stream 2 read 4 too high; expected values computed here."""
    result = reconcile_streams(BIASED, np.ones(6), EXCHANGER)
    assert result.values[[1, 2, 4, 5]] == pytest.approx(
        [65.8333, 35.0533, 35.0533, 100.8867], abs=5e-4
    )
    assert result.measurement_z[[1, 4, 5]] == pytest.approx([3.2047, 1.6983, 2.4577], abs=5e-4)
    assert result.nodal_z[[0, 2, 3]] == pytest.approx([0.687, 1.2657, 1.0161], abs=5e-4)
    expected = [1.5708, 10.2704, 0.244, 4.0017, 2.8843, 6.0401]
    assert result.likelihood_ratio == pytest.approx(expected, abs=5e-4)
    assert result.bias[1] == pytest.approx(3.925, abs=5e-4)
    assert result.critical_z == pytest.approx(2.631, abs=1e-3)
    assert result.suspect == 1 and not result.consistent


@pytest.mark.parametrize(("second", "expected"), [(68.45, 16.4302), (64.45, 4.6902)])
def test_exchanger_without_stream_three(second, expected):
    """Same source, stream 3 not measured: three balances remain; expected computed here."""
    measured = [101.91, second, np.nan, 64.20, 36.44, 98.88]
    result = reconcile_streams(measured, np.ones(6), EXCHANGER)
    assert result.chi_square == pytest.approx(expected, abs=5e-4)
    assert result.dof == 3
    assert result.values[2] == pytest.approx(result.values[4])


def test_eight_streams():
    """Comp. Chem. Eng. 19S (1995) S217: inputs read there, expected values computed here."""
    y = [110.1, 41.1, 79, 30.6, 108.3, 19.8, 55, 39]
    variance = [3.234, 1.803, 1.665, 0.999, 3.129, 0.418, 3.228, 1.623]
    balances = np.zeros((4, 8))
    for row, (into, out) in enumerate([([1], [2, 7]), ([2, 8], [3]), ([3, 4], [5]), ([7], [6, 8])]):
        balances[row, np.array(into) - 1], balances[row, np.array(out) - 1] = 1, -1
    result = reconcile_streams(y, variance, balances)
    assert result.likelihood_ratio.max() == pytest.approx(32.1781, abs=5e-4)
    assert result.suspect == 0
    assert result.bias[0] == pytest.approx(11.8782, abs=5e-4)


def test_industrial_water_balance():
    """J. Cleaner Production 2010, 13 streams and 8 nodes: inputs read, expected computed here."""
    y = [28.06, 3.06, 5.28, 8.89, 11.39, 3.89, 4.17, 2.78, 5.83, 4.44, 3.89, 15, 13.33]
    variance = [0.075618, 0.002498, 0.029749, 0.021084, 0.138439, 0.016148, 0.018556, 0.002062,
                0.009067, 0.005259, 0.004037, 0.021609, 0.017065]  # fmt: skip
    nodes = [([1], [2, 3, 4, 5]), ([2], [8]), ([3], [9]), ([4], [6, 7]), ([5, 11], [12]),
             ([6], [10]), ([7], [11]), ([8, 9, 10], [13])]  # fmt: skip
    balances = np.zeros((8, 13))
    for row, (into, out) in enumerate(nodes):
        balances[row, np.array(into) - 1], balances[row, np.array(out) - 1] = 1, -1
    result = reconcile_streams(y, variance, balances)
    assert result.chi_square == pytest.approx(62.1417, abs=1e-3)
    assert result.dof == 8
    assert chi2.ppf(0.95, result.dof) == pytest.approx(15.5073, abs=5e-4)
    assert not result.consistent


def test_steam_metering():
    """AIChE J. 32 (1986) 733, 28 streams and 11 nodes: inputs read, expected computed here."""
    y = [0.875, 0.989, 108.426, 107.799, 50.149, 110.327, 2.201, 165.779, 0.821, 51.779, 14.757,
         67.183, 107.734, 89.855, 58.554, 23.258, 31.879, 15.843, 7.92, 10.13, 91.047, 5.555,
         2.471, 44.687, 81.656, 82.839, 70.685, 72.913]  # fmt: skip
    sd = [0.022, 0.025, 2.796, 2.749, 1.332, 2.807, 0.058, 4.101, 0.021, 1.31, 0.372, 1.682, 2.782,
          2.297, 1.5, 0.591, 0.818, 0.406, 0.196, 0.263, 2.183, 0.136, 0.065, 1.166, 2.137, 2.033,
          1.77, 1.806]  # fmt: skip
    nodes = [([1, 2, 4], [3]), ([7, 8], [5, 6, 9]), ([5], [1, 10]), ([10, 11], [12]),
             ([3, 13], [11, 14, 15, 16, 17]), ([6], [2, 13]), ([14, 18], [7, 19, 20, 21]),
             ([15, 22], [18, 23, 24]), ([12, 16], [22, 25]), ([19, 23, 27], [26]),
             ([20, 26, 28], [8])]  # fmt: skip
    balances = np.zeros((11, 28))
    for row, (into, out) in enumerate(nodes):
        balances[row, np.array(into) - 1], balances[row, np.array(out) - 1] = 1, -1
    result = reconcile_streams(y, np.square(sd), balances)
    assert result.chi_square == pytest.approx(10.6857, abs=1e-3)
    assert result.dof == 11
    assert int(np.argmax(result.measurement_z)) == 6
    assert result.measurement_z[6] == pytest.approx(2.5125, abs=1e-3)


def test_gross_error_in_a_total_balance():
    """Course notes on data reconciliation 2003: inputs read, expected computed here."""
    result = reconcile_streams(
        [1095.475, 478.402, 488.232], np.square([4.8, 3.9, 4.4]), [[1, -1, -1]]
    )
    assert result.chi_square == pytest.approx(288.14, abs=0.05)
    assert result.suspect is None
    assert "no test can name the wrong one" in result.flags[0].message


def test_one_balance_cannot_name_the_culprit():
    """Own site example, computed here and in no publication."""
    result = reconcile_streams([10000, 7400, 2100], np.square([150, 370, 105]), [[1, -1, -1]])
    assert result.chi_square == pytest.approx(1.4669, abs=1e-4)
    assert result.values[:2] == pytest.approx([9933.989, 7801.643], abs=0.01)
    assert result.measurement_z == pytest.approx(1.2112, abs=1e-4)


def test_bound_for_six_tests():
    """Sidak's level, computed here: 2.631 for six tests at 5 %."""
    assert sidak_critical(6) == pytest.approx(2.631, abs=1e-3)
    assert sidak_critical(1) == pytest.approx(1.95996, abs=1e-5)


def test_criterion_of_vdi_2048():
    """VDI 2048 part 1, formula from memory: |v| <= 1.96 sqrt(max(s2 - s2 reconciled, s2/10))."""
    result = reconcile_streams([10.0, 8.0], [1.0, 1.0], [[1, -1]])
    assert result.vdi_criterion == pytest.approx(1.0 / (1.96 * np.sqrt(0.5)))
    tight = reconcile_streams([10.0, 8.0], [0.01, 100.0], [[1, -1]])
    assert tight.vdi_criterion[0] == pytest.approx(0.0002 / (1.96 * np.sqrt(0.001)), rel=1e-3)


def test_streams_that_do_not_fit_are_refused():
    with pytest.raises(AuditError, match="3 streams, balances of the form"):
        reconcile_streams([1.0, 2.0, 3.0], np.ones(3), [[1, -1]])
    with pytest.raises(AuditError, match="no balance is left"):
        reconcile_streams([np.nan, 2.0], np.ones(2), [[1, -1]])


def estimates(effluent_sd=0.03, balance_sd=0.02, invoices=12, draws=20_000, seed=1, factor=1.0):
    """Two estimates whose stated uncertainties are right, and the true volumes."""
    generator = np.random.default_rng(seed)
    truth = 1000 * (1 + 0.2 * np.sin(np.arange(invoices)))
    both = []
    for shared, own in ((effluent_sd, 0.01), (balance_sd, 0.005)):
        spread = np.sqrt(own**2 + 0.003**2)  # the floor is meant to be there in truth
        found = truth * (1 + shared * generator.standard_normal()
                         + spread * generator.standard_normal(invoices))  # fmt: skip
        errors = shared * generator.standard_normal((draws, 1))
        errors = errors + own * generator.standard_normal((draws, invoices))
        both.append(found * (1 + errors))
    return both[0] * factor, both[1], truth


def test_agreeing_estimates_are_joined_as_by_hand():
    """Weighted mean of two independent estimates of one volume: weights by inverse variance."""
    columns = Draws(200_000, 2)
    effluent = 1000 + 40 * columns.standard("e", 1)
    balance = 1030 + 20 * columns.standard("b", 1)
    result = reconcile(effluent, balance, model_floor=0.0)
    assert result.agree and result.dof == 1
    assert result.mean[0] == pytest.approx(
        (1000 / 1600 + 1030 / 400) / (1 / 1600 + 1 / 400), abs=0.3
    )
    assert np.sqrt(result.covariance[0, 0]) == pytest.approx(np.sqrt(320), rel=0.01)
    assert result.reconciled.std() == pytest.approx(np.sqrt(320), rel=0.01)
    assert result.weight_of_effluent[0] == pytest.approx(0.2, abs=0.005)
    assert result.chi_square == pytest.approx(900 / 2000, rel=0.03)


def test_joint_result_equals_the_general_form():
    """The two-estimate form is A x = 0 with A = [I, -I]; both rooms must agree."""
    effluent, balance, _ = estimates()
    result = reconcile(effluent, balance, model_floor=0.0)
    stacked = np.column_stack([effluent, balance])
    rows = np.hstack([np.eye(12), -np.eye(12)])
    general = reconcile_streams(stacked.mean(axis=0), sample_covariance(stacked), rows)
    assert result.mean == pytest.approx(general.values[:12], rel=1e-4)
    assert result.mean == pytest.approx(general.values[12:], rel=1e-4)
    assert result.chi_square == pytest.approx(general.chi_square, rel=2e-3)


def test_conflict_is_not_averaged():
    effluent, balance, _ = estimates(factor=1.15)
    result = reconcile(effluent, balance)
    assert not result.agree and result.reconciled is None and result.mean is None
    stops = [flag for flag in result.flags if flag.severity == "stops verdict"]
    assert [flag.code for flag in stops] == ["estimates-conflict"]
    assert "not averaged" in stops[0].message
    assert any(flag.code == "single-balance" for flag in result.flags)


def test_a_common_offset_is_seen_in_the_total():
    """A shared error of 3 standard uncertainties hides among 36 invoices but not in their sum."""
    columns = Draws(20_000, 4)
    volumes = np.full(36, 1000.0)
    effluent = volumes * (1 + 0.02 * columns.standard("e", 1) + 0.02 * columns.standard("n", 36))
    balance = volumes * 0.94 * (1 + 0.001 * columns.standard("b", 1)) * np.ones(36)
    result = reconcile(effluent, balance)
    assert result.p_value > 0.05 and result.total_p_value < 0.01
    assert not result.agree


def test_agreement_has_its_stated_level():
    """Two right estimates agree in about 95 % of the cases (two tests, each at 1 - sqrt(0.95))."""
    passed = [
        reconcile(*estimates(seed=seed, draws=600, invoices=6)[:2]).agree for seed in range(200)
    ]
    assert np.mean(passed) == pytest.approx(0.95, abs=0.04)


def test_p_values_are_uniform_when_all_is_well():
    p = [reconcile(*estimates(seed=seed, draws=600, invoices=6)[:2]).p_value for seed in range(200)]
    assert kstest(p, "uniform").pvalue > 0.01


def test_joined_volume_is_better_than_either():
    """Simulated cases: the root mean square error of the joined total is the smallest of three."""
    errors = []
    for seed in range(150):
        effluent, balance, truth = estimates(seed=seed, draws=600, invoices=6)
        result = reconcile(effluent, balance)
        if result.agree:
            found = [effluent.mean(axis=0), balance.mean(axis=0), result.mean]
            errors.append([each.sum() - truth.sum() for each in found])
    size = np.sqrt(np.mean(np.square(errors), axis=0))
    assert size[2] < size[0] and size[2] < size[1]


def test_shared_causes_of_both_estimates_are_not_counted_twice():
    """An error common to both cannot be averaged away and does not make them disagree."""
    columns = Draws(50_000, 6)
    common = 0.05 * columns.standard("clock", 1)
    effluent = 1000 * (1 + common + 0.01 * columns.standard("e", 3))
    balance = 1000 * (1 + common + 0.01 * columns.standard("b", 3))
    result = reconcile(effluent, balance, model_floor=0.0)
    assert result.agree
    assert np.sqrt(result.covariance[0, 0]) > 48


def test_nearly_singular_covariances_are_stable():
    """One shared error and nothing else: rank one, no explosion of the statistic."""
    columns = Draws(5000, 7)
    effluent = np.linspace(900, 1100, 24) * (1 + 0.03 * columns.standard("e", 1))
    balance = np.linspace(900, 1100, 24) * np.ones((5000, 1))
    result = reconcile(effluent, balance, model_floor=0.0)
    assert result.dof == 1 and result.agree
    assert result.chi_square < 0.01
    assert result.mean == pytest.approx(np.linspace(900, 1100, 24), rel=1e-6)
    inverse = pseudo_inverse(np.ones((3, 3)))
    assert inverse.rank == 1
    assert inverse.inverse @ np.ones((3, 3)) @ inverse.inverse == pytest.approx(inverse.inverse)


def test_a_difference_without_any_stated_uncertainty_is_a_conflict():
    """The generalised inverse would overlook it: nothing uncertain, yet the estimates differ."""
    columns = Draws(500, 7)
    effluent = np.array([1000.0, 1000.0]) * (1 + 0.03 * columns.standard("e", 1))
    balance = np.array([1000.0, 1010.0]) * np.ones((500, 1))
    result = reconcile(effluent, balance, model_floor=0.0)
    assert not result.agree and result.p_value == 0.0


def test_an_invoice_with_one_estimate_moves_with_the_shared_error():
    columns = Draws(20_000, 8)
    effluent = 1000 * (1 + 0.05 * columns.standard("e", 1)) * np.ones(3) + 0.1 * columns.standard(
        "n", 3
    )
    balance = 960 * (1 + 0.001 * columns.standard("b", 3))
    balance[:, 2] = np.nan
    result = reconcile(effluent, balance)
    assert result.agree
    assert result.mean[2] == pytest.approx(960, abs=4)
    assert np.isnan(result.z[2]) and result.weight_of_effluent[2] == 1.0
    assert np.isfinite(result.covariance).all()
    codes = {flag.code: flag for flag in result.flags}
    assert codes["one-estimate"].data["invoices"] == 1


def test_an_invoice_with_no_estimate_stays_empty():
    effluent, balance, _ = estimates()
    effluent[:, 0], balance[:, 0], effluent[:, 1] = np.nan, np.nan, np.nan
    result = reconcile(effluent, balance)
    assert np.isnan(result.mean[0]) and np.isfinite(result.mean[1:]).all()
    assert result.weight_of_effluent[1] == 0.0


def test_draws_that_cannot_be_compared_are_refused():
    with pytest.raises(AuditError, match="the same draws of the same invoices"):
        reconcile(np.ones((10, 2)), np.ones((10, 3)))
    with pytest.raises(AuditError, match="no invoice has both"):
        reconcile(np.full((10, 2), np.nan), np.ones((10, 2)))
    with pytest.raises(AuditError, match="needs more draws"):
        reconcile(np.ones((10, 30)), np.ones((10, 30)))
    with pytest.raises(AuditError, match="square and finite"):
        pseudo_inverse(np.array([[np.nan]]))
