"""Bases side by side: hierarchical rates, the test before any naming, its power."""

import numpy as np
from numpy.testing import assert_allclose
from scipy import stats

from pipeline.statistics.base_rates import (
    hierarchical_rates,
    named_side,
    power_of_rates,
    rates_differ,
    shares_differ,
)
from pipeline.statistics.funnels import clustered_limits

EVENTS = np.array([25, 20, 30, 8, 4])
HOURS = np.array([104.0, 90, 75, 64, 41])
K_EFF = 0.45 * np.array([84, 72, 60, 51, 33])


def test_hierarchical_rates() -> None:
    # computed: a fine grid; importance sampling gives 33.10, 16.05, 15.39 and 57.41
    found = hierarchical_rates(EVENTS, HOURS, K_EFF)
    assert_allclose(found.estimate, [23.24, 22.02, 33.03, 16.09, 15.43], atol=0.1)
    assert_allclose([found.lower[2], found.upper[2]], [20.05, 57.41], atol=0.1)
    assert_allclose(found.estimate[2:], [33.10, 16.05, 15.39], atol=0.01)


def test_hierarchical_rates_agree_with_importance_sampling() -> None:
    # draws of centre and spread weighed by scipy's likelihood, with each base's rate drawn as well
    rng = np.random.default_rng(0)
    x, t, k = EVENTS[:3], HOURS[:3], K_EFF[:3]
    found = hierarchical_rates(x, t, k)
    draws = 600_000
    centre, tau = rng.normal(np.log(0.27), 1.0, draws), rng.uniform(0.02, 1.6, draws)
    log_rate = centre[:, None] + tau[:, None] * rng.standard_normal((draws, 3))
    mean = np.exp(log_rate) * t
    weight = stats.nbinom.logpmf(x, k, k / (k + mean)).sum(axis=1)
    weight -= stats.norm.logpdf(centre, np.log(0.27), 1.0)  # the centre is flat
    weight = np.exp(weight - weight.max())
    for base in range(3):
        order = np.argsort(log_rate[:, base])
        share = np.cumsum(weight[order]) / weight.sum()
        quantile = np.exp(np.interp([0.025, 0.5, 0.975], share, log_rate[order, base])) * 100
        mine = [found.lower[base], found.estimate[base], found.upper[base]]
        assert_allclose(mine, quantile, rtol=0.03)


def test_chi_square_of_bases() -> None:
    # computed
    found = rates_differ(EVENTS, HOURS, K_EFF, seed=0)
    assert_allclose(found.statistic, 9.419, atol=5e-4)
    assert found == rates_differ(EVENTS, HOURS, K_EFF, seed=0)


def test_p_values_agree_with_scipy_where_counts_are_large() -> None:
    x, t = np.array([400, 460, 420, 380]), np.full(4, 1000.0)
    found = rates_differ(x, t, np.full(4, 1e6), seed=1, draws=20_000)
    theirs = stats.chisquare(x)
    assert_allclose(found.statistic, theirs.statistic, rtol=1e-3)
    assert_allclose(found.p_value, theirs.pvalue, atol=0.005)
    shares = shares_differ(x, t, seed=1, draws=20_000)
    theirs = stats.chi2_contingency(np.array([x, t - x]))
    assert_allclose(shares.statistic, theirs.statistic)
    assert_allclose(shares.p_value, theirs.pvalue, atol=0.005)


def test_p_values_are_even_where_nothing_differs() -> None:
    rng = np.random.default_rng(2)
    k, mean = K_EFF, 0.23 * HOURS
    drawn = rng.negative_binomial(k, k / (k + mean), (400, 5))
    p = [rates_differ(x, HOURS, k, seed=i, draws=400).p_value for i, x in enumerate(drawn)]
    assert stats.kstest(p, "uniform").pvalue > 0.001
    drawn = rng.binomial(40, 0.1, (400, 5))
    p = [shares_differ(x, np.full(5, 40), seed=i, draws=400).p_value for i, x in enumerate(drawn)]
    assert np.mean(np.array(p) < 0.05) < 0.08


def test_a_base_is_named_under_both_conditions_only() -> None:
    low, high = [10, 24, 5, np.nan], [30, 40, 19, np.nan]
    assert named_side(low, high, 20.0, 0.01).tolist() == [0, 1, -1, 0]
    assert not named_side(low, high, 20.0, 0.05).any()
    assert not named_side(low, high, 20.0, np.nan).any()


def test_too_little_to_compare() -> None:
    nothing = hierarchical_rates([0, 0], [10, 10], [4, 4])
    assert np.isnan(nothing.estimate).all()
    assert np.isnan(hierarchical_rates([5], [10], [4]).estimate).all()
    gone = hierarchical_rates([5, 2, 0], [10, 12, 0], [4, 4, np.nan])
    assert np.isnan(gone.estimate).tolist() == [False, False, True]
    assert np.isnan(rates_differ([0, 0], [1, 1], [4, 4], seed=0).p_value)
    assert np.isnan(shares_differ([4, 4], [4, 4], seed=0).p_value)
    assert not named_side([3], [4], 1.0, shares_differ([4], [9], seed=0).p_value).any()


def test_power_of_a_year_grows_with_its_hours() -> None:
    found = [power_of_rates(n * HOURS, n * K_EFF, 0.23, seed=3) for n in (0.5, 1, 4)]
    assert found == sorted(found)
    assert power_of_rates(HOURS, K_EFF, 0.23, 1.0, seed=3, draws=2000) < 0.08


def test_funnel_limits_of_clustered_events() -> None:
    apart = clustered_limits(HOURS, 1e6, 23.0, per=100)
    for level in (0.95, 0.998):
        # independent events: scipy's count is the first at which the tail is reached, and the limit
        # lies between it and the one before
        low, high = clustered_limits(HOURS, 1e6, 23.0, per=100, level=level)
        for limit, tail in ((low, (1 - level) / 2), (high, (1 + level) / 2)):
            count = stats.poisson.ppf(tail, 0.23 * HOURS)
            assert (
                (limit * HOURS / 100 <= count + 0.01) & (limit * HOURS / 100 > count - 1.01)
            ).all()
    low, high = clustered_limits([*HOURS, 0], [*K_EFF, np.nan], 23.0, per=100)
    assert np.isnan([low[-1], high[-1]]).all()
    assert (high[:-1] > apart[1]).all()
    # about 1 in 1000 of drawn counts lies above the outer limit
    drawn = np.random.default_rng(0).negative_binomial(
        K_EFF, K_EFF / (K_EFF + 0.23 * HOURS), (200_000, 5)
    )
    above = np.mean(100 * drawn / HOURS > high[:-1], axis=0)
    assert ((above > 0.0003) & (above < 0.002)).all()
