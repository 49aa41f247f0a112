"""Decisions: published conformity examples, own closed cases, behaviour in simulation."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from second_opinions.uncertainty_conformity import (
    Limits,
    conformance_probability,
    global_risks,
    guarded_limits,
    limit_of_proof,
    normalised_error,
    one_sided_factor,
    zeta_score,
)
from sewer_audit.errors import AuditError
from sewer_audit.uncertainty import Draws, judge
from sewer_audit.uncertainty.rule import FINDINGS


def test_diode_conformance():
    """JCGM 106:2012 clause 7, breakdown voltage of a diode: 0.919, printed 0.92 (from memory)."""
    found = conformance_probability(-5.47, 0.05, Limits(high=-5.40))
    assert found == pytest.approx(0.919, abs=6e-4)


def test_oil_viscosity_conformance():
    """JCGM 106:2012 clause 7, viscosity of an oil, two limits: 0.6626 (from memory)."""
    found = conformance_probability(13.6, 1.8, Limits(12.5, 16.3))
    assert found == pytest.approx(0.6626, abs=6e-4)


def test_speed_control():
    """JCGM 106:2012 8.3.3, speed control at 100 km/h: 106.6, printed 107 (from memory)."""
    assert limit_of_proof(100, 0.999, relative=0.02) == pytest.approx(106.6, abs=0.05)


@pytest.mark.parametrize(("p", "z"), [(0.95, 1.645), (0.99, 2.326), (0.999, 3.090)])
def test_one_sided_factors(p, z):
    """JCGM 106:2012 Table 1 (from memory)."""
    assert one_sided_factor(p) == pytest.approx(z, abs=6e-4)


def test_guard_band_of_expanded_uncertainty():
    """JCGM 106:2012 8.3.2, ISO 14253-1: w = U = 2 u leaves at least 0.9772 (from memory)."""
    accepted = guarded_limits(Limits(high=10.0), expanded=2 * 0.3)
    assert conformance_probability(accepted.high, 0.3, Limits(high=10.0)) == pytest.approx(
        0.9772, abs=1e-4
    )
    wider = guarded_limits(Limits(0, 10), 0.6, guard_factor=-1)
    assert (wider.low, wider.high) == pytest.approx((-0.6, 10.6))
    with pytest.raises(AuditError, match="leaves nothing to accept"):
        guarded_limits(Limits(0, 1), 0.6)


RESISTOR = {"tolerance": Limits(-0.2, 0.2), "prior_mean": 0.0, "prior_standard": 0.12}


def test_global_risks():
    """After the resistor example of JCGM 106:2012 9.5 (inputs recalled, figures computed)."""
    shared = global_risks(acceptance=Limits(-0.2, 0.2), standard=0.04, **RESISTOR)
    assert shared.prior_conformity == pytest.approx(0.9044, abs=2e-4)
    assert shared.consumer == pytest.approx(0.01894, abs=2e-4)
    accept = guarded_limits(RESISTOR["tolerance"], 0.08)
    guarded = global_risks(acceptance=accept, standard=0.04, **RESISTOR)
    assert guarded.consumer == pytest.approx(0.000469, rel=0.02)
    reject = guarded_limits(RESISTOR["tolerance"], 0.08, -1)
    lenient = global_risks(acceptance=reject, standard=0.04, **RESISTOR)
    assert lenient.consumer == pytest.approx(0.0694, abs=2e-4)
    assert lenient.producer == pytest.approx(0.000681, rel=0.02)


def test_scores_of_an_invoice():
    """Own case, computed: invoice 12500 (u 125), measured 11600 m3 (u 350)."""
    assert zeta_score(12500, 11600, 125, 350) == pytest.approx(2.4216, abs=1e-4)
    assert normalised_error(12500, 11600, 250, 700) == pytest.approx(1.2108, abs=1e-4)
    assert zeta_score(12500, 11600, 0, 350) == pytest.approx(2.5714, abs=1e-4)
    assert 2 * norm.sf(zeta_score(12500, 11600, 0, 350)) == pytest.approx(0.010128, abs=1e-5)
    inside = conformance_probability(11600, 350, Limits(0.95 * 12500, 1.05 * 12500))
    assert inside == pytest.approx(0.21601, abs=1e-4)
    most = limit_of_proof(0.95 * 12500, 0.05, standard=350)
    assert most == pytest.approx(11299.3, abs=0.5)


def test_global_risks_against_a_bivariate_normal():
    """Independent route: the four quadrants of the joint normal of true and measured value."""
    risks = global_risks(Limits(-1, 2), Limits(-0.5, 1.7), 0.3, 0.9, 0.4)
    joint = multivariate_normal([0.3, 0.3], [[0.81, 0.81], [0.81, 0.81 + 0.16]])

    def box(true, taken):
        ends = [(true[i], taken[k], (-1) ** (i + k)) for i in (0, 1) for k in (0, 1)]
        return sum(sign * joint.cdf([t, m]) for t, m, sign in ends)

    both = box((-1, 2), (-0.5, 1.7))
    accepted = norm.cdf(1.7, 0.3, math.sqrt(0.97)) - norm.cdf(-0.5, 0.3, math.sqrt(0.97))
    assert risks.consumer == pytest.approx(accepted - both, abs=1e-4)
    assert risks.producer == pytest.approx(risks.prior_conformity - both, abs=1e-4)


# ---------------------------------------------------------------- findings from draws

COUNT = 40_000


def volumes(mean, common, own, invoices=1, seed=1):
    """Draws with one common relative error and one of each invoice."""
    draws = Draws(COUNT, seed)
    return mean * (
        1 + common * draws.standard("common")[:, None] + own * draws.standard("own", invoices)
    )


@pytest.mark.parametrize(
    ("mean", "relative", "expected"),
    [
        (10_000, 0.010, "billed volume supported"),
        (8_000, 0.030, "billed volume too high"),
        (12_000, 0.030, "billed volume too low"),
        (9_600, 0.034, "cannot be decided from this evidence"),
        (10_000, 0.034, "cannot be decided from this evidence"),  # in agreement, yet no certificate
    ],
)
def test_four_findings(mean, relative, expected):
    """Each finding is reached, with the words of the contract; a bill of 10 000 m3, 5 %."""
    verdict = judge(volumes(mean, relative, 0.0), np.array([10_000.0])).total
    assert verdict.finding == expected
    assert expected in FINDINGS
    assert verdict.numerically_firm


def test_probabilities_against_the_normal_formula():
    """Invoice 12500, measured 11600, u 350 m3: probabilities of a normal quantity (computed)."""
    draws = 11_600 + 350 * Draws(COUNT, 3).standard("v")[:, None]
    verdict = judge(draws, np.array([12_500.0])).invoices[0]
    below = norm.cdf((0.95 * 12_500 - 11_600) / 350)
    assert verdict.probability_overbilled == pytest.approx(below, abs=4 * verdict.probability_error)
    conforming = 1 - verdict.probability_overbilled - verdict.probability_underbilled
    assert conforming == pytest.approx(0.21601, abs=0.01)
    assert verdict.lower_limit == pytest.approx(11_875)
    assert verdict.upper_limit == pytest.approx(13_125)
    assert math.isnan(verdict.risk)  # nothing was decided


@pytest.mark.parametrize(
    ("shift", "one_sided", "two_sided"),
    [(+10, False, False), (-10, True, False), (-100, True, False), (-120, True, True)],
)
def test_one_sided_rule_meets_its_closed_limit(shift, one_sided, two_sided):
    """Own case, computed: up to 11299.3 m3 proves 5 % with 95 % one-sided; 11189 two-sided."""
    noise = 350 * Draws(400_000, 5).standard("v")[:, None]
    draws = 11_299.3 + shift + (noise - noise.mean())
    for sides, proved in (("one", one_sided), ("two", two_sided)):
        found = judge(draws, np.array([12_500.0]), sides=sides).total.finding
        assert (found == "billed volume too high") == proved


def test_guard_factor_moves_the_limit():
    """Factor 0 follows the best estimate alone, 1 the whole interval, 2 twice its reach."""
    draws, bill = volumes(9_000, 0.02, 0.0), np.array([10_000.0])
    found = [judge(draws, bill, guard_factor=g).total.finding for g in (0, 1, 2)]
    assert found == ["billed volume too high"] * 2 + ["cannot be decided from this evidence"]
    assert judge(draws, bill, guard_factor=0).total.risk == pytest.approx(
        norm.sf(500 / 180), abs=0.002
    )


def test_risk_of_a_supported_bill_counts_both_limits():
    """Accepted by the best estimate alone: 1.0 and 1.5 standard uncertainties from the limits."""
    found = judge(volumes(9_900, 400 / 9_900, 0.0), np.array([10_000.0]), guard_factor=0.0).total
    assert found.finding == "billed volume supported"
    assert found.risk == pytest.approx(norm.sf(1.0) + norm.sf(1.5), abs=0.008)
    low = judge(volumes(12_000, 0.02, 0.0), np.array([10_000.0])).total
    assert low.risk == pytest.approx(0.0, abs=1e-3)


def test_undecided_says_how_narrow_the_interval_must_be():
    """The reach to decide decides when the same estimate comes with that much narrower draws."""
    bill = np.array([10_000.0])
    wide = judge(volumes(9_100, 0.04, 0.0), bill).total
    assert wide.finding == "cannot be decided from this evidence"
    assert wide.distance == pytest.approx(400, abs=5)
    doubled = judge(volumes(9_100, 0.04, 0.0), bill, guard_factor=2.0).total
    assert doubled.guard_band == pytest.approx(2 * wide.guard_band)
    assert doubled.reach_to_decide == pytest.approx(wide.reach_to_decide / 2)
    factor = wide.reach_to_decide / wide.guard_band
    nearly, enough = 0.04 * factor * 1.02, 0.04 * factor * 0.98
    assert judge(volumes(9_100, nearly, 0.0), bill).total.finding == wide.finding
    assert judge(volumes(9_100, enough, 0.0), bill).total.finding == "billed volume too high"


def test_common_causes_do_not_average_in_the_total():
    """3 % common and 4 % own error, 36 invoices: 3.07 %, not 0.8 % (GUM 5.2, computed)."""
    draws = volumes(1_000, 0.03, 0.04, 36)
    total = judge(draws, np.full(36, 1_000.0)).total
    expected = 36_000 * math.hypot(0.03, 0.04 / 6)
    assert total.audited.standard_uncertainty == pytest.approx(expected, rel=0.02)


def test_total_can_be_decided_where_no_invoice_can():
    """Independent errors average, so a year's claim may stand though no month does."""
    draws = volumes(900, 0.002, 0.05, 36)
    verdicts = judge(draws, np.full(36, 1_000.0))
    assert {each.finding for each in verdicts.invoices} == {"cannot be decided from this evidence"}
    assert verdicts.total.finding == "billed volume too high"
    assert verdicts.total.coverage == 0.95


