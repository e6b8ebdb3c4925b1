"""Funnels and shrinkage against published values, scipy, and what must hold of them.

*Found* means seen in a copy of the source, *computed* that only the arithmetic vouches for it.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from pipeline.statistics.counts import binomial, negative_binomial
from pipeline.statistics.funnels import binomial_limits
from pipeline.statistics.shrinkage import beta_binomial
from tests.bench.shrunk_rates import gamma_poisson

DEATHS = [41, 25, 24, 23, 25, 42, 24, 53, 26, 25, 58, 31]
OPERATIONS = [143, 187, 323, 122, 164, 405, 239, 482, 195, 177, 581, 301]
FAILURES = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
THOUSAND_HOURS = [94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5]


def test_funnel_of_paediatric_cardiac_surgery() -> None:
    # Spiegelhalter 2005, Stat Med 24:1185 (data found; limits, phi and tau2 computed)
    deaths, operations = np.array(DEATHS), np.array(OPERATIONS)
    target = deaths.sum() / operations.sum()
    assert_allclose(target, 0.119614, atol=5e-7)
    sigma = np.sqrt(target * (1 - target) / operations)
    z = (deaths / operations - target) / sigma
    assert_allclose(z[0], 6.158, atol=5e-4)
    lower, upper = binomial_limits(operations, target)
    assert_allclose([lower[[0, 10]], upper[[0, 10]]], [[0.04048, 0.07913], [0.20732, 0.16217]],
                    atol=5e-6)  # fmt: skip
    outside = (deaths / operations > upper) | (deaths / operations < lower)
    assert np.flatnonzero(outside).tolist() == [0]
    # limits here are no longer widened by the spread between groups; the two that did are plain
    # arithmetic, the second statsmodels'
    assert_allclose(np.mean(z**2), 4.8389, atol=5e-5)
    spread = combine_effects(deaths / operations - target, sigma**2, method_re="chi2")
    assert_allclose(spread.tau2, 0.0016678, atol=5e-8)


def test_shrinkage_of_pump_failures() -> None:
    # Gaver and O'Muircheartaigh 1987, Technometrics 29:1 (data found; published maximum
    # likelihood about 0.82 and 1.26, here to three places, and the posterior means that follow).
    # The rates' way until 0.1.0, which is measured beside today's
    found = gamma_poisson(FAILURES, THOUSAND_HOURS)
    assert_allclose([found.shape, found.rate], [0.823, 1.262], atol=5e-4)
    means = [0.0609, 0.1075, 0.0908, 0.1165, 0.588, 0.607, 0.789, 0.789, 1.435, 1.941]
    assert_allclose(found.estimate, means, atol=6e-4)
    assert_allclose(found.estimate[:4], means[:4], atol=5e-5)


def test_exact_limits_leave_the_stated_share_outside() -> None:
    # but for the interpolation, which may let in one count more above, no more than the tail is
    # beyond a limit, and a count further in would be too many
    rng = np.random.default_rng(1)
    for _ in range(200):
        n, target = int(rng.integers(1, 800)), float(rng.uniform(0.01, 0.6))
        for level in (0.95, 0.998):
            tail = (1 - level) / 2
            low, high = binomial_limits(n, target, level)
            law = stats.binom(n, target)
            first, last = np.ceil(n * low - 1e-9), np.ceil(n * high - 1e-9)
            assert law.sf(last) <= tail + 1e-9
            assert law.sf(last - 1) > tail - 1e-9 or high == 1
            assert low == 0 or law.cdf(first - 1) <= tail + 1e-9
            assert law.cdf(first) > tail - 1e-9
    assert np.isnan(binomial_limits(0, 0.2)).all()


def test_exact_limits_approach_normal_ones() -> None:
    low, high = binomial_limits(2_000_000, 0.2)
    half = stats.norm.ppf(0.999) * np.sqrt(0.16 / 2_000_000)
    assert_allclose([low, high], [0.2 - half, 0.2 + half], atol=1e-6)


def test_no_other_prior_fits_better() -> None:
    rng = np.random.default_rng(3)
    for _ in range(12):
        k = int(rng.integers(8, 30))
        n = rng.integers(10, 90, k)
        cases = rng.binomial(n, rng.beta(2, 12, k))
        share = beta_binomial(cases, n)
        best = stats.betabinom.logpmf(cases, n, share.first, share.second).sum()
        for a, b in rng.uniform(0.8, 1.25, (60, 2)):
            other = stats.betabinom.logpmf(cases, n, share.first * a, share.second * b).sum()
            assert other <= best + 1e-6


def test_posteriors_are_those_of_scipy() -> None:
    shares = beta_binomial(DEATHS, OPERATIONS)
    d, n = np.array(DEATHS), np.array(OPERATIONS)
    beta = stats.beta(shares.first + d, shares.second + n - d)
    assert_allclose(shares.estimate, beta.mean())
    assert_allclose([shares.lower, shares.upper], beta.interval(0.95), rtol=1e-7)
    assert not shares.pooled


def test_a_small_group_is_pulled_further() -> None:
    found = beta_binomial([2, 200, 20, 30, 10, 90, 5, 60], [4, 400, 90, 100, 90, 300, 60, 400])
    assert found.first / (found.first + found.second) < found.estimate[0] < found.estimate[1] < 0.5


def test_groups_that_differ_only_by_chance_share_the_pooled_figure() -> None:
    shares = beta_binomial([2, 2, 2], [4, 4, 4])
    assert shares.pooled
    assert_allclose(shares.estimate, 0.5)


def test_groups_all_alike_at_an_end_keep_their_own_bound() -> None:
    shares = beta_binomial([4, 9], [4, 9])
    assert_allclose(shares.upper, 1)
    assert shares.lower[0] < shares.lower[1] < 1
    assert not shares.pooled
    assert np.isnan(beta_binomial([1, 0], [5, 0]).upper[1])


def test_opposite_groups_do_not_get_intervals_of_no_width() -> None:
    found = beta_binomial([0, 5], [5, 5])
    assert np.all(found.upper - found.lower > 0.3)


@pytest.mark.parametrize("events", [[], [3]])
def test_one_group_or_none_does_not_fail(events: list[int]) -> None:
    assert len(beta_binomial(events, [7] * len(events)).estimate) == len(events)


def test_posterior_intervals_hold_the_planted_shares() -> None:
    # 200 services of 12 bases: empirical Bayes intervals, nominal 95 %, hold 92-97 %
    rng = np.random.default_rng(4)
    hits = []
    for _ in range(200):
        trips = rng.integers(30, 200, 12)
        shares = rng.beta(4.0, 16.0, 12)
        found = beta_binomial(rng.binomial(trips, shares), trips)
        hits.append((found.lower <= shares) & (shares <= found.upper))
    assert 0.92 <= np.mean(hits) <= 0.97


def test_mistakes_of_the_caller_are_errors() -> None:
    with pytest.raises(ValueError, match=r"."):
        beta_binomial([3], [2])


@pytest.mark.parametrize("tail", [0.001, 0.025, 0.5, 0.975, 0.999])
def test_quantiles_of_counts_are_those_of_scipy(tail: float) -> None:
    rng = np.random.default_rng(11)
    n, share = np.floor(10 ** rng.uniform(0, 6, 500)), rng.beta(0.3, 0.3, 500)
    mean, k = 10 ** rng.uniform(-2, 5, 500), 10 ** rng.uniform(-1, 6, 500)
    for ours, theirs in (
        (binomial(n, share), stats.binom(n, share)),
        (binomial(n, np.round(share)), stats.binom(n, np.round(share))),
        (negative_binomial(k, k / (k + mean)), stats.nbinom(k, k / (k + mean))),
    ):
        count = ours.quantile(tail)
        assert (count == theirs.ppf(tail)).all()
        assert_allclose(ours.below(count), theirs.cdf(count), rtol=1e-9)
        assert_allclose(ours.below(count - 1), theirs.cdf(count - 1), rtol=1e-9)
    assert np.isnan(binomial([np.nan, 3], [0.5, np.nan]).quantile(tail)).all()
