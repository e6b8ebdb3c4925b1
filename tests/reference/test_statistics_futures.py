"""Thresholds from simulated futures, power, and trips that are missing."""

import time

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pipeline.statistics.missing_trips import (
    certainty,
    completed_rates,
    completed_shares,
    completed_sums,
)
from pipeline.statistics.service_dispersion import service_dispersion
from pipeline.statistics.signal_family import rate_charts
from pipeline.statistics.signal_futures import Futures, RateMonths, ShareMonths, draw_futures
from pipeline.statistics.signal_sums import rate_increment, share_increment, signal_sums
from pipeline.statistics.signal_thresholds import (
    YEARLY_BUDGET,
    by_chart,
    heights,
    noticed_in_100,
    signals_a_year,
    twelve_month_volume,
    volume_stays,
)
from tests.bench.services import Service, invented_service

SERVICE = invented_service(np.random.default_rng(1), trips_a_month=60, months=24)


@pytest.fixture(scope="module")
def futures() -> Futures:
    return draw_futures(SERVICE.rates, SERVICE.shares, SERVICE.dispersion, seed=5)


def test_false_signals_keep_to_the_budget_in_futures_not_used(futures: Futures) -> None:
    found = heights(futures.unchanged, SERVICE.groups)
    assert found.keys() == YEARLY_BUDGET.keys()
    others = draw_futures(SERVICE.rates, SERVICE.shares, SERVICE.dispersion, seed=6)
    h = np.nan_to_num(by_chart(found, SERVICE.groups), nan=np.inf)
    rate = signals_a_year(others.unchanged, h)
    for group, budget in YEARLY_BUDGET.items():
        own = rate[np.array(SERVICE.groups) == group].sum()
        # 6,000 years: a standard error of about 1 / sqrt(6000 budget)
        assert_allclose(own, budget, rtol=4 * np.sqrt(2 / (6000 * budget)) + 0.02)


def test_watch_is_lower_and_says_four_times_as_much(futures: Futures) -> None:
    headline = heights(futures.unchanged, SERVICE.groups)
    watch = heights(futures.unchanged, SERVICE.groups, times=4)
    for group in YEARLY_BUDGET:
        assert watch[group] < headline[group]
        own = np.array(SERVICE.groups) == group
        found = signals_a_year(futures.unchanged[:, own], np.full(own.sum(), watch[group]))
        assert found.sum() <= 4 * YEARLY_BUDGET[group]


def test_the_quick_count_is_that_of_the_sums(futures: Futures) -> None:
    w = futures.unchanged[:, :4, :200]
    found = signal_sums(w, 1.3).signal.sum(axis=(0, 2)) / (3 * 200)
    assert_allclose(signals_a_year(w, np.full(4, 1.3)), found, rtol=1e-6)


def test_the_same_seed_gives_the_same_futures(futures: Futures) -> None:
    again = draw_futures(SERVICE.rates, SERVICE.shares, SERVICE.dispersion, seed=5)
    assert (again.unchanged == futures.unchanged).all()
    assert (again.changed == futures.changed).all()


def test_an_empty_groups_budget_is_not_spent() -> None:
    found = draw_futures(SERVICE.rates, None, SERVICE.dispersion, seed=5, futures=200)
    assert found.unchanged.shape == (36, 1 + SERVICE.rates.events.shape[1], 200)
    groups = SERVICE.groups[: found.unchanged.shape[1]]
    assert heights(found.unchanged, groups).keys() == {"service", "sizes"}
    nothing = draw_futures(None, None, service_dispersion([], [], []), seed=1)
    assert heights(nothing.unchanged, ()) == {}


def test_a_size_never_used_and_a_service_without_hours_are_no_charts() -> None:
    zero = np.zeros((24, 2))
    none = draw_futures(RateMonths(zero, zero, zero), None, SERVICE.dispersion, seed=1, futures=50)
    assert not none.unchanged.any()


def test_more_is_noticed_where_there_is_more(futures: Futures) -> None:
    h = by_chart(heights(futures.unchanged, SERVICE.groups), SERVICE.groups)
    found = noticed_in_100(futures.changed, h)
    assert np.isnan(found[np.array(SERVICE.groups) == ""]).all()
    sizes = np.flatnonzero(np.array(SERVICE.groups) == "sizes")
    events = SERVICE.rates.events.sum(axis=0)
    assert found[sizes[events.argmax()]] > found[sizes[events.argmin()]] + 10
    assert found[0] > 80
    unchanged = noticed_in_100(futures.unchanged[:12], h)
    assert np.nanmax(unchanged) < 20


