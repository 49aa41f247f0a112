"""First-order formula against two general-purpose libraries, volumes, adaptive draws, budgets."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest
import uncertainties
from uncertainties import umath

from second_opinions.uncertainty_budget import budget_from_effects
from second_opinions.uncertainty_higher_order import second_order_variance
from second_opinions.uncertainty_montecarlo import monte_carlo
from second_opinions.uncertainty_propagation import first_order, input_covariance, sensitivities
from second_opinions.uncertainty_stability import adaptive_draws
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Cause, Draws, compare_intervals, summarise, variance_budget
from sewer_audit.uncertainty.freedom import linear_interval
from sewer_audit.uncertainty.intervals import Interval

# Q = C (h + e)^n for 24 hourly heads, the measurand of this house in small
HEADS = 0.165 + 0.055 * np.sin(2 * np.pi * np.arange(24) / 24)
VOLUME = [
    Cause("coefficient", 0.02 * 0.6909, 0.6909, dof=12),
    Cause("exponent", 0.002, 1.522, dof=30),
    Cause("zero", 0.003, 0.0, dof=8),
]


def volume(x):
    head = HEADS + np.asarray(x["zero"])[:, None]
    return 3600 * x["coefficient"] * (head ** np.asarray(x["exponent"])[:, None]).sum(axis=1)


def test_volume_equals_uncertainties():
    """Same model in the library `uncertainties`: value, u and signed contributions."""
    c, n, e = (uncertainties.ufloat(k.value, k.standard) for k in VOLUME)
    other = 3600 * c * sum((h + e) ** n for h in HEADS)
    own = first_order(volume, VOLUME)
    assert own.value == pytest.approx(other.nominal_value, rel=1e-12)
    assert own.standard_uncertainty == pytest.approx(other.std_dev, rel=1e-9)
    parts = other.error_components()
    lines = {line.name: line for line in own.contributions}
    for name, variable in (("coefficient", c), ("exponent", n), ("zero", e)):
        assert abs(lines[name].effect) == pytest.approx(parts[variable], rel=1e-8)
        assert lines[name].sensitivity == pytest.approx(other.derivatives[variable], rel=1e-8)


def test_volume_equals_gtc():
    """Same model in `GTC`: u and effective degrees of freedom, hence the coverage factor."""
    c, n, e = (GTC.ureal(k.value, k.standard, k.dof) for k in VOLUME)
    other = sum(3600 * c * (h + e) ** n for h in HEADS)
    own = first_order(volume, VOLUME)
    assert own.value == pytest.approx(GTC.value(other), rel=1e-12)
    assert own.standard_uncertainty == pytest.approx(GTC.uncertainty(other), rel=1e-9)
    assert own.dof == pytest.approx(GTC.dof(other), rel=1e-7)
    assert own.coverage_factor == pytest.approx(GTC.rp.k_factor(GTC.dof(other)), rel=1e-6)


def test_correlated_inputs_equal_both_libraries():
    """Coefficient and exponent from one calibration, r = -0.8."""
    tied = {("coefficient", "exponent"): -0.8}
    covariance = input_covariance(VOLUME, tied)
    c, n, e = uncertainties.correlated_values([k.value for k in VOLUME], covariance)
    other = 3600 * c * sum((h + e) ** n for h in HEADS)
    own = first_order(volume, VOLUME, correlations=tied)
    assert own.standard_uncertainty == pytest.approx(other.std_dev, rel=1e-8)
    c, n = (GTC.ureal(k.value, k.standard, independent=False) for k in VOLUME[:2])
    GTC.set_correlation(-0.8, c, n)
    e = GTC.ureal(0.0, 0.003)
    third = sum(3600 * c * (h + e) ** n for h in HEADS)
    assert own.standard_uncertainty == pytest.approx(GTC.uncertainty(third), rel=1e-8)
    assert own.correlated_share == pytest.approx(
        1 - sum(line.share for line in own.contributions), abs=1e-12
    )
    drawn = summarise(monte_carlo(volume, VOLUME, Draws(100_000, 1), tied))
    assert drawn.standard_uncertainty == pytest.approx(own.standard_uncertainty, rel=0.02)


PIPE = [Cause("R", 0.001, 0.5), Cause("h", 0.005, 0.7), Cause("U", 0.05, 0.8)]


def pipe(x):
    share = 1 - x["h"] / x["R"]
    return x["R"] ** 2 * (np.arccos(share) - share * np.sqrt(1 - share**2)) * x["U"]


def test_sewer_area_velocity():
    """Teaching paper on a circular sewer (INSA Lyon): Q 0.4697 m3/s (read, cut not rounded);
    u, contributions and the interval of draws (computed from read inputs)."""
    own = first_order(pipe, PIPE)
    assert own.value == pytest.approx(0.4697, abs=2e-4)
    assert own.value == pytest.approx(0.469784, abs=1e-6)
    assert own.standard_uncertainty == pytest.approx(0.029602, abs=5e-6)
    effects = {line.name: abs(line.effect) for line in own.contributions}
    assert effects["U"] == pytest.approx(0.029361, abs=5e-6)
    assert effects["h"] == pytest.approx(0.003666, abs=5e-6)
    assert effects["R"] == pytest.approx(0.000853, abs=5e-6)
    drawn = summarise(monte_carlo(pipe, PIPE, Draws(400_000, 2)))
    assert drawn.low == pytest.approx(0.4118, abs=3e-4)
    assert drawn.high == pytest.approx(0.5279, abs=3e-4)


def test_sewer_area_velocity_equals_both_libraries():
    r, h, u = (uncertainties.ufloat(k.value, k.standard) for k in PIPE)
    a = 1 - h / r
    other = r**2 * (umath.acos(a) - a * umath.sqrt(1 - a**2)) * u
    own = first_order(pipe, PIPE)
    assert own.standard_uncertainty == pytest.approx(other.std_dev, rel=1e-8)
    r, h, u = (GTC.ureal(k.value, k.standard) for k in PIPE)
    a = 1 - h / r
    third = r**2 * (GTC.acos(a) - a * GTC.sqrt(1 - a**2)) * u
    assert own.standard_uncertainty == pytest.approx(GTC.uncertainty(third), rel=1e-8)


def relative(*terms):
    """Relative uncertainty of a product of powers: (exponent, percent) of each factor."""
    causes = [Cause(f"x{k}", percent, 100.0) for k, (_, percent) in enumerate(terms)]

    def product(x):
        return math.prod((x[f"x{k}"] / 100) ** power for k, (power, _) in enumerate(terms))

    return 100 * first_order(product, causes).standard_uncertainty


def test_hydrometric_rules():
    """Forms of ISO 1438, 4359, 5168, 748 (recalled), figures computed; a worksheet of unknown
    authorship (read) as arithmetic only."""
    assert relative((1, 1.5), (1, 0.1), (1.5, 1.0)) == pytest.approx(2.1237, abs=5e-4)
    assert relative((1, 1.0), (1, 0.5), (2.5, 1.0)) == pytest.approx(2.7386, abs=5e-4)
    each = math.hypot(0.5, 0.5, 7, 2, 6) / math.sqrt(20)
    assert relative((1, 5), (1, 1), (1, each)) == pytest.approx(5.5204, abs=1e-3)
    assert relative((2.5, 6.92), (1, 0.5)) == pytest.approx(17.31, abs=0.02)
    head = 100 * 0.5310 * 0.009 / 0.0690
    assert head == pytest.approx(6.92, abs=0.01)
    again = 100 * 0.5343 * 0.009 / 0.0657
    assert relative((2.5, again), (1, 0.5)) == pytest.approx(18.32, abs=0.03)


def test_interval_of_the_linear_formula():
    """JCGM 100:2008 Table G.2: k 1.960 and, for 10 degrees of freedom, 2.228 (from memory)."""
    found = linear_interval(100.0, 2.0)
    assert (found.low, found.high) == pytest.approx((96.08, 103.92), abs=1e-3)
    assert linear_interval(0.0, 1.0, dof=10).high == pytest.approx(2.228, abs=6e-4)
    own = first_order(volume, VOLUME)
    assert own.interval.width == pytest.approx(2 * own.expanded)


def test_sensitivities_by_hand():
    """y1 = a b, y2 = a - b at (3, 5): Jacobian [[5, 3], [1, -1]]."""
    causes = [Cause("a", 0.1, 3.0), Cause("b", 0.2, 5.0), Cause("fixed", 0.0, 1.0)]

    def model(x):
        return np.stack([x["a"] * x["b"], x["a"] - x["b"]], axis=-1) * x["fixed"][:, None]

    found = sensitivities(model, causes)
    assert found.matrix == pytest.approx(np.array([[5, 3, 0], [1, -1, 0]]), rel=1e-10, abs=1e-9)
    joint = found.covariance(input_covariance(causes))
    assert joint == pytest.approx(np.array([[0.61, -0.07], [-0.07, 0.05]]), rel=1e-8)


def test_sensitivity_of_a_strongly_bent_model():
    """y = exp(5 x): the slope at 0 is 5, to nine digits although the steps are coarse."""
    found = sensitivities(lambda x: np.exp(5 * x["x"]), [Cause("x", 1.0)])
    assert found.matrix[0, 0] == pytest.approx(5, rel=1e-6)


def test_own_third_derivative_by_hand():
    """y = x^3, x = 2, u = 0.1: 12^2 u^2 + (12^2 / 2 + 12 x 6) u^4, derivatives 12, 12, 6."""
    found = second_order_variance(lambda x: x["x"] ** 3, [Cause("x", 0.1, 2.0)])
    # the central difference of a cubic carries its own s^2 term: a step of 0.2 u leaves 1e-4
    assert found == pytest.approx(144 * 0.01 + 144 * 0.0001, rel=2e-4)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: input_covariance([Cause("a", 1), Cause("a", 1)]), "share one name"),
        (lambda: input_covariance(VOLUME, {("zero", "moon"): 0.5}), "name two different causes"),
        (
            lambda: input_covariance(
                VOLUME,
                {
                    ("zero", "exponent"): 0.9,
                    ("zero", "coefficient"): 0.9,
                    ("exponent", "coefficient"): -0.9,
                },
            ),
            "contradict each other",
        ),
        (lambda: first_order(lambda x: np.ones((len(x["zero"]), 2)), VOLUME), "has 2 results"),
        (lambda: first_order(volume, VOLUME, 1.0), "between 0 and 1"),
        (lambda: adaptive_draws(lambda d: np.ones(d.count), 1), "does not vary"),
        (lambda: variance_budget(lambda name: np.ones(5), ["a"]), "expected"),
        (lambda: budget_from_effects({}), "without causes"),
    ],
)
def test_nonsense_is_refused(call, words):
    with pytest.raises(AuditError, match=words):
        call()


# ---------------------------------------------------------------- a month and a year of heads


def month(count):
    """One-minute heads of a daily pattern, reduced to their distinct values and counts."""
    k = np.arange(1440)
    return 0.165 + 0.055 * np.sin(2 * np.pi * k / 1440), count / 1440


def total(x, count=43_200):
    heads, days = month(count)
    result = np.empty(len(x["zero"]))
    for row, (c, n, e) in enumerate(zip(x["coefficient"], x["exponent"], x["zero"], strict=True)):
        result[row] = days * 60 * c * ((heads + e) ** n).sum()
    return result


MONTH = [
    Cause("coefficient", 0.02 * 0.6909, 0.6909),
    Cause("exponent", 0.002, 1.522),
    Cause("zero", 0.003),
]


def test_month_of_one_minute_heads():
    """Own closed case (computed): V 117 920.2124 m3; C 2 %, n 0.349257 %, zero 2.68796 %."""
    own = first_order(total, MONTH)
    assert own.value == pytest.approx(117_920.2124, abs=1e-3)
    share = {line.name: 100 * abs(line.effect) / own.value for line in own.contributions}
    assert share["coefficient"] == pytest.approx(2.0, rel=1e-9)
    assert share["exponent"] == pytest.approx(0.349257, abs=2e-6)
    assert share["zero"] == pytest.approx(2.68796, abs=2e-6)


def test_year_is_no_better_than_a_month():
    """Own closed case (computed): a year at 3.3685 % against a month at 3.3685 %."""
    year = first_order(lambda x: total(x, 525_600), MONTH)
    assert year.value == pytest.approx(1_434_695.917, abs=0.01)
    assert 100 * year.standard_uncertainty / year.value == pytest.approx(3.368548, abs=2e-6)
    one = first_order(total, MONTH)
    assert one.standard_uncertainty / one.value == pytest.approx(
        year.standard_uncertainty / year.value, rel=1e-9
    )


def test_month_by_draws():
    """Own closed case (computed with 1e7 draws): symmetric 95 % from 110 269.5 to 125 851.5 m3."""
    draws = monte_carlo(total, MONTH, Draws(40_000, 1))
    drawn = summarise(draws)
    assert drawn.low == pytest.approx(110_269.5, abs=3 * drawn.low_error)
    assert drawn.high == pytest.approx(125_851.5, abs=3 * drawn.high_error)
    assert compare_intervals(first_order(total, MONTH).interval, draws, digits=1).validated


def test_constant_head_closed_form():
    """Own closed form (computed): h 0.200 m: C 2 %, n 0.32189 %, together 3.05217 %."""

    def constant(x):
        return x["coefficient"] * (0.2 + x["zero"]) ** x["exponent"]

    own = first_order(constant, MONTH)
    effects = {line.name: 100 * abs(line.effect) / own.value for line in own.contributions}
    assert effects["coefficient"] == pytest.approx(2.0, rel=1e-9)
    assert effects["exponent"] == pytest.approx(0.32189, abs=1e-4)
    assert 100 * own.standard_uncertainty / own.value == pytest.approx(3.05217, abs=1e-4)
    without = math.hypot(effects["coefficient"], effects["exponent"])
    assert without == pytest.approx(2.0258, abs=2e-4)  # zero wrongly taken per reading


@pytest.mark.parametrize(
    ("common", "own", "count", "expected"),
    [
        (5.0, 0.0, 720, 5.0),
        (0.0, 5.0, 720, 0.186339),
        (3.0, 4.0, 720, 3.003701),
        (2.9, 0.77, 12, 2.908506),
    ],
)
def test_common_and_own_errors_of_hourly_volumes(common, own, count, expected):
    """JCGM 100:2008 5.2 applied to 720 hours or 12 months (computed)."""
    parts = {"common": np.full(count, common)}, {"own": np.full(count, own)}
    table = budget_from_effects(*parts).total
    assert table.standard_uncertainty / count == pytest.approx(expected, abs=1e-6)


def test_difference_of_two_flows():
    """Textbook box on synoptic surveys, 30 and 28 m3/s at 6 %: 2.46 by quadrature (computed),
    worst case 5.5 m3/s (read): 2 m3/s cannot be told from nothing."""
    causes = [Cause("up", 1.8, 30.0), Cause("down", 1.68, 28.0)]
    own = first_order(lambda x: x["up"] - x["down"], causes)
    assert own.standard_uncertainty == pytest.approx(2.46, abs=0.01)
    assert own.value < own.standard_uncertainty
    assert (30 + 1.8) - (28 - 1.7) == pytest.approx(5.5, abs=0.05)


def test_head_near_zero_fails_the_linear_formula():
    """Zero clipped power law: skewed, and the comparison of clause 8 says so."""
    zero = [Cause("zero", 0.003)]

    def clipped(x):
        return np.maximum(0.002 + x["zero"], 0.0) ** 1.5

    draws = monte_carlo(clipped, zero, Draws(50_000, 1))
    assert np.mean(draws == 0) == pytest.approx(0.2525, abs=0.01)  # Phi(-2/3)
    found = compare_intervals(first_order(clipped, zero).interval, draws)
    assert not found.validated
    assert found.numerically_firm


def test_one_good_end_does_not_validate():
    """Ends at -1.96 and 1.96: the lower one agrees, the upper one is far out."""
    draws = Draws(100_000, 1).standard("x")
    found = compare_intervals(Interval(-1.96, 2.9, 0.95, "symmetric"), draws)
    assert found.low_difference < found.tolerance < found.high_difference
    assert not found.validated


# ---------------------------------------------------------------- adaptive number of draws


def test_adaptive_draws_stop_when_stable():
    """JCGM 101:2008 7.9.4: figures stable to one digit soon, to two digits later; errors honest."""

    def sample(draws):
        return 10 + 2 * draws.standard("x")

    one, two = (adaptive_draws(sample, 1, digits=digits) for digits in (1, 2))
    assert one.stable and two.stable
    assert one.tolerance == pytest.approx(0.5)
    assert two.tolerance == pytest.approx(0.05)
    assert one.blocks < two.blocks
    assert len(two.draws) == two.blocks * 10_000
    assert two.mean_error == pytest.approx(2 / math.sqrt(len(two.draws)), rel=0.4)
    for name, true in (
        ("mean", 10.0),
        ("standard_uncertainty", 2.0),
        ("low", 10 - 3.92),
        ("high", 10 + 3.92),
    ):
        assert getattr(two.summary, name) == pytest.approx(true, abs=two.tolerance)
    assert 2 * two.high_error < two.tolerance


def test_adaptive_draws_give_up_and_say_so():
    def wild(draws):
        return np.exp(3 * draws.standard("x"))

    found = adaptive_draws(wild, 1, digits=2, most_draws=50_000)
    assert not found.stable
    assert len(found.draws) <= 50_000


def test_adaptive_blocks_are_not_repeated():
    found = adaptive_draws(lambda d: d.standard("x"), 3, digits=2)
    assert len(np.unique(found.draws)) == len(found.draws)


# ---------------------------------------------------------------- budgets


def product_model(draws, only=None, invoices=3):
    """Volumes with a shared factor, a shared offset and noise of each invoice."""
    base = np.array([100.0, 200.0, 50.0])[:invoices]
    factor = draws.standard("factor") * 0.02 if only in (None, "factor") else np.zeros(draws.count)
    offset = draws.standard("offset") * 1.0 if only in (None, "offset") else np.zeros(draws.count)
    result = base * (1 + factor[:, None]) + offset[:, None]
    if only in (None, "noise"):
        result = result + 2.0 * draws.standard("noise", invoices)
    return result


def share_of(table, name):
    return next(line.share for line in table.lines if line.name == name)


def test_budget_shares_against_hand_figures():
    """Invoice 1: 4 + 1 + 4 of 9; total: (7^2 + 3^2 + 12) of 70: shared causes gain weight."""
    draws = Draws(100_000, 4)
    inputs = {"factor": draws.standard("factor"), "offset": draws.standard("offset")}
    names = ["factor", "offset", "noise"]
    found = variance_budget(
        lambda only: product_model(draws, only), names, inputs, nominal=np.array([100, 200, 50])
    )
    first, whole = found.invoices[0], found.total
    assert share_of(first, "factor") == pytest.approx(4 / 9, abs=0.01)
    assert share_of(first, "noise") == pytest.approx(4 / 9, abs=0.01)
    assert whole.standard_uncertainty == pytest.approx(math.sqrt(70), rel=0.01)
    assert share_of(whole, "factor") == pytest.approx(49 / 70, abs=0.01)
    assert share_of(whole, "noise") == pytest.approx(12 / 70, abs=0.01)
    assert abs(whole.remainder) < 3 * whole.remainder_error
    assert [line.name for line in whole.lines] == ["factor", "noise", "offset"]
    assert {line.name: line.slope for line in whole.lines} == {"factor": 1, "offset": 1, "noise": 0}
    assert whole.lines[0].shift == pytest.approx(0, abs=0.1)
    exact = budget_from_effects(
        {"factor": np.array([2.0, 4.0, 1.0]), "offset": np.ones(3)}, {"noise": np.full(3, 2.0)}
    )
    assert share_of(exact.total, "factor") == pytest.approx(49 / 70, rel=1e-12)
    assert share_of(exact.invoices[1], "noise") == pytest.approx(4 / 21, rel=1e-12)


def test_halving_a_cause_agrees_with_drawing_again():
    """'What if it were halved' from the share against new draws with half the spread."""
    draws = Draws(100_000, 4)
    found = variance_budget(lambda only: product_model(draws, only), ["factor", "offset", "noise"])
    again = product_model(draws) - 0.01 * draws.standard("factor")[:, None] * [100.0, 200.0, 50.0]
    expected = again.sum(axis=1).std() / product_model(draws).sum(axis=1).std()
    left = math.sqrt(1 - (1 - 0.5**2) * share_of(found.total, "factor"))
    assert left == pytest.approx(expected, rel=0.005)


def test_interactions_are_the_remainder():
    """y = (1 + a)(1 + b) - a - b = 1 + a b: no cause alone does anything, the remainder is all."""
    draws = Draws(20_000, 1)

    def evaluate(only):
        a = draws.standard("a") if only in (None, "a") else np.zeros(draws.count)
        b = draws.standard("b") if only in (None, "b") else np.zeros(draws.count)
        return (1 + a * b)[:, None]

    found = variance_budget(evaluate, ["a", "b"])
    assert found.total.remainder == pytest.approx(1.0)
    assert found.total.standard_uncertainty == pytest.approx(1.0, rel=0.05)


def test_bent_cause_shifts_the_mean():
    """y = x^2 with x = 0: mean u^2, no slope."""
    draws = Draws(50_000, 1)
    x = draws.standard("x")
    found = variance_budget(
        lambda only: (x**2)[:, None], ["x"], {"x": x}, nominal=np.array([0.0])
    ).invoices[0]
    assert found.lines[0].shift == pytest.approx(1.0, rel=0.03)
    assert found.lines[0].slope == 0
