"""Zone rules, longest run and crossings against published values and a slow plain twin."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from scipy import stats

from pipeline.statistics.charts_attribute import u_chart
from pipeline.statistics.charts_time import g_chart, xmr_chart
from pipeline.statistics.run_rules import (
    ZONE_RULES,
    ZoneRule,
    chart_runs,
    runs_limits,
    runs_test,
    signals,
    zone_hits,
)
from tests.bench.coverage import run_lengths


@pytest.mark.parametrize(
    ("rules", "published", "runs", "longest"),
    [(ZONE_RULES[:1], 370.4, 8000, 4500), (ZONE_RULES, 91.75, 16000, 1200)],
)
def test_average_run_length_in_control(
    rules: tuple[ZoneRule, ...], published: float, runs: int, longest: int
) -> None:
    # 370.4 for 3 sigma alone, 91.75 for the four together: Champ and Woodall 1987,
    # Technometrics 29:393 (memory); tolerance 3.5 standard errors of the simulation
    lengths = run_lengths(rules, runs, longest, seed=1)
    error = lengths.std() / np.sqrt(runs)
    assert error < 0.015 * published
    assert abs(lengths.mean() - published) < 3.5 * error


# Anhoej and Olesen 2014, PLoS ONE 9:e113825 (found): points, longest run, fewest crossings
@pytest.mark.parametrize(
    ("n", "run", "crossings"),
    [
        (10, 6, 2),
        (12, 7, 3),
        (16, 7, 4),
        (20, 7, 6),
        (24, 8, 8),
        (30, 8, 10),
        (48, 9, 18),
        (60, 9, 23),
    ],
)
def test_longest_run_and_crossings_agree_with_anhoej_and_olesen(
    n: int, run: int, crossings: int
) -> None:
    assert runs_limits(n) == (run, crossings)
    assert crossings == stats.binom.ppf(0.05, n - 1, 0.5)


def twin(z: np.ndarray, rule: ZoneRule, sign: int) -> list[bool]:
    """Read point by point."""
    found = []
    for i in range(len(z)):
        window = [sign * v > rule.sigmas for v in z[max(0, i - rule.window + 1) : i + 1]]
        found.append(window[-1] and sum(window) >= rule.hits)
    return found


def test_zone_rules_agree_with_reading_point_by_point() -> None:
    rng = np.random.default_rng(4)
    z = rng.normal(0.3, 1.3, (40, 60))
    z[0] = 0.0
    for rule in ZONE_RULES:
        above, below = zone_hits(z, rule)
        for row in range(len(z)):
            assert_array_equal(above[row], twin(z[row], rule, 1))
            assert_array_equal(below[row], twin(z[row], rule, -1))


def at(z: list[float]) -> list[tuple[int, str, str, tuple[int, ...]]]:
    """Signals of a chart whose points lie at z."""
    baseline = [-1.0, 1.0] * 20  # moving range 2, so sigma is 2 / 1.128 and the centre 0
    chart = xmr_chart([*baseline, *(v * 2 / 1.128 for v in z)], baseline=40)
    return [(s.index - 40, s.rule, s.side, s.points) for s in signals(chart) if s.index >= 40]


def test_each_rule_names_its_points() -> None:
    assert at([0.0, 3.1]) == [(1, "3-sigma", "above", (41,))]
    assert at([0.0, -2.1, 0.0, -2.1]) == [(3, "2-of-3", "below", (41, 42, 43))]
    assert at([1.1, 1.1, -0.1, 1.1, 1.1]) == [(4, "4-of-5", "above", (40, 41, 42, 43, 44))]
    assert at([0.0, *[-0.2] * 8])[-1][:3] == (8, "8-on-a-side", "below")


def test_what_is_just_short_of_a_rule_is_no_signal() -> None:
    assert at([2.9]) == []
    assert at([2.1, 0.0, 0.0, 2.1]) == []
    assert at([2.1, -2.1]) == []
    assert at([1.1, 1.1, 0.0, 0.0, 1.1, 1.1]) == []
    assert at([0.0, *[0.2] * 7]) == []
    assert at([0.2] * 4 + [0.0] + [0.2] * 4) == []


def test_signals_say_their_rule_in_words() -> None:
    chart = xmr_chart([1, 2] * 10 + [40], baseline=20)
    found = signals(chart)[0]
    assert found.index == 20
    assert found.words == "a point above the 3-sigma limit"


def test_gaps_are_passed_over() -> None:
    hours = np.array([100.0] * 12 + [100, 100, 0, 100, 100, 100, 100, 0, 100, 100])
    events = np.array([8.0, 12] * 6 + [11, 11, 0, 11, 11, 11, 11, 0, 11, 11])
    found = [s for s in signals(u_chart(events, hours, baseline=12)) if s.rule == "8-on-a-side"]
    # the last baseline point, 12, is above the centre too, so the 8th on that side is point 20
    assert [s.index for s in found] == [20, 21]
    assert 14 not in found[0].points


def test_no_rule_looks_across_a_change_of_phase() -> None:
    x = [10.0, 12, 10, 12, 10, 12, 10, 12, 10, 12, 10, 12, *[11.5] * 5]
    joined = xmr_chart([*x, *[11.5] * 5], baseline=12)
    assert any(s.rule == "8-on-a-side" for s in signals(joined))
    tail = [11.2, 11.7, 11.2, 11.7, 11.2, 11.7]
    parted = xmr_chart([*x, *tail], baseline=12, changes=[17])
    assert not any(s.rule == "8-on-a-side" for s in signals(parted))


def test_rare_events_growing_more_frequent_show_as_a_run_of_short_gaps() -> None:
    gaps = [20, 35, 10, 40, 15, 30, 25, 12, 38, 22, 28, 18, *[3] * 8]
    found = signals(g_chart(gaps, baseline=12))
    assert [(s.index, s.rule, s.side) for s in found] == [(19, "8-on-a-side", "below")]
    long = signals(g_chart([*gaps[:12], 130], baseline=12))
    assert [(s.index, s.rule, s.side) for s in long] == [(12, "3-sigma", "above")]


def test_points_on_the_line_do_not_count() -> None:
    found = runs_test([1, -1, 0, 1, 1, 0, np.nan, 1, -1, -1, 1, -1, 1], np.zeros(13))
    assert (found.n, found.longest_run, found.crossings) == (10, 3, 6)


def test_a_shift_is_a_long_run_and_few_crossings() -> None:
    values = np.r_[np.tile([1.0, -1.0], 3), np.full(10, 2.0), np.full(4, -1.0)]
    found = runs_test(values, np.zeros(20))
    assert (found.n, found.longest_run, found.longest_run_limit) == (20, 10, 7)
    assert found.signal
    assert "10 points in a row" in found.words


def test_a_run_as_long_as_the_limit_is_ordinary() -> None:
    values = np.r_[np.ones(7), np.tile([-1.0, 1.0], 6), -1.0]
    found = runs_test(values, np.zeros(20))
    assert (found.longest_run, found.longest_run_limit, found.signal) == (7, 7, False)
    longer = runs_test(np.r_[1.0, values[:-1]], np.zeros(20))
    assert (longer.longest_run, longer.signal) == (8, True)


def test_few_points_have_nothing_to_say() -> None:
    assert not runs_test([1.0] * 9, np.zeros(9)).signal
    assert "Too few" in runs_test([1.0] * 9, np.zeros(9)).words
    assert runs_test([0.0], [0.0]).n == 0
    assert runs_test([], []).n == 0


def test_longest_run_is_rare_in_control() -> None:
    # the limit's own design: about 1 series in 20 to 1 in 40 with a longer run (any n)
    rng = np.random.default_rng(6)
    alarms = [runs_test(rng.standard_normal(24), np.zeros(24)) for _ in range(2000)]
    long = np.mean([r.longest_run > r.longest_run_limit for r in alarms])
    few = np.mean([r.crossings < r.crossings_limit for r in alarms])
    assert few < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2000)
    assert long < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2000)


def test_runs_are_judged_within_each_phase_about_its_baseline_median() -> None:
    x = [1.0, 3.0] * 8 + [11.0, 13.0] * 8
    parts = chart_runs(xmr_chart(x, changes=[16]))
    assert [p.n for p in parts] == [16, 16]
    assert not any(p.signal for p in parts)
    whole = chart_runs(xmr_chart(x))
    assert whole[0].signal
