"""Rates of clustered events: coverage by simulation, agreement with libraries, small numbers."""

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy import stats

from pipeline.statistics.clustered import (
    ClusteredRate,
    bootstrap_rate,
    clustered_rate,
    negative_binomial_k,
    t_quantile,
)
from pipeline.statistics.rate_model import RateModel, rate_model
from tests.bench.coverage import NAMES, SIZES, Stretches, confounded, rate_coverage, ratio_coverage


def test_negative_binomial_agrees_with_bliss_and_fisher() -> None:
    # Bliss and Fisher 1953, Biometrics 9:176, mites on 150 leaves (memory): k to five places
    mites = np.repeat(np.arange(8), [70, 38, 17, 10, 9, 3, 2, 1])
    assert_allclose([mites.mean(), mites.var(ddof=1)], [1.14667, 2.27365], atol=5e-6)
    assert_allclose(negative_binomial_k(mites), 1.02459, atol=1e-5)


def test_negative_binomial_agrees_with_statsmodels() -> None:
    for seed in range(6):
        rng = np.random.default_rng(seed)
        hours = rng.lognormal(0.2, 0.4, 300)
        events = rng.poisson(0.4 * hours * rng.gamma(0.7, 1 / 0.7, 300))
        model = sm.NegativeBinomial(events, np.ones(300), offset=np.log(hours))
        theirs = 1 / model.fit(disp=0, maxiter=200).params[1]
        assert_allclose(negative_binomial_k(events, hours), theirs, rtol=1e-3)


def test_counts_no_more_spread_than_chance_have_infinite_k() -> None:
    assert negative_binomial_k([0, 1, 0, 1, 1, 0, 1]) == np.inf
    assert np.isnan(negative_binomial_k([0, 0]))


def test_intervals_of_a_rate_hold_it_and_the_naive_one_does_not() -> None:
    # 60 trips, 30 events per 100 h, gamma factor of shape 0.5; standard error about 1 % (1.3 %
    # for the bootstrap)
    found = rate_coverage(60, 0.3, 0.5, runs=600, bootstraps=300)
    assert 0.93 <= found["quasi-Poisson"].share <= 0.97
    assert 0.93 <= found["bootstrap"].share <= 0.97
    assert found["naive"].share < 0.90


def test_adjusted_ratio_holds_the_planted_one_and_the_crude_does_not() -> None:
    # 600 trips, true ratio 1.8, small sizes run at a high share of their flow range
    found = ratio_coverage(600, 0.5, runs=400)
    assert 0.93 <= found["adjusted"].share <= 0.97
    assert found["crude"].share < 0.90
    assert found["answered"].share == 1


def fitted(data: Stretches, trip: np.ndarray | None) -> RateModel:
    return rate_model(
        data.events,
        data.hours,
        np.array(SIZES)[data.size.astype(int)],
        reference=SIZES[1],
        trip=trip,
        covariates=data.covariates,
        names=NAMES,
        per=100,
    )


def design(data: Stretches) -> np.ndarray:
    others = [data.size == k for k in (0, 2, 3)]
    return np.column_stack([np.ones(len(data.size)), *others, data.covariates]).astype(float)


def test_model_agrees_with_statsmodels() -> None:
    # coefficients of the Poisson model; standard errors of estimating equations with the
    # leverage correction of Mancl and DeRouen ("bias_reduced")
    data = confounded(np.random.default_rng(3), 300, 0.5)
    order = np.argsort(data.trip, kind="stable")
    theirs = sm.GEE(
        data.events[order],
        design(data)[order],
        groups=data.trip[order],
        family=sm.families.Poisson(),
        offset=np.log(data.hours[order]),
        cov_struct=sm.cov_struct.Independence(),
    ).fit(cov_type="bias_reduced", ctol=1e-10)
    ours = fitted(data, data.trip)
    ratios = [ours.groups[k].adjusted_ratio for k in (0, 2, 3)] + [e for _, e in ours.terms]
    assert_allclose([r.estimate for r in ratios], np.exp(theirs.params[1:]), rtol=1e-6)
    halves = np.array([np.log(r.upper / r.lower) / 2 for r in ratios])
    # the half-width is the standard error times a t quantile of at least 1.96
    multiples = halves / theirs.bse[1:]
    assert np.all(multiples > 1.9599)
    assert np.all(multiples < 2.6)


