"""Funnels and shrinkage against published values, scipy, and what must hold of them.

*Found* means seen in a copy of the source, *computed* that only the arithmetic vouches for it.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from pipeline.statistics.counts import binomial, negative_binomial, poisson
from pipeline.statistics.funnels import (
    binomial_limits,
    dispersion,
    poisson_limits,
    rate_funnel,
    share_funnel,
)
from pipeline.statistics.shrinkage import beta_binomial, gamma_poisson

DEATHS = [41, 25, 24, 23, 25, 42, 24, 53, 26, 25, 58, 31]
OPERATIONS = [143, 187, 323, 122, 164, 405, 239, 482, 195, 177, 581, 301]
FAILURES = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
THOUSAND_HOURS = [94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5]


def test_funnel_of_paediatric_cardiac_surgery() -> None:
    # Spiegelhalter 2005, Stat Med 24:1185 (data found; limits, phi and tau2 computed)
    funnel = share_funnel(DEATHS, OPERATIONS, winsorise=0)
    assert_allclose(funnel.target, 0.119614, atol=5e-7)
    assert_allclose(funnel.z[0], 6.158, atol=5e-4)
    found = [funnel.outer_lower[[0, 10]], funnel.outer_upper[[0, 10]]]
    assert_allclose(found, [[0.04048, 0.07913], [0.20732, 0.16217]], atol=5e-6)
    assert_allclose(funnel.dispersion.phi, 4.8389, atol=5e-5)
    assert_allclose(funnel.dispersion.tau2, 0.0016678, atol=5e-8)
    assert funnel.outlying.tolist() == [1] + [0] * 11


def test_shrinkage_of_pump_failures() -> None:
    # Gaver and O'Muircheartaigh 1987, Technometrics 29:1 (data found; published maximum
    # likelihood about 0.82 and 1.26, here to three places, and the posterior means that follow)
    found = gamma_poisson(FAILURES, THOUSAND_HOURS)
    assert_allclose([found.first, found.second], [0.823, 1.262], atol=5e-4)
    means = [0.0609, 0.1075, 0.0908, 0.1165, 0.588, 0.607, 0.789, 0.789, 1.435, 1.941]
    assert_allclose(found.estimate, means, atol=6e-4)
    assert_allclose(found.estimate[:4], means[:4], atol=5e-5)
    assert not found.pooled
    assert found.reason == ""


def test_exact_limits_leave_the_stated_share_outside() -> None:
    # but for the interpolation, which may let in one count more above, no more than the tail is
    # beyond a limit, and a count further in would be too many
    rng = np.random.default_rng(1)
    for _ in range(200):
        n, target = int(rng.integers(1, 800)), float(rng.uniform(0.01, 0.6))
        for level in (0.95, 0.998):
            tail = (1 - level) / 2
            low, high = binomial_limits(n, target, level)
            mean = n * target / 5
            for (low, high), law in (
                (binomial_limits(n, target, level), stats.binom(n, target)),
                (poisson_limits(n, target / 5, level=level), stats.poisson(mean)),
            ):
                first, last = np.ceil(n * low - 1e-9), np.ceil(n * high - 1e-9)
                assert law.sf(last) <= tail + 1e-9
                assert law.sf(last - 1) > tail - 1e-9 or high == 1
                assert low == 0 or law.cdf(first - 1) <= tail + 1e-9
                assert law.cdf(first) > tail - 1e-9


def test_exact_limits_approach_normal_ones() -> None:
    low, high = binomial_limits(2_000_000, 0.2)
    half = stats.norm.ppf(0.999) * np.sqrt(0.16 / 2_000_000)
    assert_allclose([low, high], [0.2 - half, 0.2 + half], atol=1e-6)
    low, high = poisson_limits(1_000_000, 20, per=100)
    half = stats.norm.ppf(0.999) * np.sqrt(20 * 100 / 1_000_000)
    assert_allclose([low, high], [20 - half, 20 + half], atol=1e-3)


def test_adjustments_widen_as_published() -> None:
    # limits target +/- z sqrt(phi) s and target +/- z sqrt(s2 + tau2): Spiegelhalter 2005
    sigma = np.sqrt(0.119614 * (1 - 0.119614) / 143)
    z = stats.norm.ppf(0.999)
    many = share_funnel(DEATHS, OPERATIONS, adjust="multiplicative", winsorise=0)
    assert many.adjusted == "multiplicative"
    assert_allclose(many.outer_upper[0], 0.119614 + z * np.sqrt(4.8389) * sigma, atol=1e-5)
    plus = share_funnel(DEATHS, OPERATIONS, adjust="additive", winsorise=0)
    wide = np.sqrt(sigma**2 + 0.0016678)
    assert_allclose(plus.outer_upper[0], 0.119614 + z * wide, atol=1e-5)
    assert_allclose(plus.z_adjusted[0], (41 / 143 - 0.119614) / wide, atol=1e-4)
    assert plus.outer_lower.min() >= 0


def test_winsorising_keeps_an_outlier_from_widening_the_limits() -> None:
    z, sigma = np.r_[np.linspace(-1, 1, 20), 15.0], np.full(21, 0.1)
    assert dispersion(z, sigma, winsorise=0).phi > 10
    assert dispersion(z, sigma, winsorise=0.1).phi < 1


def test_spread_found_is_the_spread_planted() -> None:
    rng = np.random.default_rng(2)
    hours = rng.uniform(300, 900, 400)
    rates = rng.gamma(1 / 0.09, 0.09 * 0.2, 400)  # mean 0.2, variance 0.09 * 0.2^2
    found = rate_funnel(rng.poisson(rates * hours), hours, winsorise=0)
    assert_allclose(found.dispersion.tau2, 0.09 * 0.2**2, rtol=0.2)
    chance = rate_funnel(rng.poisson(0.2 * hours), hours, winsorise=0)
    assert_allclose(chance.dispersion.phi, 1, atol=0.25)


def test_fewer_than_eight_groups_have_no_dispersion_and_plain_limits() -> None:
    funnel = share_funnel(DEATHS[:7], OPERATIONS[:7], adjust="additive")
    assert np.isnan(funnel.dispersion.phi)
    assert "7" in funnel.dispersion.reason
    assert funnel.adjusted == "none"
    plain = share_funnel(DEATHS[:7], OPERATIONS[:7])
    assert_allclose(funnel.outer_upper, plain.outer_upper)


def test_groups_no_more_spread_than_chance_keep_plain_limits() -> None:
    even = share_funnel([10] * 9, [100] * 9, adjust="multiplicative")
    assert even.adjusted == "none"


def test_groups_without_denominator_are_left_alone() -> None:
    for funnel in (share_funnel([3, 0], [9, 0]), rate_funnel([3, 0], [9.0, 0.0])):
        assert np.isnan([funnel.value[1], funnel.outer_upper[1], funnel.z[1]]).all()
        assert funnel.outlying[1] == 0
        assert np.isfinite(funnel.outer_upper[0])
    nothing = rate_funnel([0, 0], [10.0, 20.0])
    assert nothing.target == 0
    assert nothing.outlying.tolist() == [0, 0]
    assert np.isnan(share_funnel([], []).target)


def test_no_other_prior_fits_better() -> None:
    rng = np.random.default_rng(3)
    for _ in range(12):
        k = int(rng.integers(8, 30))
        hours = rng.gamma(2, 40, k) + 1
        events = rng.poisson(rng.gamma(2.0, 0.1, k) * hours)
        found = gamma_poisson(events, hours)

        def log_likelihood(
            shape: float, rate: float, x: np.ndarray = events, t: np.ndarray = hours
        ) -> float:
            return float(stats.nbinom.logpmf(x, shape, rate / (rate + t)).sum())

        best = log_likelihood(found.first, found.second)
        for a, b in rng.uniform(0.8, 1.25, (60, 2)):
            if found.first * a >= 0.5:
                assert log_likelihood(found.first * a, found.second * b) <= best + 1e-6
        n = rng.integers(10, 90, k)
        cases = rng.binomial(n, rng.beta(2, 12, k))
        share = beta_binomial(cases, n)
        best = stats.betabinom.logpmf(cases, n, share.first, share.second).sum()
        for a, b in rng.uniform(0.8, 1.25, (60, 2)):
            other = stats.betabinom.logpmf(cases, n, share.first * a, share.second * b).sum()
            assert other <= best + 1e-6


def test_posteriors_are_those_of_scipy() -> None:
    rates = gamma_poisson(FAILURES, THOUSAND_HOURS, per=100, level=0.9)
    x, t = np.array(FAILURES), np.array(THOUSAND_HOURS)
    gamma = stats.gamma(rates.first + x, scale=100 / (rates.second + t))
    assert_allclose(rates.estimate, gamma.mean())
    assert_allclose([rates.lower, rates.upper], gamma.interval(0.9), rtol=1e-7)
    shares = beta_binomial(DEATHS, OPERATIONS)
    d, n = np.array(DEATHS), np.array(OPERATIONS)
    beta = stats.beta(shares.first + d, shares.second + n - d)
    assert_allclose(shares.estimate, beta.mean())
    assert_allclose([shares.lower, shares.upper], beta.interval(0.95), rtol=1e-7)
    mixed = shares.own_weight * shares.raw + (1 - shares.own_weight) * shares.prior_mean
    assert_allclose(shares.estimate, mixed)


def test_a_small_group_is_pulled_further() -> None:
    found = gamma_poisson([2, 200, 20, 30, 10, 90, 5, 60], [4, 400, 90, 100, 90, 300, 60, 400])
    assert found.own_weight[0] < found.own_weight[1]
    assert found.prior_mean < found.estimate[0] < found.raw[0]


def test_groups_that_differ_only_by_chance_share_the_pooled_figure() -> None:
    found = gamma_poisson([5, 5, 5], [10, 10, 10])
    assert found.pooled
    assert_allclose(found.estimate, 0.5)
    assert "chance" in found.reason
    shares = beta_binomial([2, 2, 2], [4, 4, 4])
    assert shares.pooled
    assert_allclose(shares.estimate, 0.5)


def test_no_event_anywhere_leaves_each_group_its_own_bound() -> None:
    found = gamma_poisson([0, 0, 0], [1, 2, 0])
    assert_allclose(found.upper[:2], [3.6889, 3.6889 / 2], atol=1e-4)
    assert np.isnan(found.upper[2])
    shares = beta_binomial([4, 9], [4, 9])
    assert_allclose(shares.upper, 1)
    assert shares.lower[0] < shares.lower[1] < 1
    assert not shares.pooled


def test_opposite_groups_do_not_get_intervals_of_no_width() -> None:
    found = beta_binomial([0, 5], [5, 5])
    assert np.all(found.upper - found.lower > 0.3)


@pytest.mark.parametrize("events", [[], [3]])
def test_one_group_or_none_does_not_fail(events: list[int]) -> None:
    assert len(gamma_poisson(events, [7.0] * len(events)).estimate) == len(events)
    assert len(beta_binomial(events, [7] * len(events)).estimate) == len(events)


def test_posterior_intervals_hold_the_planted_rates() -> None:
    # 100 services of 12 bases: empirical Bayes intervals, nominal 95 %, hold 92-97 %
    rng = np.random.default_rng(4)
    hits = []
    for _ in range(100):
        hours = rng.uniform(30, 200, 12)
        rates = rng.gamma(4.0, 0.05, 12)
        found = gamma_poisson(rng.poisson(rates * hours), hours)
        hits.append((found.lower <= rates) & (rates <= found.upper))
    assert 0.92 <= np.mean(hits) <= 0.97


def test_mistakes_of_the_caller_are_errors() -> None:
    calls = [
        lambda: share_funnel([3], [2]),
        lambda: rate_funnel([-1], [2]),
        lambda: gamma_poisson([-1], [2]),
        lambda: beta_binomial([3], [2]),
    ]
    for call in calls:
        with pytest.raises(ValueError, match=r"."):
            call()


@pytest.mark.parametrize("tail", [0.001, 0.025, 0.5, 0.975, 0.999])
def test_quantiles_of_counts_are_those_of_scipy(tail: float) -> None:
    rng = np.random.default_rng(11)
    n, share = np.floor(10 ** rng.uniform(0, 6, 500)), rng.beta(0.3, 0.3, 500)
    mean, k = 10 ** rng.uniform(-2, 5, 500), 10 ** rng.uniform(-1, 6, 500)
    for ours, theirs in (
        (binomial(n, share), stats.binom(n, share)),
        (binomial(n, np.round(share)), stats.binom(n, np.round(share))),
        (poisson(mean), stats.poisson(mean)),
        (negative_binomial(k, k / (k + mean)), stats.nbinom(k, k / (k + mean))),
    ):
        count = ours.quantile(tail)
        assert (count == theirs.ppf(tail)).all()
        assert_allclose(ours.below(count), theirs.cdf(count), rtol=1e-9)
        assert_allclose(ours.below(count - 1), theirs.cdf(count - 1), rtol=1e-9)
    assert np.isnan(binomial([np.nan, 3], [0.5, np.nan]).quantile(tail)).all()