def test_bill_with_draws_of_its_own():
    """A cause common to bill and audit cancels: two meters checked against one reference."""
    common = Draws(COUNT, 7).standard("reference")[:, None]
    audited, billed = 9_000 * (1 + 0.05 * common), 10_000 * (1 + 0.05 * common)
    audited = audited + 30 * Draws(COUNT, 7).standard("own")[:, None]
    assert judge(audited, billed).total.finding == "billed volume too high"
    apart = judge(audited, np.array([10_000.0])).total
    assert apart.finding == "cannot be decided from this evidence"


def share_of_false_alarms(family, common, count, runs):
    """Share of runs in which any of several right bills is called wrong.

    The truth of each run is drawn first, the evidence scatters about it, the draws of the audit
    scatter about the evidence: a frequentist check of the family-wise error.
    """
    rng = np.random.default_rng(11)
    false = 0
    spread = Draws(4_000, 1)
    unit = common * spread.standard("c")[:, None] + 0.02 * spread.standard("o", count)
    unit -= unit.mean(axis=0)
    for _ in range(runs):
        seen = 1 + common * rng.standard_normal() + 0.02 * rng.standard_normal(count)
        found = judge(1_000 * (seen + unit), np.full(count, 1_000.0), 0.0, family=family)
        false += any(each.finding != FINDINGS[3] for each in found.invoices)
    return false / runs