def test_rate_without_covariates_is_the_model_with_a_constant() -> None:
    rng = np.random.default_rng(5)
    hours = rng.lognormal(0.2, 0.4, 60)
    events = rng.poisson(0.4 * hours * rng.gamma(0.5, 2, 60)).astype(float)
    ours = clustered_rate(events, hours)
    model = rate_model(events, hours, ["a"] * 60, reference="a").groups[0]
    found = [ours.estimate, ours.lower, ours.upper]
    rate = model.adjusted_rate
    assert_allclose(found, [rate.estimate, rate.lower, rate.upper], rtol=1e-6)


def test_rows_of_a_trip_count_as_one_trip() -> None:
    # the same stretch split in two says nothing more
    data = confounded(np.random.default_rng(4), 200, 0.5)
    half = np.floor(data.events / 2)
    twice = Stretches(
        np.r_[half, data.events - half],
        np.r_[data.hours / 2, data.hours / 2],
        np.r_[data.size, data.size],
        np.r_[data.trip, data.trip],
        np.vstack([data.covariates, data.covariates]),
    )
    once, split = fitted(data, data.trip), fitted(twice, twice.trip)
    for a, b in zip(once.groups, split.groups, strict=True):
        assert_allclose(
            [a.adjusted_ratio.lower, a.adjusted_rate.upper, a.crude.upper],
            [b.adjusted_ratio.lower, b.adjusted_rate.upper, b.crude.upper],
            rtol=1e-6,
        )


def test_adjusted_rates_are_at_the_services_own_mix() -> None:
    # standardised by hand: every group's rate with each row's own covariates, weighted by hours
    data = confounded(np.random.default_rng(6), 300, 1.0)
    found = fitted(data, data.trip)
    model = sm.GLM(
        data.events, design(data), family=sm.families.Poisson(), offset=np.log(data.hours)
    ).fit(tol=1e-12)
    for k, column in ((0, 1), (1, 0), (2, 2), (3, 3)):
        matrix = design(data)
        matrix[:, 1:4] = 0
        matrix[:, column] = 1
        expected = (data.hours * np.exp(matrix @ model.params)).sum() / data.hours.sum() * 100
        rate = found.groups[k].adjusted_rate
        assert_allclose(rate.estimate, expected, rtol=1e-6)
        assert rate.lower < rate.estimate < rate.upper
    assert found.groups[1].adjusted_ratio.estimate == 1


def test_independent_events_have_dispersion_near_one_and_clustered_ones_more() -> None:
    rng = np.random.default_rng(7)
    hours = rng.lognormal(0.2, 0.4, 4000)
    even = clustered_rate(rng.poisson(0.5 * hours), hours)
    assert 0.9 < even.dispersion < 1.1
    # variance m + m^2 / shape at a mean of about 0.5 x 1.32 h: 1 + 0.66 x 1.17 / 0.5, roughly 2.5
    clustered = clustered_rate(rng.poisson(0.5 * hours * rng.gamma(0.5, 2, 4000)), hours)
    assert 2.0 < clustered.dispersion < 3.2
    assert clustered.upper - clustered.lower > clustered.naive_upper - clustered.naive_lower


def same(a: ClusteredRate, b: ClusteredRate) -> bool:
    return (a.lower, a.upper) == (b.lower, b.upper)


def test_degrees_of_freedom_are_twice_the_squared_mean_over_the_variance() -> None:
    # Pan and Wall 2002: a sum of squares with mean m and variance v is like m / df chi2(df),
    # whose df is 2 m^2 / v (computed)
    scores = np.array([1.0, 2.0, 1.0, 0.5, 3.0, 0.2])
    squares = scores**2
    freedom = 2 * squares.sum() ** 2 / ((squares - squares.mean()) ** 2).sum()
    assert_allclose(t_quantile(scores, 0.95), stats.t.ppf(0.975, freedom), rtol=1e-9)
    assert_allclose(t_quantile(np.ones(9), 0.95), stats.norm.ppf(0.975), rtol=1e-9)
    lone = t_quantile(np.r_[50.0, np.zeros(40)], 0.95)
    assert_allclose(lone, stats.t.ppf(0.975, 2 * 41 / 40), rtol=1e-6)


