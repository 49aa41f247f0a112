"""Bayes factors, their scale, and the average of a likelihood over a free size."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import gammaln, xlogy
from scipy.stats import binomtest

from second_opinions.explanations_bayes import compare_values
from sewer_audit.errors import AuditError
from sewer_audit.explanations.bayes import strength
from sewer_audit.explanations.evidence import average_likelihood
from sewer_audit.explanations.fairness import fair_share

IMPERIAL = 4.54609 / 3.785411784


def binomial(share: np.ndarray) -> np.ndarray:
    """Log likelihood of 115 successes in 200 trials."""
    ways = gammaln(201) - gammaln(116) - gammaln(86)
    return ways + xlogy(115, share) + xlogy(85, 1 - share)


def test_coin_with_115_of_200():
    """Encyclopedia article on Bayes factors: 0.006, 1/201 = 0.005, factor 1.2, p 0.02."""
    fixed = np.exp(binomial(np.array([0.5])))[0]
    free, values, weights = average_likelihood(binomial, 1e-9, 1 - 1e-9)
    assert fixed == pytest.approx(0.005956, abs=1e-6)
    assert np.exp(free) == pytest.approx(1 / 201, rel=0.005)
    assert fixed / np.exp(free) == pytest.approx(1.197, abs=0.005)
    assert strength(fixed / np.exp(free)) == "weak"
    assert weights @ values == pytest.approx(116 / 202, rel=0.005)  # mean of the beta posterior
    assert binomtest(115, 200, alternative="greater").pvalue == pytest.approx(0.02, abs=5e-4)


def test_most_likely_share_of_the_coin():
    """Same article: the likelihood at 0.575 is 0.06, its average over all shares 0.005."""
    assert np.exp(binomial(np.array([0.575])))[0] == pytest.approx(0.057, abs=5e-4)


@pytest.mark.parametrize("width", [1.0, 1e-1, 1e-2, 1e-3, 1e-4])
def test_a_narrow_peak_is_not_missed(width):
    """The average over the prior is the integral over its length, however narrow the peak."""
    from scipy.stats import norm

    def likelihood(values):
        return norm.logpdf(values, 0.3137, width)

    average, values, weights = average_likelihood(likelihood, -1.0, 1.0)
    whole = norm.cdf(1.0, 0.3137, width) - norm.cdf(-1.0, 0.3137, width)
    assert np.exp(average) == pytest.approx(whole / 2, rel=0.01)
    if width < 0.2:
        assert weights @ values == pytest.approx(0.3137, abs=0.1 * width)


@pytest.mark.parametrize(
    ("factor", "word"),
    [(1.0, "weak"), (2.9, "weak"), (3.0, "positive"), (19.9, "positive"), (20.0, "strong"),
     (149.0, "strong"), (150.0, "very strong"), (np.inf, "very strong")],
)  # fmt: skip
def test_scale_of_1995(factor, word):
    """Library page citing J. Amer. Statist. Assoc. 90 (1995) 773: bounds 3, 20 and 150."""
    assert strength(factor) == word


def test_four_explanations_of_one_invoice():
    """Own example, in no publication: 13 090 m3 invoiced, 10 900 m3 (u 436) computed."""
    factors = np.array([1.0, IMPERIAL, 34 / 30])
    predicted = np.append(10900 * factors, 12950)
    standard = np.append(436 * factors, 194.25)
    found = compare_values(13090.0, predicted, standard)
    assert found.posterior[0] == pytest.approx(1.1639e-6, abs=1e-9)
    assert found.posterior[1:] == pytest.approx([0.29173, 0.10175, 0.60652], abs=1e-4)
    factor = found.likelihood[3] / found.likelihood[1]
    assert factor == pytest.approx(2.079, abs=1e-3)
    assert strength(factor) == "weak"


def test_priors_shift_odds_only():
    """Posterior odds are the Bayes factor times the prior odds."""
    even = compare_values(1.0, np.array([1.0, 2.0]), np.array([1.0, 1.0]))
    tilted = compare_values(1.0, np.array([1.0, 2.0]), np.array([1.0, 1.0]), np.array([1.0, 9.0]))
    odds = even.posterior[0] / even.posterior[1]
    assert tilted.posterior[0] / tilted.posterior[1] == pytest.approx(odds / 9)


def test_a_bill_far_from_the_discharge_speaks_of_the_basis():
    """Densities stated in the function: 4 % about zero against uniform over 1.5."""
    billed = np.full(12, 100.0)
    near = fair_share(billed, np.full(12, 99.0), np.eye(12))
    far = fair_share(billed, np.full(12, 80.0), np.eye(12))
    assert near.fair.log_ratio > near.unfair.log_ratio + np.log(10)
    assert far.unfair.log_ratio > far.fair.log_ratio + np.log(20)
    for share in (near, far):
        both = sum(part.prior * np.exp(part.log_ratio) for part in (share.fair, share.unfair))
        assert both == pytest.approx(1.0)
    assert fair_share(billed, None, None) is None
    assert fair_share(billed, np.full(12, np.nan), np.eye(12)) is None


def test_what_cannot_be_compared_is_refused():
    with pytest.raises(AuditError, match="below one; compare the other way round"):
        strength(0.5)
    with pytest.raises(AuditError, match="standard above zero"):
        compare_values(1.0, np.array([1.0]), np.array([0.0]))