@pytest.mark.parametrize("family", ["sidak", "bonferroni", "joint"])
@pytest.mark.parametrize("common", [0.0, 0.03])
@pytest.mark.parametrize(
    ("count", "runs"), [(8, 120), pytest.param(36, 400, marks=pytest.mark.slow)]
)
def test_families_do_not_multiply_chances(family, common, count, runs):
    """Bills exactly right, tolerance zero: any false finding in at most 5 % of runs."""
    share = share_of_false_alarms(family, common, count, runs)
    doubt = 3 * math.sqrt(0.05 * 0.95 / runs) + 0.01
    assert share <= 0.05 + doubt
    if runs >= 400 and (common == 0 or family == "joint"):  # nor needlessly strict
        assert share >= 0.05 - doubt


def test_without_family_rule_chances_multiply():
    """The same with 'none': a false finding somewhere is then usual (1 - 0.95^36 = 0.84)."""
    assert share_of_false_alarms("none", 0.0, 36, 40) > 0.6


def test_flags_of_a_judgement():
    """Too few draws beyond the interval, and a tolerance that supports nothing, are said."""
    draws = volumes(1_000, 0.03, 0.01, 36)[:5_000]
    found = judge(draws, np.full(36, 1_000.0), 0.0, family="sidak")
    codes = {flag.code for flag in found.flags}
    assert {"few-draws-beyond-interval", "no-tolerance"} <= codes
    near = 10_000 * 0.95 / (1 + 1.96 * 0.02)
    found = judge(volumes(near, 0.02, 0.0), np.array([10_000.0]))
    assert not found.invoices[0].numerically_firm
    assert "finding-near-the-limit" in {flag.code for flag in found.flags}