def test_bootstrap_is_the_same_for_the_same_seed_and_another_for_another() -> None:
    rng = np.random.default_rng(8)
    hours = rng.lognormal(0.2, 0.4, 80)
    events = rng.poisson(0.4 * hours)
    once = bootstrap_rate(events, hours, seed=1)
    assert "bootstrap" in once.method
    assert once.reason == ""
    np.random.default_rng(99).random(5)
    assert same(once, bootstrap_rate(events, hours, seed=1))
    assert not same(once, bootstrap_rate(events, hours, seed=2))
    assert once.lower < once.estimate < once.upper


def test_no_event_gets_the_exact_upper_bound_and_not_a_bootstrap_of_nothing() -> None:
    found = bootstrap_rate([0, 0, 0], [10.0, 5.0, 5.0], per=100, seed=1)
    assert (found.estimate, found.lower) == (0, 0)
    assert_allclose(found.upper, 100 * 3.6889 / 20, rtol=1e-4)
    assert found.method == "exact Poisson"
    assert found.reason == "No event."


def test_few_trips_with_an_event_are_not_redrawn() -> None:
    found = bootstrap_rate([3, 0, 0, 1], [1.0, 2.0, 1.0, 1.0], seed=1)
    assert found.method == "quasi-Poisson by trip"
    assert "Too few" in found.reason
    assert found.upper >= found.naive_upper


@pytest.mark.parametrize(
    ("events", "hours"), [([], []), ([0], [0]), ([2], [0]), ([2], [1]), ([2, 1], [0, 3])]
)
def test_a_trip_or_none_never_fails(events: list[float], hours: list[float]) -> None:
    for found in (clustered_rate(events, hours), bootstrap_rate(events, hours, seed=1)):
        assert found.reason != ""
        assert not np.isinf([found.estimate, found.upper]).any()


def test_missing_hours_leave_a_trip_out() -> None:
    found = clustered_rate([1, 2, np.nan, 4], [1, np.nan, 2, 1])
    assert (found.events, found.exposure, found.trips) == (5, 2, 2)


def test_a_size_without_an_event_is_too_few_and_leaves_the_others_alone() -> None:
    data = confounded(np.random.default_rng(9), 200, 0.5)
    found = fitted(data, data.trip)
    extra = Stretches(
        np.r_[data.events, 0.0, 0.0],
        np.r_[data.hours, 3.0, 4.0],
        np.r_[data.size, 0, 0],
        np.r_[data.trip, 900, 901],
        np.vstack([data.covariates, [[0, 0], [1, 0]]]),
    )
    labels = np.r_[np.array(SIZES)[data.size.astype(int)], ["none", "none"]]
    more = rate_model(
        extra.events,
        extra.hours,
        labels,
        reference=SIZES[1],
        trip=extra.trip,
        covariates=extra.covariates,
        names=NAMES,
    )
    empty = next(g for g in more.groups if g.label == "none")
    assert empty.too_few
    assert "no event" in empty.reason
    assert empty.crude.upper == pytest.approx(3.6889 / 7, rel=1e-4)
    assert np.isnan(empty.adjusted_ratio.estimate)
    kept = next(g for g in more.groups if g.label == SIZES[0])
    once, again = found.groups[0].adjusted_ratio, kept.adjusted_ratio
    assert_allclose([again.lower, again.upper], [once.lower, once.upper], rtol=1e-6)


