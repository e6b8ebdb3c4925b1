"""Control charts against published examples, and their behaviour where numbers are small.

*Found* means seen in a copy of the source, *memory* typed from memory and agreeing with the
published answer, *computed* that only the arithmetic vouches for it.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from pipeline.statistics.charts import Chart
from pipeline.statistics.charts_attribute import laney_sigma_z, p_chart, u_chart
from pipeline.statistics.charts_time import g_chart, trips_between, xmr_chart
from pipeline.statistics.run_rules import signals
from pipeline.statistics.signal_sums import signal_sums

WAFERS = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14]
WAFERS += [16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
CANS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22]
CANS += [8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
HARMS, DAYS = [5, 7, 5, 7, 7, 5], [113, 132, 121, 134, 116, 131]
ATTENDED = [266501, 264225, 276532, 281461, 269071, 261215]
PATIENTS = [280443, 276823, 291681, 296155, 282343, 275888]
VALVES = [286, 948, 536, 124, 816, 729, 4, 143, 431, 8]
VALVES += [2837, 596, 81, 227, 603, 492, 1199, 1214, 2831, 96]
MASSES = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600]
MASSES += [324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]


def beyond(chart: Chart) -> list[int]:
    """Points beyond the 3-sigma limits."""
    return [s.index for s in signals(chart) if s.rule == "3-sigma"]


def test_c_chart_of_wafer_defects() -> None:
    # NIST/SEMATECH e-Handbook 6.3.3.1 (memory): exact; counts over equal opportunities are rates of
    # one unit each
    chart = u_chart(WAFERS, np.ones(25))
    assert (chart.centre[0], chart.lower[0], chart.upper[0]) == (16, 4, 28)
    assert beyond(chart) == [23]


def test_p_chart_of_juice_cans() -> None:
    # NIST/SEMATECH e-Handbook 6.3.3.2 (counts memory, mean found): to four places
    chart = p_chart(CANS, np.full(30, 50))
    found = [chart.centre[0], chart.lower[0], chart.upper[0]]
    assert_allclose(found, [0.2313, 0.0524, 0.4102], atol=5e-5)
    assert beyond(chart) == [14, 22]


def test_p_chart_with_two_points_left_out_of_the_baseline() -> None:
    # as above without samples 15 and 23 (computed): to four places
    baseline = np.ones(30, dtype=bool)
    baseline[[14, 22]] = False
    chart = p_chart(CANS, np.full(30, 50), baseline=baseline)
    found = [chart.centre[0], chart.lower[0], chart.upper[0]]
    assert_allclose(found, [0.2150, 0.0407, 0.3893], atol=5e-5)
    assert {14, 22} <= set(beyond(chart))


def test_u_chart_with_varying_denominators() -> None:
    # harms per 1000 patient days (data found in a published tutorial, limits computed)
    chart = u_chart(HARMS, DAYS, per=1000)
    assert_allclose(chart.centre[0], 48.19, atol=5e-3)
    wanted = [110.15, 105.52, 108.06, 105.09, 109.34, 105.73]
    assert_allclose(chart.upper, wanted, atol=5e-3)
    assert_allclose(chart.lower, 0)


def test_laney_p_chart() -> None:
    # Laney 2002, Qual Eng 14:531; rows from Mohammed 2013, BMJ Qual Saf 22:362 (found); results
    # computed on these six rows: to the last place given
    chart = p_chart(ATTENDED, PATIENTS, laney=None)
    assert chart.kind == "p'"
    assert_allclose(chart.centre[0], 0.950492, atol=5e-7)
    assert_allclose(chart.sigma_z, 9.424, atol=5e-4)
    assert_allclose([chart.lower[0], chart.upper[0]], [0.93891, 0.96207], atol=5e-6)


def test_t_chart_of_valve_failures() -> None:
    # Montgomery, Introduction to Statistical Quality Control, valve failures (memory): an XmR chart
    # of times to the power 0.2777; mean 5.3866, mean moving range 2.3592, upper limit 11.662 with
    # 3 / d2 rounded to 2.66 (11.661 with d2 = 1.128), about 6942 hours
    chart = xmr_chart(np.array(VALVES) ** 0.2777)
    assert_allclose(chart.centre[0], 5.3866, atol=5e-5)
    assert_allclose((chart.upper[0] - chart.centre[0]) * 1.128 / 3, 2.3592, atol=5e-5)
    assert_allclose(chart.upper[0], 11.662, atol=1.5e-3)
    assert_allclose(chart.upper[0] ** (1 / 0.2777), 6942, atol=4)
    assert chart.lower[0] < 0, "no time is too short to be ordinary"
    assert signals(chart) == ()


def test_g_chart() -> None:
    # Benneyan 2001, Health Care Manag Sci 4:305 (computed): gaps do not count the event itself
    chart = g_chart([23, 39, 15, 34, 1])
    assert_allclose([chart.centre[0], chart.upper[0]], [22.4, 91.08], atol=5e-3)
    assert chart.lower[0] == 0


def test_g_chart_runs_are_about_the_median_of_the_geometric_distribution() -> None:
    for mean in (0.3, 1.0, 4.0, 22.4, 150.0):
        chart = g_chart([0, 2 * mean])
        assert chart.middle[0] == stats.geom.median(1 / (mean + 1)) - 1


def test_cusum_of_masses() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.3 (memory): to the last place given; these sums go on after
    # they pass the limit
    w = np.array(MASSES) - 325 - 0.3175
    sums = signal_sums(w, np.inf).sums
    assert_allclose(sums[[12, 13, 19]], [3.0075, 4.94, 19.035], atol=5e-5)
    assert np.flatnonzero(signal_sums(w, 4.1959).signal)[0] == 13
    assert not signal_sums(-w - 2 * 0.3175, 4.1959).signal.any()


def test_cusum_takes_a_hundred_and_sixty_eight_points_to_a_false_alarm() -> None:
    # average run length in control for k = 0.5, h = 4: 168 (Montgomery, Introduction to
    # Statistical Quality Control, table of two-sided CUSUM; memory); within 4 standard errors
    x = np.random.default_rng(3).standard_normal((2000, 1500))
    either = signal_sums(x - 0.5, 4.0).signal | signal_sums(-x - 0.5, 4.0).signal
    assert either.any(axis=0).all()
    lengths = either.argmax(axis=0) + 1
    assert abs(lengths.mean() - 168) < 4 * lengths.std() / np.sqrt(1500)


def test_later_months_do_not_move_frozen_limits() -> None:
    events, hours = np.array([4.0] * 12 + [40.0] * 6), np.full(18, 100.0)
    for baseline in (12, slice(0, 12), [True] * 12 + [False] * 6):
        chart = u_chart(events, hours, baseline=baseline)
        assert_allclose(chart.centre, 0.04)
        assert beyond(chart) == [12, 13, 14, 15, 16, 17]
        assert chart.phases[0].baseline == tuple(range(12))


def test_a_new_phase_starts_only_at_a_documented_change() -> None:
    x = np.array([10.0, 11, 9, 10] * 5 + [20.0, 21, 19, 20] * 5)
    assert len(xmr_chart(x, baseline=12).phases) == 1
    chart = xmr_chart(x, baseline=12, changes=[20])
    assert [(p.start, p.stop) for p in chart.phases] == [(0, 20), (20, 40)]
    assert chart.phases[1].baseline == tuple(range(20, 32))
    assert_allclose(chart.centre[[0, 39]], [10, 20])
    assert not chart.provisional
    sliced = xmr_chart(x, baseline=slice(0, 12), changes=[20])
    assert sliced.phases[1].baseline == tuple(range(20, 32))


def test_a_change_outside_the_series_is_an_error() -> None:
    for change in (0, 5, -1):
        with pytest.raises(ValueError, match="change"):
            xmr_chart([1, 2, 3, 4, 5], changes=[change])


def test_few_points_are_provisional_and_say_so() -> None:
    chart = u_chart(HARMS, DAYS)
    assert chart.provisional
    assert "6 points" in chart.reason
    assert not u_chart(WAFERS[:12], np.ones(12)).provisional


def test_a_month_without_denominator_is_a_gap_and_never_a_signal() -> None:
    for chart in (u_chart([3, 0, 4, 2], [50, 0, 60, 40]), p_chart([3, 0, 4, 2], [50, 0, 60, 40])):
        gap = [chart.value[1], chart.lower[1], chart.upper[1], chart.z[1]]
        assert np.isnan(gap).all()
        assert np.isfinite(chart.centre[1])
        assert all(s.index != 1 for s in signals(chart))


@pytest.mark.parametrize(
    "chart",
    [
        u_chart([0] * 14, [50] * 14),
        p_chart([0] * 14, [50] * 14),
        p_chart([50] * 14, [50] * 14),
        u_chart([0] * 14, [1] * 14),
        g_chart([0] * 14),
        xmr_chart([7] * 14),
        u_chart([0, 0], [0, 0]),
        u_chart([], []),
        xmr_chart([5]),
    ],
)
def test_nothing_to_draw_limits_from_gives_no_limits_and_no_signal(chart: Chart) -> None:
    assert np.isnan(chart.lower).all()
    assert np.isnan(chart.upper).all()
    assert signals(chart) == ()
    assert chart.provisional
    assert chart.reason.startswith("No limits")


def test_an_event_after_an_all_zero_baseline_is_not_an_infinite_signal() -> None:
    chart = u_chart([0] * 12 + [1], [50] * 13, baseline=12)
    assert signals(chart) == ()
    assert not np.isinf(chart.z).any()


def test_incomplete_months_are_shown_but_do_nothing() -> None:
    events, hours = np.array([4.0, 5, 3, 4, 90]), np.full(5, 100.0)
    chart = u_chart(events, hours, incomplete=[False] * 4 + [True])
    assert chart.value[4] == 0.9
    assert_allclose(chart.centre[0], 0.04)
    assert signals(chart) == ()
    assert beyond(u_chart(events, hours, baseline=4)) == [4]


def test_laney_never_tightens_and_is_chosen_once() -> None:
    even = np.array([10.0, 10.0, 11.0, 10.0] * 6)  # less varied than chance
    hours = np.full(24, 100.0)
    plain, wide = u_chart(even, hours), u_chart(even, hours, laney=True)
    assert laney_sigma_z(plain.value, plain.centre[0], np.sqrt(plain.centre / hours)) < 1
    assert_allclose(wide.upper, plain.upper)
    assert u_chart(even, hours, laney=None).kind == "u"
    uneven = np.array([2.0, 30.0] * 12)
    later = u_chart(np.r_[uneven, even], np.r_[hours, hours], laney=None, changes=[24])
    assert later.kind == "u'"
    assert later.phases[0].sigma_z > 3
    assert later.phases[1].sigma_z == 1.0
    first = u_chart(np.r_[even, uneven], np.r_[hours, hours], laney=None, changes=[24])
    assert first.kind == "u"


def test_limits_hold_as_often_as_normal_theory_says() -> None:
    # a u chart at a mean of 400 events is nearly normal: 0.27 % beyond 3 sigma
    rng = np.random.default_rng(5)
    hours = rng.uniform(300, 500, 40_000)
    chart = u_chart(rng.poisson(hours), hours)
    share = np.mean((chart.value > chart.upper) | (chart.value < chart.lower))
    error = np.sqrt(0.0027 * 0.9973 / 40_000)
    assert abs(share - 0.0027) < 4 * error


def test_gaps_count_the_trips_between_two_events() -> None:
    gaps, since = trips_between([0, 1, 0, 0, 1, 1, 0])
    assert gaps.tolist() == [2, 0]
    assert since == 1
    none, all_of_them = trips_between([0, 0, 0])
    assert len(none) == 0
    assert all_of_them == 3


def test_mistakes_of_the_caller_are_errors() -> None:
    calls = [
        lambda: u_chart([-1], [1]),
        lambda: p_chart([3], [2]),
        lambda: g_chart([-1]),
        lambda: u_chart([[1, 2]], [[1, 1]]),
        lambda: u_chart([1, 2], [1, 1], baseline=[True]),
        lambda: u_chart([1, 2], [1, 1], baseline=0),
    ]
    for call in calls:
        with pytest.raises(ValueError, match=r"."):
            call()