def test_a_family_is_calibrated_within_a_second_and_a_half_of_processor() -> None:
    start = time.process_time()
    found = draw_futures(SERVICE.rates, SERVICE.shares, SERVICE.dispersion, seed=7)
    headline = heights(found.unchanged, SERVICE.groups)
    heights(found.unchanged, SERVICE.groups, times=4)
    noticed_in_100(found.changed, by_chart(headline, SERVICE.groups))
    assert len(SERVICE.groups) >= 28
    assert time.process_time() - start < 1.5


def test_volume() -> None:
    assert twelve_month_volume(np.full(20, 5.0)) == twelve_month_volume(np.full(7, 5.0)) == 60
    assert volume_stays(60, 60)
    assert not volume_stays(60, 39.9)
    assert not volume_stays(60, 90)
    assert not volume_stays(60, float("nan"))


# ---- missing trips


def last_month(service: Service, missing: int, extra: int = 0) -> tuple[str, ...]:
    """What the charts of occlusion rates say of the last month with ``missing`` trips taken out."""
    k = np.full(24, service.dispersion.k)
    rates, at = service.rates, 23
    own = service.trip_hours[service.trip_month == at]
    gone = own[:missing]
    t, q = rates.hours.copy(), rates.hours_squared.copy()
    t[at] -= gone.sum(axis=0)
    q[at] -= (gone**2).sum(axis=0)
    x = rates.events.copy()
    x[at, 3] += extra
    charts = rate_charts(RateMonths(x, t, q), k)
    done = completed_rates(
        x[at], t[at], q[at], level=charts.level[at, 1:], k=k[at],
        own_trips=service.trip_hours, missing=missing, seed=3,
    )  # fmt: skip
    sums = (completed_sums(np.zeros(len(done.usual)), w) for w in (done.usual, done.worst))
    return certainty(*sums, np.full(len(done.usual), 3.0))


def test_many_extra_events_are_sure_whatever_two_missing_trips_hold() -> None:
    sentence = last_month(SERVICE, missing=2, extra=34)
    assert sentence[0] == sentence[4] == "sure"


def test_one_missing_trip_leaves_almost_every_chart_settled() -> None:
    sentence = [
        certainty
        for seed in range(12)
        for certainty in last_month(
            invented_service(np.random.default_rng(seed), trips_a_month=60, months=24), missing=1
        )
    ]
    assert np.mean(np.array(sentence) != "depends") >= 0.98


def test_nothing_missing_changes_nothing() -> None:
    x, t = np.array([4.0, 2]), np.array([10.0, 12])
    q = np.array([15.0, 17])
    done = completed_rates(
        x, t, q, level=[0.2, 0.1], k=0.5, own_trips=[[1.0, 0]], missing=0, seed=1
    )
    expected = rate_increment(x, [2.0, 1.2], 0.5 * t**2 / q)
    assert_allclose(done.usual[1:], np.repeat(expected[:, None], 400, axis=1))
    assert_allclose(done.usual, done.worst)
    shares = completed_shares([3], [9], level=[0.1], own_trips=[[True], [False]], missing=0, seed=1)
    assert_allclose(shares.worst, share_increment(3, 9, 0.1))


def test_missing_trips_are_filled_in_as_usual_and_at_their_worst() -> None:
    done = completed_shares(
        [3, 0], [9, 9], level=[0.1, 0.1], own_trips=[[True, False], [True, True]], missing=20,
        seed=1, completions=4000,
    )  # fmt: skip
    # 20 and on average 10 more judged trips, a tenth of them deviations, or a quarter at 3 x odds
    w = share_increment(np.array([5, 1]), np.array([29, 19]), 0.1)
    assert_allclose(done.usual.mean(axis=1), w, atol=0.1)
    w = share_increment(3 + 20 * 0.25, 29, 0.1)
    assert_allclose(done.worst[0].mean(), w, atol=0.1)


def test_certainty() -> None:
    low, high = np.array([[4.0], [1], [1]]), np.array([[5.0], [4], [2]])
    assert certainty(low, high, [3, 3, 3]) == ("sure", "depends", "ordinary")
    chained = completed_sums(low, -2 * np.ones((3, 1)))
    assert chained.tolist() == [[2], [0], [0]]


def test_a_rule_without_charts_at_bases_has_futures_of_its_own() -> None:
    judged = np.full((12, 2), 40.0)
    months = ShareMonths(
        np.full((12, 2), 4.0), judged, np.array([-1, -1]), np.zeros((12, 2), dtype=bool)
    )
    found = draw_futures(None, months, service_dispersion([], [], []), seed=1, futures=50)
    assert found.unchanged.shape == (36, 2, 50)
    assert found.unchanged.any(axis=(0, 2)).all()
    # tripled odds add up where nothing changed falls
    assert found.changed.mean() > 0 > found.unchanged.mean()
