"""The linear formula read off a computation of draws; the number of draws; causes halved."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from uncertainties import ufloat

from sewer_audit import audit, load_case, sample_case
from sewer_audit.balance.meters import meter_error_by_range
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Cause, Draws, coverage_interval, draws_until_stable, linearise

HEAD = Cause("zero", 0.0004, value=0.002, unit="m")
SCALE = Cause("coefficient", 0.004, shape="rectangular", dof=8)


def volume(draws: Draws) -> dict[str, np.ndarray]:
    """Two periods of one flume: shared zero and coefficient, noise of their own."""
    heads = np.array([0.10, 0.20])
    shared = (1 + draws.of(SCALE))[:, None] * (heads + draws.of(HEAD)[:, None]) ** 1.58
    return {"volume": 1000 * shared + 0.05 * draws.standard("noise", 2)}


@cache
def sample():
    return audit(load_case(sample_case()), draws=8000, seed=3)


def test_effects_equal_a_general_library():
    """Python package `uncertainties` (first-order propagation with exact derivatives)."""
    found = linearise(volume)["volume"]
    zero, factor = ufloat(0.002, 0.0004), 1 + ufloat(0.0, 0.004)
    noise = [ufloat(0, 0.05), ufloat(0, 0.05)]
    each = [1000 * factor * (h + zero) ** 1.58 + e for h, e in zip((0.1, 0.2), noise, strict=True)]
    assert found.value == pytest.approx([v.nominal_value for v in each])
    assert found.standard_uncertainty == pytest.approx([v.std_dev for v in each], rel=1e-5)
    whole = found.with_total()
    assert whole.standard_uncertainty[2] == pytest.approx((each[0] + each[1]).std_dev, rel=1e-5)


def test_degrees_of_freedom_widen_the_interval():
    """Welch-Satterthwaite by hand, JCGM 100 (G.2b): only the coefficient has finite freedom."""
    found = linearise(volume)["volume"]
    effects = dict(zip(found.inputs, found.effects[:, 1], strict=True))
    u = float(found.standard_uncertainty[1])
    dof = u**4 / (effects["coefficient"] ** 4 / 8)
    from scipy.stats import t

    reach = float(t.ppf(0.975, dof)) * u
    assert found.interval(1).width == pytest.approx(2 * reach, rel=1e-9)


def test_results_without_a_row_per_draw_are_refused():
    with pytest.raises(AuditError, match=r"\(draws, results\) expected"):
        linearise(lambda draws: {"mean": np.array([draws.of(HEAD).mean()])})


def test_the_effluent_model_gives_its_own_first_order_result():
    model = sample().evidence.effluent.model
    found = linearise(lambda draws: {"v": model.draw(draws)})["v"]
    value, covariance = model.first_order()
    assert found.value == pytest.approx(value, rel=1e-12)
    assert found.effects.T @ found.effects == pytest.approx(covariance, rel=1e-9)


def test_every_volume_and_charge_has_both_results():
    """JCGM 101 clause 8 for each figure, each invoice and the sum."""
    table = sample().first_order
    assert set(table["figure"]) == {
        "effluent",
        "balance",
        "reconciled",
        "basis",
        "amount_in_question",
        "amount_by_discharge",
    }
    assert (table.groupby("figure").size() == 13).all()
    rows = table[table["figure"].isin(["effluent", "balance", "reconciled"])]
    ratio = rows["first_order_standard_uncertainty"] / rows["draws_standard_uncertainty"]
    assert ratio.between(0.96, 1.04).all()
    away = (rows["first_order"] - rows["draws_mean"]).abs() / rows["draws_standard_uncertainty"]
    assert (away < 0.06).all()
    shortest = table["shortest_high"] - table["shortest_low"]
    assert (shortest <= (table["draws_high"] - table["draws_low"]) * (1 + 1e-9)).all()
    same = (table["largest_difference"] <= table["tolerance"]) == table["first_order_suffices"]
    assert same.all()


def test_other_draws_go_the_way_of_the_audit():
    """The same draws again give the same figures to the last digit; others do not."""
    result = sample()
    evidence = result.evidence
    same = evidence.again(result.case, Draws(result.draws, result.seed))
    other = evidence.again(result.case, Draws(result.draws, result.seed + 1))
    for one, two, third in (
        (evidence.effluent.volumes, same.effluent.volumes, other.effluent.volumes),
        (evidence.balance.draws, same.balance.draws, other.balance.draws),
        (evidence.as_they_stand, same.audited, other.audited),
        (evidence.basis, same.basis, other.basis),
    ):
        assert np.array_equal(one, two) and not np.array_equal(one, third)


def test_amounts_that_only_rounding_moves_are_not_linear():
    """An amount that moves in steps of the rounding rule: the formula must not be called enough."""
    table = sample().first_order
    rows = table[table["figure"] == "amount_in_question"]
    assert not rows["first_order_suffices"].any()


def test_halving_a_cause_equals_drawing_again_with_half_of_it():
    result = sample()
    model, draws = result.evidence.effluent.model, Draws(8000, 3)
    cause = model.causes["discharge coefficient"]
    half = {**model.causes, cause.name: replace(cause, standard=cause.standard / 2)}
    again = replace(model, causes=half).draw(draws)
    rows = result.budget[
        (result.budget["estimate"] == "effluent") & (result.budget["cause"] == cause.name)
    ].set_index("invoice")
    for place, invoice in enumerate(result.invoices["invoice"]):
        width = coverage_interval(again[:, place]).width
        assert rows.loc[invoice, "width_if_halved_m3"] == pytest.approx(width, rel=0.01)
    width = coverage_interval(again.sum(axis=1)).width
    assert rows.loc["total", "width_if_halved_m3"] == pytest.approx(width, rel=0.01)
    assert width < 0.95 * rows.loc["total", "interval_width_m3"]  # the zero has the larger share


def test_the_budget_says_which_way_each_cause_acts():
    """By hand: more coefficient or throat, more volume; more water in the product, less."""
    rows = sample().budget.query("invoice == 'total'").set_index("cause")["direction"]
    assert rows["discharge coefficient"] == rows["throat width"] == 1
    assert rows["zero error and drift"] == 1  # what is added to the level
    assert rows["water in product"] == rows["cooling tower make-up: meter error"] == -1
    assert rows["main: meter error"] == 1
    assert rows["gap filling"] == 0 and (rows["interactions"] == 0).all()


def test_draws_are_added_until_every_figure_is_stable():
    """JCGM 101, 7.9.4: spread over many seeds is what the tolerance allows."""

    def two(draws):
        return np.column_stack([3 + draws.standard("a"), 50 + 7 * draws.standard("b")])

    found = draws_until_stable(two, seed=1, digits=1)
    assert found.stable and found.worst < 1 and found.draws % 10_000 == 0
    more = draws_until_stable(two, seed=1, digits=2)
    assert more.stable and more.draws > 5 * found.draws
    ends = [coverage_interval(two(Draws(found.draws, seed))[:, 0]).high for seed in range(20)]
    assert 2 * np.std(ends) < 0.5  # u = 1.0, one digit: tolerance 0.5


def test_draws_end_at_the_largest_number_and_say_so():
    def one(draws):
        return 9.5 * draws.standard("a", 1)

    found = draws_until_stable(one, seed=1, digits=2, most_draws=30_000)
    assert found.draws == 30_000 and not found.stable and found.worst > 1


def test_an_adaptive_audit_states_how_many_draws_it_took():
    result = audit(load_case(sample_case()), draws="adaptive", seed=2)
    assert result.stability is not None and result.draws == result.stability.draws >= 20_000
    assert len(result.evidence.audited) == result.draws
    assert result.findings()["stability"]["digits"] == 1
    assert not [flag for flag in result.flags if flag.code == "draws-not-stable"]


def test_a_meter_is_judged_by_flow_range_and_age():
    """Class 2 limits 2 % and 5 % (ISO 4064-1, from memory) as rectangular half-widths, by hand."""
    new = meter_error_by_range("main", 0.2, 1.0)
    by_hand = np.hypot(0.8 * 0.02, 0.2 * 0.05) / np.sqrt(3)
    assert new.standard == pytest.approx(np.hypot(by_hand, 0.013))  # and what wear adds
    assert new.value == pytest.approx(0.01 + 0.2 * 0.03 / 2)  # a worn meter counts too little
    for years in (None, 12.0):
        old = meter_error_by_range("main", 0.2, years)
        assert old.standard == pytest.approx(np.hypot(2 * by_hand, 0.016))
    with pytest.raises(AuditError, match="between 0 and 1"):
        meter_error_by_range("main", 1.2)