def test_a_level_without_an_event_does_not_break_the_model() -> None:
    data = confounded(np.random.default_rng(10), 300, 0.5)
    asleep = (data.trip % 3 == 0).astype(float)
    events = np.where(asleep == 1, 0.0, data.events)
    found = rate_model(
        events,
        data.hours,
        np.array(SIZES)[data.size.astype(int)],
        reference=SIZES[1],
        trip=data.trip,
        covariates=np.column_stack([data.covariates, asleep]),
        names=[*NAMES, "asleep"],
    )
    assert found.dropped == ("asleep",)
    awake = asleep == 0
    without = rate_model(
        events[awake],
        data.hours[awake],
        np.array(SIZES)[data.size.astype(int)][awake],
        reference=SIZES[1],
        trip=data.trip[awake],
        covariates=data.covariates[awake],
        names=NAMES,
    )
    ours, theirs = found.groups[0].adjusted_ratio, without.groups[0].adjusted_ratio
    assert_allclose([ours.lower, ours.upper], [theirs.lower, theirs.upper], rtol=1e-6)
    # asleep hours count in the mix, with no event in them
    share = data.hours[awake].sum() / data.hours.sum()
    rates = [m.groups[0].adjusted_rate.estimate for m in (found, without)]
    assert_allclose(rates[0], rates[1] * share, rtol=1e-6)


def test_what_repeats_the_sizes_is_named_and_dropped() -> None:
    data = confounded(np.random.default_rng(11), 200, 0.5)
    repeated = np.column_stack([data.covariates, data.size == 0, 1 - data.covariates[:, 0]])
    found = rate_model(
        data.events,
        data.hours,
        np.array(SIZES)[data.size.astype(int)],
        reference=SIZES[1],
        trip=data.trip,
        covariates=repeated,
        names=[*NAMES, "under 3 kg", "low share"],
    )
    assert found.dropped == ("under 3 kg", "low share")
    same_ratio = fitted(data, data.trip).groups[0].adjusted_ratio
    assert found.groups[0].adjusted_ratio.estimate == pytest.approx(same_ratio.estimate)


@pytest.mark.parametrize(
    ("events", "hours", "group"),
    [
        ([], [], []),
        ([0, 0], [1, 1], ["a", "b"]),
        ([1, 0], [1, 1], ["a", "b"]),
        ([1, 2], [1, 1], ["b", "b"]),
        ([9, 9], [0, 0], ["a", "b"]),
        ([1] * 6 + [0] * 6, [1] * 12, ["a"] * 6 + ["b"] * 6),
        ([1] * 12, [1] * 12, ["a"] * 6 + ["b"] * 6),
    ],
)
def test_too_little_to_compare_says_so(
    events: list[float], hours: list[float], group: list[str]
) -> None:
    found = rate_model(events, hours, group, reference="a")
    for each in found.groups:
        assert each.too_few == bool(each.reason)
        assert each.too_few == bool(np.isnan(each.adjusted_ratio.estimate))
    if events.count(0) == 0 and len(events) == 12:
        assert not any(each.too_few for each in found.groups)


def test_rows_without_value_or_exposure_are_counted() -> None:
    data = confounded(np.random.default_rng(12), 150, 0.5)
    hours = data.hours.copy()
    hours[:3] = 0
    covariates = data.covariates.copy()
    covariates[5, 1] = np.nan
    found = rate_model(
        data.events,
        hours,
        np.array(SIZES)[data.size.astype(int)],
        reference=SIZES[1],
        trip=data.trip,
        covariates=covariates,
        names=NAMES,
    )
    unlabelled = np.array(SIZES, dtype=object)[data.size.astype(int)]
    unlabelled[[7, 8]] = [None, np.nan]
    more = rate_model(data.events, hours, unlabelled, reference=SIZES[1], trip=data.trip)
    assert [g.label for g in more.groups] == list(SIZES)
    assert more.rows_left_out == 5
    assert found.rows_left_out == 4
    assert found.events_left_out == data.events[[0, 1, 2, 5]].sum()


def test_mistakes_of_the_caller_are_errors() -> None:
    calls = [
        lambda: clustered_rate([-1], [1]),
        lambda: rate_model([1], [1], ["a", "b"], reference="a"),
        lambda: rate_model([1], [1], ["a"], reference="a", covariates=[[1.0]]),
        lambda: rate_model([-1], [1], ["a"], reference="a"),
    ]
    for call in calls:
        with pytest.raises(ValueError, match=r"."):
            call()
