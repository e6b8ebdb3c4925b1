"""Cumulative sums of the family: published increments and run lengths, levels, since when."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special, stats

from pipeline.statistics.running_levels import (
    Sums,
    base_share,
    expected_of_service,
    rule_share,
    service_rate,
    size_rate,
    sums_before,
)
from pipeline.statistics.signal_family import (
    rate_charts,
    rate_of_periods,
    share_charts,
    share_of_periods,
)
from pipeline.statistics.signal_futures import RateMonths, ShareMonths
from pipeline.statistics.signal_sums import (
    rate_increment,
    share_increment,
    signal_sums,
    since,
)

Array = np.ndarray


def run_length(steps: Array, chance: Array, h: float, start: float = 0.0, cells: int = 0) -> float:
    """Average run length by the Markov chain of Brook and Evans 1972, Biometrika 59:539.

    The states are the whole numbers below ``h`` (``cells`` 0), or so many points from 0 to h
    between which the run length is taken as straight; each step is taken by `signal_sums`.
    """
    states = np.arange(int(np.ceil(h))) if not cells else np.linspace(0, h, cells)
    states = states.astype(float)
    found = signal_sums(np.broadcast_to(steps, (1, len(states), len(steps))), h, None,
                        states[:, None])  # fmt: skip
    to, goes_on = found.sums[0], ~found.signal[0]
    place = np.clip(np.searchsorted(states, to, side="right") - 1, 0, max(len(states) - 2, 0))
    step = states[1] - states[0]
    upper = np.clip((to - states[place]) / step, 0, 1)
    chain = np.zeros((len(states), len(states)))
    row = np.broadcast_to(np.arange(len(states))[:, None], to.shape)
    np.add.at(chain, (row, place), chance * goes_on * (1 - upper))
    np.add.at(chain, (row, place + 1), chance * goes_on * upper)
    length = np.linalg.solve(np.eye(len(states)) - chain, np.ones(len(states)))
    return float(np.interp(start, states, length))


def test_risk_adjusted_increments() -> None:
    # Steiner and others 2000, Biostatistics 1:441, p. 446, and Steiner 2014, p. 234 (found)
    p = special.expit(-3.68 + 0.077 * np.array([0, 50]))
    assert_allclose(share_increment(0, 1, p, 2), [-0.024, -0.433], atol=5e-4)
    assert_allclose(share_increment(1, 1, p, 2), [0.669, 0.260], atol=5e-4)
    assert_allclose(share_increment(0, 1, p, 0.5), [0.012, 0.316], atol=5e-4)
    assert_allclose(share_increment(1, 1, p, 0.5), [-0.681, -0.377], atol=5e-4)
    # Rigdon and Fricker, pp. 225-226 (found)
    p = special.expit(-3.67 + 0.077 * 19)
    assert_allclose(share_increment(0, 1, p, 0.5), 0.05083, atol=5e-6)


def test_increments_are_log_likelihood_ratios() -> None:
    d, n, p = 3, 17, 0.09
    p1 = 3 * p / (1 + 2 * p)
    ratio = stats.binom.logpmf(d, n, p1) - stats.binom.logpmf(d, n, p)
    assert_allclose(share_increment(d, n, p), ratio)
    x, m, k = 6, 0.27 * 11, 4.0
    # computed: W(x 6, T 11, k_eff 4, level 0.27)
    assert_allclose(rate_increment(x, m, k), 0.6094, atol=1e-4)
    ratio = stats.nbinom.logpmf(x, k, k / (k + 2 * m)) - stats.nbinom.logpmf(x, k, k / (k + m))
    assert_allclose(rate_increment(x, m, k), ratio)
    assert_allclose(rate_increment(x, m, np.inf), x * np.log(2) - m, rtol=1e-5)
    ratio = stats.nbinom.logpmf(x, k, k / (k + m / 2)) - stats.nbinom.logpmf(x, k, k / (k + m))
    assert_allclose(rate_increment(x, m, k, 0.5), ratio)


def test_no_hours_and_no_judged_trip_add_nothing() -> None:
    assert rate_increment(0, 0.0, np.nan) == share_increment(0, 0, 0.1) == 0
    assert share_increment(0, 4, np.nan) == rate_increment(3, np.nan, 2.0) == 0


@pytest.mark.parametrize(
    ("reference", "h", "chance", "start", "expected"),
    [
        # Lucas 1985, Technometrics 27:129 (found in an open package's help): mean 1.88 and 3.2,
        # then with a head start of 3
        (2, 6, stats.poisson(1.88), 0, 37.2),
        (2, 6, stats.poisson(3.2), 0, 5.49),
        (2, 6, stats.poisson(1.88), 3, 29.19),
        (2, 6, stats.poisson(3.2), 3, 3.33),
        # another open package's tests (found)
        (5, 8, stats.poisson(4), 0, 171.78),
        (5, 8, stats.poisson(4.2), 0, 99.3),
        (5, 8, stats.binom(10, 0.45), 0, 193.16),
        (5, 8, stats.binom(10, 0.6), 0, 8.2),
    ],
)
def test_published_run_lengths_of_counts(
    reference: int, h: int, chance: object, start: int, expected: float
) -> None:
    # these signal at S >= h, which for whole numbers is S > h - 1/2
    counts = np.arange(80)
    pmf = chance.pmf(counts)  # type: ignore[attr-defined]
    found = run_length(counts - reference, pmf, h - 0.5, start)
    assert_allclose(found, expected, atol=0.5 * 10.0 ** -len(str(expected).partition(".")[2]) * 1.2)


def test_published_run_lengths_of_normal_values() -> None:
    # Brook and Evans 1972 (found in an open package's examples): k 0.5, h 3, no shift, and a mean
    # one above k; at a shift of one the run length is 6.40 (computed)
    z = stats.norm.ppf((np.arange(4000) + 0.5) / 4000)
    even = np.full(4000, 1 / 4000)
    assert_allclose(run_length(z - 0.5, even, 3, cells=300), 117.59, rtol=2e-3)
    assert_allclose(run_length(z + 1.0, even, 3, cells=300), 3.75, atol=0.005)
    assert_allclose(run_length(z + 0.5, even, 3, cells=300), 6.40, atol=0.005)


def test_run_lengths_of_the_familys_own_charts() -> None:
    # computed: negative binomial mean 10, size 2, doubling, h 3
    counts = np.arange(250)
    w = rate_increment(counts, 10.0, 2.0)
    for mean, expected in ((10, 172.4), (20, 6.66)):
        chance = stats.nbinom.pmf(counts, 2, 2 / (2 + mean))
        assert_allclose(run_length(w, chance, 3, cells=900), expected, rtol=2e-3)
    # computed: one trip at a time, share 0.09, odds tripled, h 3
    w = share_increment(np.array([0, 1]), 1, 0.09)
    p1 = 0.27 / 1.18
    for p, expected in ((0.09, 385.4), (p1, 28.66)):
        assert_allclose(run_length(w, np.array([1 - p, p]), 3, cells=900), expected, rtol=2e-3)


def test_simulated_run_length_of_single_trips() -> None:
    # simulation on the page: 28.655 (standard error 0.065) with the odds tripled
    rng = np.random.default_rng(0)
    d = rng.random((400, 5000)) < 0.27 / 1.18
    found = signal_sums(share_increment(d, 1, 0.09), 3).signal
    lengths = found.argmax(axis=0) + 1
    assert found.any(axis=0).all()
    assert_allclose(lengths.mean(), 28.655, atol=4 * lengths.std() / np.sqrt(5000))


def test_sums_begin_again_after_a_signal_and_at_a_restart() -> None:
    w = np.array([[1.0], [1.5], [0.5], [-2.0], [1.0], [1.0], [1.0]])
    again = np.zeros_like(w, dtype=bool)
    again[5] = True
    found = signal_sums(w, 2.0, again)
    assert found.sums[:, 0].tolist() == [1, 2.5, 0.5, 0, 1, 1, 2]
    assert found.signal[:, 0].tolist() == [False, True, *[False] * 5]  # at the height is no signal


def test_since_when() -> None:
    w = np.array([0.5, -1.0, 0.2, 2.0, -0.5, 2.5])
    found = since(w, 5)
    assert (found.month, found.earliest, found.latest) == (2, 0, 5)
    found = since(w, 5, [False, False, False, True, False, False])
    assert (found.month, found.earliest, found.latest) == (3, 3, 5)


def test_a_change_that_is_signalled_again_keeps_its_beginning() -> None:
    # S passes 3 in the fourth month and in the seventh; between them it never came back to 0
    w = np.array([-1.0, -0.5, 2.0, 1.5, 0.5, 1.0, 2.0, -4.0, -4.0, 2.0, 1.5])
    assert np.flatnonzero(signal_sums(w, 3.0).signal).tolist() == [3, 6, 10]
    assert [since(w, at).month for at in (3, 6)] == [2, 2]
    # after months at the level before, another change is a new one
    assert since(w, 10).month == 9


def test_since_range_is_of_the_sums_within_three_of_the_best() -> None:
    rng = np.random.default_rng(3)
    w = rng.normal(0.4, 1.5, 30)
    at = 29
    found = since(w, at)
    total = [w[i : at + 1].sum() for i in range(at + 1)]
    good = [i for i, t in enumerate(total) if t >= max(total) - 3]
    assert (found.earliest, found.latest) == (good[0], good[-1])
    assert total[found.month] == max(total)


# ---- levels


def test_sums_before_a_month_since_the_last_restart() -> None:
    values = np.array([[1.0, 10], [2, 20], [3, 30], [4, 40]])
    assert sums_before(values).tolist() == [[0, 0], [1, 10], [3, 30], [6, 60]]
    restart = np.array([[False, False], [True, False], [False, False], [False, True]])
    assert sums_before(values, restart).tolist() == [[0, 0], [0, 10], [2, 30], [5, 0]]
    assert sums_before(values, start=5)[:, 0].tolist() == [5, 6, 8, 11]
    assert sums_before(values, restart, 5)[:, 0].tolist() == [5, 0, 2, 5]


def test_levels_are_those_of_the_page() -> None:
    x, t, q = (np.array(v, dtype=float) for v in ([2, 0, 4], [10, 12, 9], [16, 17, 14]))
    r = service_rate(x, t)
    assert np.isnan(r[0])
    assert_allclose(r[1:], [2 / 10, 2 / 22])
    assert service_rate([0, 0], [10, 0])[1] == 0.5 / 10
    f = 1 / (1 + 0.3 * (16 + 17) / (0.5 * 22))
    found = size_rate(x, t, q, 0.3, k=0.5)
    assert_allclose(found, [0.3, *found[1:2], (3 + 2 * f) / (3 / 0.3 + 22 * f)])
    assert_allclose(rule_share([1, 0, 2], [4, 0, 9]), [0.5, 1.5 / 5, 1.5 / 5])
    assert rule_share([9, 0], [9, 0])[1] == 9.5 / 10
    assert_allclose(base_share([1, 0], [4, 2], 0.3), [0.3, 4 / (10 + 4)])
    assert_allclose(base_share([1], [4], 0.3, None, Sums(2, 5)), [5 / 15])


@pytest.mark.parametrize(("deviations", "judged"), [(5, 5), (19, 20), (17, 20), (0, 5)])
def test_a_share_that_stays_as_it_was_is_no_signal(deviations: int, judged: int) -> None:
    d, n = np.full(60, deviations), np.full(60, judged)
    w = share_increment(d[6:], n[6:], rule_share(d, n)[6:])
    # the half trip of the level leaves log(60 / 6) / 3 for all of 54 months; thresholds are above 2
    assert signal_sums(w, np.inf).sums.max() < 1


def test_another_mix_of_sizes_is_no_signal() -> None:
    # all hours at the size with twice the rate: twice the events are what is expected
    level, k = np.array([0.1, 0.2]), 0.5
    even = expected_of_service(level, np.array([[10.0, 10]]), np.array([[15.0, 15]]), k)
    small = expected_of_service(level, np.array([[0.0, 20]]), np.array([[0.0, 30]]), k)
    assert_allclose(even.events, 3)
    assert_allclose(small.events, 4)
    assert_allclose(even.k_eff, 0.5 * 9 / (0.01 * 15 + 0.04 * 15))


def months(seed: int, n: int = 30) -> tuple[RateMonths, ShareMonths]:
    rng = np.random.default_rng(seed)
    hours = rng.uniform(5, 30, (n, 3))
    events = rng.poisson(0.2 * hours).astype(float)
    judged = rng.integers(0, 20, (n, 3)).astype(float)
    deviations = rng.binomial(judged.astype(int), 0.2).astype(float)
    both = [np.column_stack([v[:, :2].sum(axis=1), v[:, :2]]) for v in (deviations, judged)]
    restart = np.zeros((n, 3), dtype=bool)
    restart[12] = True
    return RateMonths(events, hours, 1.4 * hours), ShareMonths(*both, np.array([-1, 0, 0]), restart)


def test_a_months_increment_rests_on_the_months_before_it_alone() -> None:
    rates, shares = months(1)
    k = np.linspace(0.3, 0.6, 30)
    whole, short = (
        rate_charts(rates, k),
        rate_charts(
            RateMonths(rates.events[:20], rates.hours[:20], rates.hours_squared[:20]), k[:20]
        ),
    )
    assert_allclose(whole.increments[:20], short.increments)
    assert (whole.increments[:6] == 0).all()
    assert (whole.increments[6:] != 0).all()
    cut = ShareMonths(
        shares.deviations[:20], shares.judged[:20], shares.parent, shares.restart[:20]
    )
    assert_allclose(share_charts(shares).increments[:20], share_charts(cut).increments)


def test_charts_by_month_agree_with_the_recursion() -> None:
    rates, shares = months(2)
    k = np.full(30, 0.4)
    found = rate_charts(rates, k)
    for month in (8, 20):
        x, t, q = (v[:month] for v in (rates.events, rates.hours, rates.hours_squared))
        r = x.sum() / t.sum()
        f = 1 / (1 + r * q[:, 1].sum() / (0.4 * t[:, 1].sum()))
        level = (3 + x[:, 1].sum() * f) / (3 / r + t[:, 1].sum() * f)
        assert_allclose(found.level[month, 2], level)
        now = rates.hours[month, 1]
        k_eff = 0.4 * now**2 / rates.hours_squared[month, 1]
        w = rate_increment(rates.events[month, 1], level * now, k_eff)
        assert_allclose(found.increments[month, 2], w)
    base = share_charts(shares)
    d, n = shares.deviations[12:20], shares.judged[12:20]
    p = (d[:, 0].sum() + 0.5) / (n[:, 0].sum() + 1)
    assert_allclose(base.level[20, 0], p)
    assert_allclose(base.level[20, 2], (3 + d[:, 2].sum()) / (3 / p + n[:, 2].sum()))


def test_the_better_side_watches_for_the_inverse() -> None:
    rates, shares = months(4)
    found = rate_charts(rates, np.full(30, 0.4), better=True)
    seen = np.column_stack([rates.events.sum(axis=1), rates.events])
    fewer = seen < found.expected / 2
    assert (found.increments[6:][fewer[6:]] > 0).all()
    few = share_charts(shares, better=True)
    none = (shares.deviations == 0) & (shares.judged > 0)
    assert (few.increments[6:][none[6:]] > 0).all()


def test_how_big_is_the_ratio_of_two_periods() -> None:
    rates, shares = months(3)
    now, before = slice(25, 30), slice(0, 25)
    found = rate_of_periods(rates, 1, now, before, level=[0.2, 0.3, 0.1], k=0.4)
    x1, x0 = rates.events[25:, 1].sum(), rates.events[:25, 1].sum()
    t1, t0 = rates.hours[25:, 1].sum(), rates.hours[:25, 1].sum()
    assert_allclose(found.ratio, x1 / t1 / (x0 / t0))
    # squared hours are 1.4 times the hours here, so that k_eff is 0.4 t / 1.4
    error = np.sqrt(1 / x1 + 3.5 / t1 + 1 / x0 + 3.5 / t0)
    assert_allclose(np.log(found.upper / found.ratio), 1.959964 * error, rtol=1e-6)
    # all hours at the size of twice the level: twice the events of before are no change
    events, hours = np.array([[10.0, 0], [0, 20]]), np.array([[100.0, 0], [0, 100]])
    mix = RateMonths(events, hours, 1.4 * hours)
    found = rate_of_periods(mix, None, slice(1, 2), slice(0, 1), level=[0.1, 0.2], k=0.4)
    assert_allclose(found.ratio, 1)
    share = share_of_periods(shares, 2, now, before)
    d, n = shares.deviations[:, 2], shares.judged[:, 2]
    assert_allclose(share.ratio, d[25:].mean() / n[25:].mean() / (d[:25].mean() / n[:25].mean()))