def test_rule_in_words():
    """The printed rule names tolerance, coverage, guard factor and the family rule."""
    rule = judge(volumes(1_000, 0.03, 0.0, 3), np.full(3, 1_000.0)).rule
    for word in ("5 %", "95 %", "common counts once", "cannot be decided"):
        assert word in rule.statement(3)
    assert "times" not in rule.statement(3), "a factor of one is not worth a sentence"
    assert "1.5 times" in replace(rule, guard_factor=1.5).statement(3)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"tolerance": -0.1}, "a share of the bill"),
        ({"coverage": 0.4}, "between 0.5 and 1"),
        ({"guard_factor": -1.0}, "zero or more"),
        ({"family": "hopeful"}, "known are joint"),
        ({"sides": "three"}, "'one' or 'two'"),
    ],
)
def test_rules_out_of_range_are_refused(change, words):
    with pytest.raises(AuditError, match=words):
        judge(volumes(1_000, 0.03, 0.0), np.array([1_000.0]), **change)


def test_bills_that_are_no_volumes_are_refused():
    with pytest.raises(AuditError, match="negative or not a number"):
        judge(volumes(1_000, 0.03, 0.0), np.array([np.nan]))
    with pytest.raises(AuditError, match="expected"):
        judge(volumes(1_000, 0.03, 0.0, 2), np.array([1_000.0]))
