"""Power against what theory gives, and before-and-after comparisons."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from pipeline.statistics.before_after import before_after, windows
from pipeline.statistics.power import count_power, gap_power, share_power, value_power
from pipeline.statistics.run_rules import ZONE_RULES
from pipeline.statistics.share_ratio import share_ratio

ONE_POINT = ZONE_RULES[:1]
BEYOND_LIMITS = {"laney": False, "rules": ONE_POINT, "horizon": 12}
"""A year of a plain chart on which only a point beyond the limits is a signal."""


def test_false_alarms_approach_the_published_run_lengths() -> None:
    # with large counts and a long baseline a year's chance of a false alarm is that of normal
    # points: 12 x 0.0027 false alarms for 3 sigma alone (Champ and Woodall 1987 give run length
    # 370.4), and about 1 - (1 - 1 / 91.75)^12 = 12.3 % of years with one for the four rules
    few = count_power(40.0, [1000.0], rules=ONE_POINT, baseline_months=300, runs=8000, horizon=12)
    error = np.sqrt(12 * 0.0027 / 8000)
    assert abs(few.false_alarms - 12 * 0.0027) < 4 * error
    four = count_power(40.0, [1000.0], baseline_months=300, runs=8000, horizon=12, laney=False)
    assert 0.10 < four.false_alarm_years < 0.15


def test_wait_for_a_doubling_is_geometric_under_one_rule() -> None:
    # one rule and a known centre: a month signals with the chance q that a doubled Poisson count
    # passes the limit, so the median wait is log(1/2) / log(1 - q), rounded up
    rate, hours = 0.06, 100.0
    limit = rate * hours + 3 * np.sqrt(rate * hours)
    q = stats.poisson.sf(np.floor(limit), 2 * rate * hours)
    wait = int(np.ceil(np.log(0.5) / np.log1p(-q)))
    found = count_power(
        rate, [hours], rules=ONE_POINT, baseline_months=1000, runs=2000, laney=False, horizon=40
    )
    assert abs(found.doubling.median_months - wait) <= 1
    within = 1 - (1 - q) ** 12
    assert_allclose(found.doubling.within_year, within, atol=0.04)


def test_wait_for_a_doubled_share_is_geometric_under_one_rule() -> None:
    share, trips = 0.1, 50
    limit = trips * share + 3 * np.sqrt(trips * share * (1 - share))
    q = stats.binom.sf(np.floor(limit), trips, 2 * share)
    found = share_power(
        share, [trips], rules=ONE_POINT, baseline_months=1000, runs=2000, laney=False, horizon=40
    )
    assert_allclose(found.doubling.within_year, 1 - (1 - q) ** 12, atol=0.04)


def test_more_volume_notices_sooner_and_clustering_later() -> None:
    small = count_power(0.2, [20.0])
    large = count_power(0.2, [200.0])
    rough = count_power(0.2, [200.0], dispersion=4.0)
    assert large.doubling.median_months < small.doubling.median_months
    assert large.halving.median_months < small.halving.months_for_90
    assert rough.doubling.within_year <= large.doubling.within_year
    assert rough.halving.median_months > large.halving.median_months


def test_laney_limits_cry_wolf_less_where_counts_cluster() -> None:
    plain = count_power(0.2, [200.0], dispersion=4.0, laney=False)
    wide = count_power(0.2, [200.0], dispersion=4.0)
    assert wide.false_alarm_years < 0.6 * plain.false_alarm_years


def test_planted_dispersion_is_the_dispersion_drawn() -> None:
    # at three times the variance a 3-sigma rule fires as often as a normal point beyond
    # 3 / sqrt(3) sigma, give or take skewness
    found = count_power(
        40.0, [100.0], dispersion=3.0, **BEYOND_LIMITS, baseline_months=300, runs=4000
    )
    expected = 12 * 2 * stats.norm.sf(3 / np.sqrt(3))
    assert_allclose(found.false_alarms, expected, rtol=0.06)
    share = share_power(
        0.4, [4000], dispersion=3.0, **BEYOND_LIMITS, baseline_months=300, runs=4000
    )
    assert_allclose(share.false_alarms, expected, rtol=0.06)


def test_small_months_of_a_clustered_share_are_beta_binomial() -> None:
    # variance 2 n p (1 - p) at n = 5: correlation (2 - 1) / (5 - 1), so the two parameters add to 3
    limit = 5 * 0.1 + 3 * np.sqrt(5 * 0.1 * 0.9)
    q = stats.betabinom.sf(np.floor(limit), 5, 0.3, 2.7)
    found = share_power(0.1, [5], dispersion=2.0, **BEYOND_LIMITS, baseline_months=1000, runs=3000)
    assert_allclose(found.false_alarms, 12 * q, rtol=0.06)


def test_same_seed_same_figures() -> None:
    assert count_power(0.2, [50.0], seed=3) == count_power(0.2, [50.0], seed=3)
    assert count_power(0.2, [50.0], seed=3) != count_power(0.2, [50.0], seed=4)


def test_small_or_impossible_cases_do_not_fail() -> None:
    above = share_power(0.6, [50])
    assert np.isnan([above.doubling.median_months, above.doubling.within_year]).all()
    assert np.isfinite(above.halving.median_months)
    none = count_power(0.0, [50.0])
    assert np.isnan(none.doubling.median_months)
    assert none.false_alarms == 0
    gaps = count_power(0.2, [70.0, 0.0, 50.0])
    assert np.isfinite(gaps.doubling.median_months)
    single = share_power(0.1, [1], baseline_months=12)
    assert np.isfinite(single.false_alarms)


def test_months_without_volume_are_waited_through() -> None:
    # every other month empty: the k-th point comes in month 2k - 1
    every = count_power(0.5, [20.0], laney=False, runs=4000)
    second = count_power(0.5, [20.0, 0.0], baseline_months=48, laney=False, horizon=120, runs=4000)
    for a, b in ((every.doubling, second.doubling), (every.halving, second.halving)):
        assert_allclose(b.months_for_90, 2 * a.months_for_90 - 1, atol=2)
    assert_allclose(second.false_alarms, every.false_alarms / 2, atol=0.05)


def test_rare_events_growing_more_frequent_are_noticed() -> None:
    found = gap_power(0.03, 50)
    assert found.doubling.median_months >= 1
    assert found.doubling.median_months < found.doubling.months_for_90
    busy = gap_power(0.03, 500)
    assert busy.doubling.median_months < found.doubling.median_months
    assert np.isnan(gap_power(0.7, 50).doubling.median_months)


def test_gap_false_alarms_are_those_of_geometric_gaps() -> None:
    # 3 sigma alone and a long baseline: P(gap > limit) per gap, about 12 x 50 x 0.04 gaps a year
    share, trips = 0.04, 50
    mean = (1 - share) / share
    limit = np.floor(mean + 3 * np.sqrt(mean * (mean + 1)))
    q = (1 - share) ** (limit + 1)
    found = gap_power(share, trips, baseline_events=2000, rules=ONE_POINT, runs=4000)
    assert_allclose(found.false_alarms, 12 * trips * share * q, rtol=0.15)


def test_values_that_vary_little_are_noticed_at_once() -> None:
    rng = np.random.default_rng(1)
    calm = value_power(rng.normal(40, 3, 24))
    rough = value_power(rng.normal(40, 30, 24))
    assert calm.doubling.median_months == 1
    assert rough.doubling.median_months > 1
    with pytest.raises(ValueError, match="12 months"):
        value_power([1.0] * 11)


def test_windows_leave_out_training_and_what_prompted_it() -> None:
    found = windows(range(30), training=15, prompted=[13, 14], before=12, after=6)
    assert np.flatnonzero(found.before).tolist() == list(range(3, 13))
    assert np.flatnonzero(found.after).tolist() == list(range(16, 22))
    short = windows(range(6), training=4, prompted=[1, 2, 3])
    assert (short.before.sum(), short.after.sum()) == (1, 1)


def test_before_and_after_is_the_exact_ratio_of_the_windows() -> None:
    window = windows(range(6), training=3, before=3, after=2)
    events, trips = np.array([4, 5, 6, 9, 2, np.nan]), np.array([10, 10, 10, 10, 12, 9])
    found = before_after(events, trips, window)
    assert (found.before_events, found.after_events) == (15, 2)
    assert (found.before_trips, found.after_trips) == (30, 12)
    assert found.ratio == share_ratio(2, 12, 15, 30)
    assert not found.too_few


def test_regression_to_the_mean_is_real() -> None:
    # 40 bases of one and the same rate: the worst of a year is better the next, untrained
    rng = np.random.default_rng(2)
    ratios = []
    window = windows(range(25), training=12, before=12, after=12)
    for _ in range(200):
        events = rng.binomial(30, 0.1, (40, 25))
        worst = events[:, :12].sum(axis=1).argmax()
        found = before_after(events[worst], np.full(25, 30), window)
        ratios.append(found.ratio.ratio)
    assert np.mean(ratios) < 0.85


def test_an_empty_window_says_so() -> None:
    window = windows(range(3), training=0)
    found = before_after([1, 2, 3], [4, 4, 4], window)
    assert found.too_few
    assert found.before_trips == 0
    assert np.isnan(found.ratio.ratio)
    quiet = before_after([0, 0, 0], [1, 1, 1], windows(range(3), 1))
    assert quiet.too_few
