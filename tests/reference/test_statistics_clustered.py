"""Rates of clustered events: coverage by simulation, agreement with libraries, small numbers."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.genmod.families import Poisson
from statsmodels.genmod.generalized_linear_model import GLM

from pipeline.statistics.rate_model import RateModel, rate_model
from tests.bench.coverage import NAMES, SIZES, Stretches, confounded, ratio_coverage
from tests.deep import with_deep

K = 0.5
"""Of the generator, where the test does not say otherwise."""


@with_deep
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
        k=K,
        trip=trip,
        covariates=data.covariates,
        names=NAMES,
        per=100,
    )


def design(data: Stretches) -> np.ndarray:
    others = [data.size == k for k in (0, 2, 3)]
    return np.column_stack([np.ones(len(data.size)), *others, data.covariates]).astype(float)


def test_model_agrees_with_statsmodels() -> None:
    # coefficients of the Poisson model, and the covariance of Liang and Zeger 1986 written out:
    # events of a trip at one size have covariance diag(m) + m m' / k
    data = confounded(np.random.default_rng(3), 300, 0.5)
    theirs = GLM(data.events, design(data), family=Poisson(), offset=np.log(data.hours)).fit(
        tol=1e-12
    )
    m = theirs.mu
    same = np.equal.outer(data.trip, data.trip) & np.equal.outer(data.size, data.size)
    bread = np.linalg.inv(design(data).T @ np.diag(m) @ design(data))
    spread = design(data).T @ (np.diag(m) + np.outer(m, m) * same / K) @ design(data)
    errors = np.sqrt(np.diag(bread @ spread @ bread))[1:]
    ours = fitted(data, data.trip)
    ratios = [ours.groups[i].adjusted_ratio for i in (0, 2, 3)] + [e for _, e in ours.terms]
    assert_allclose([r.estimate for r in ratios], np.exp(theirs.params[1:]), rtol=1e-6)
    halves = np.array([np.log(r.upper / r.lower) / 2 for r in ratios])
    assert_allclose(halves, stats.norm.ppf(0.975) * errors, rtol=1e-5)


def test_crude_ratio_has_the_variance_of_two_clustered_counts() -> None:
    # 1/x1 + 1/k1 + 1/x0 + 1/k0, where each trip has one size
    data = confounded(np.random.default_rng(5), 300, 0.5)
    found = fitted(data, data.trip).groups[0].crude_ratio
    variance, rates = 0.0, []
    for size in (0, 1):
        own = data.size == size
        _, unit = np.unique(data.trip[own], return_inverse=True)
        x, t = data.events[own].sum(), np.bincount(unit, data.hours[own])
        variance += 1 / x + (t**2).sum() / (K * t.sum() ** 2)
        rates.append(x / t.sum())
    half = stats.norm.ppf(0.975) * np.sqrt(variance)
    ratio = rates[0] / rates[1]
    assert_allclose([found.lower, found.upper], ratio * np.exp([-half, half]), rtol=1e-6)


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
            [a.adjusted_ratio.lower, a.adjusted_rate.upper, a.crude_ratio.upper],
            [b.adjusted_ratio.lower, b.adjusted_rate.upper, b.crude_ratio.upper],
            rtol=1e-6,
        )


def test_adjusted_rates_are_at_the_services_own_mix() -> None:
    # standardised by hand: every group's rate with each row's own covariates, weighted by hours
    data = confounded(np.random.default_rng(6), 300, 1.0)
    found = fitted(data, data.trip)
    model = GLM(data.events, design(data), family=Poisson(), offset=np.log(data.hours)).fit(
        tol=1e-12
    )
    for k, column in ((0, 1), (1, 0), (2, 2), (3, 3)):
        matrix = design(data)
        matrix[:, 1:4] = 0
        matrix[:, column] = 1
        expected = (data.hours * np.exp(matrix @ model.params)).sum() / data.hours.sum() * 100
        rate = found.groups[k].adjusted_rate
        assert_allclose(rate.estimate, expected, rtol=1e-6)
        assert rate.lower < rate.estimate < rate.upper
    assert found.groups[1].adjusted_ratio.estimate == 1


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
        k=K,
        trip=extra.trip,
        covariates=extra.covariates,
        names=NAMES,
    )
    empty = next(g for g in more.groups if g.label == "none")
    assert empty.too_few
    assert "no event" in empty.reason
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
        k=K,
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
        k=K,
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
        k=K,
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
    found = rate_model(events, hours, group, reference="a", k=K)
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
        k=K,
        trip=data.trip,
        covariates=covariates,
        names=NAMES,
    )
    unlabelled = np.array(SIZES, dtype=object)[data.size.astype(int)]
    unlabelled[[7, 8]] = [None, np.nan]
    more = rate_model(data.events, hours, unlabelled, reference=SIZES[1], k=K, trip=data.trip)
    assert [g.label for g in more.groups] == list(SIZES)
    assert more.rows_left_out == 5
    assert found.rows_left_out == 4
    assert found.events_left_out == data.events[[0, 1, 2, 5]].sum()


def test_mistakes_of_the_caller_are_errors() -> None:
    calls = [
        lambda: rate_model([1], [1], ["a", "b"], reference="a", k=K),
        lambda: rate_model([1], [1], ["a"], reference="a", k=K, covariates=[[1.0]]),
        lambda: rate_model([-1], [1], ["a"], reference="a", k=K),
    ]
    for call in calls:
        with pytest.raises(ValueError, match=r"."):
            call()
