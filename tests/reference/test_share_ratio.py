"""The ratio of two shares: against scipy's exact test, by enumeration, and at the edges."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate, stats

from pipeline.statistics.intervals import clopper_pearson
from pipeline.statistics.share_ratio import share_ratio

counts = st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@settings(deadline=None)  # the first call of a run imports
@given(counts, counts, st.sampled_from([0.8, 0.95, 0.998]))
def test_a_bound_excludes_1_where_fishers_exact_test_does(
    group: tuple[int, int], reference: tuple[int, int], level: float
) -> None:
    # Fay, Proschan and Brittain 2015, Biometrics 71:146, proved it (found: the documentation of
    # their R package exact2x2 says so)
    (x, n), (x0, n0) = group, reference
    found = share_ratio(x, n, x0, n0, level)
    table = np.array([[x, n - x], [x0, n0 - x0]])
    less = stats.fisher_exact(table, alternative="less").pvalue
    greater = stats.fisher_exact(table, alternative="greater").pvalue
    for p, outlying in ((less, found.upper < 1), (greater, found.lower > 1)):
        if abs(p - (1 - level) / 2) > 1e-9:
            assert outlying == (p < (1 - level) / 2)
    turned = share_ratio(x0, n0, x, n, level)
    assert_allclose([turned.lower, turned.upper], _inverse(found.upper, found.lower), rtol=1e-9)


def _inverse(*bounds: float) -> list[float]:
    return [1 / b if b else np.inf for b in bounds]


@pytest.mark.parametrize(("n", "n0"), [(1, 1), (1, 6), (5, 3), (9, 7)])
def test_intervals_cover_what_they_say_in_every_table_of_so_many_trips(n: int, n0: int) -> None:
    found = [[share_ratio(x, n, x0, n0) for x0 in range(n0 + 1)] for x in range(n + 1)]
    lower, upper = ([[getattr(c, b) for c in row] for row in found] for b in ("lower", "upper"))
    below, above, total = [], [], []
    for share in np.linspace(0.02, 1, 50):
        for ratio in np.exp(np.linspace(-4, 4, 81)):
            if share * ratio > 1:
                continue
            first = stats.binom.pmf(range(n + 1), n, share * ratio)
            weight = np.outer(first, stats.binom.pmf(range(n0 + 1), n0, share))
            below.append(weight[np.array(upper) < ratio * (1 - 1e-9)].sum())
            above.append(weight[np.array(lower) > ratio * (1 + 1e-9)].sum())
            total.append(weight.sum())
    assert_allclose(total, 1, rtol=1e-9)
    assert max(below) <= 0.025
    assert max(above) <= 0.025


@pytest.mark.parametrize("row", [(2, 11, 6, 8), (7, 34, 1, 34), (36, 40, 16, 80), (1, 2, 1, 2)])
def test_bounds_are_quantiles_of_the_ratio_of_two_beta_variables(row: tuple[int, ...]) -> None:
    # the definition, by another integral: over the group's variable, not the reference's
    x, n, x0, n0 = row
    found = share_ratio(*row)
    for bound, top, bottom, tail in (
        (found.upper, stats.beta(x + 1, n - x), stats.beta(x0, n0 - x0 + 1), 0.975),
        (found.lower, stats.beta(x, n - x + 1), stats.beta(x0 + 1, n0 - x0), 0.025),
    ):
        below, _ = integrate.quad(
            lambda w, t=top, b=bottom, r=bound: t.pdf(w) * b.sf(w / r), 0, min(1, bound), limit=200
        )
        assert_allclose(below, tail, atol=1e-7)


def test_where_one_side_is_certain_the_bound_is_that_of_the_other() -> None:
    alone = clopper_pearson(5, 9)
    assert_allclose(share_ratio(7, 7, 5, 9).upper, 1 / alone.lower)
    assert_allclose(share_ratio(5, 9, 7, 7).lower, alone.lower)


def test_a_high_share_that_fell_to_none_is_told_from_no_change() -> None:
    # 4 of 7 against 0 of 9: Fisher's exact test, one side, has p = 35 / 1820 = 0.0192 (computed)
    found = share_ratio(0, 9, 4, 7)
    assert (found.ratio, found.lower) == (0, 0)
    assert 0.9 < found.upper < 1


def test_nothing_to_compare() -> None:
    none = share_ratio(0, 5, 0, 6)
    assert np.isnan(none.ratio)
    assert (none.lower, none.upper) == (0, np.inf)
    one = share_ratio(1, 1, 0, 1)
    assert (one.ratio, one.upper) == (np.inf, np.inf)
    assert_allclose(one.lower, 0.05)
    same = share_ratio(1, 1, 1, 1)
    assert_allclose([same.lower, same.upper], [0.025, 40])
    empty = share_ratio(0, 0, 3, 9)
    assert np.isnan([empty.ratio, empty.lower, empty.upper]).all()
    for wrong in ((3, 2, 1, 4), (-1, 2, 1, 4), (0.5, 2, 1, 4)):
        with pytest.raises(ValueError, match="whole counts"):
            share_ratio(*wrong)


def test_many_trips_agree_with_the_large_sample_interval() -> None:
    # Katz et al. 1978, Biometrics 34:469 (memory), as scipy has it
    row = (300, 100_000, 9_000, 1_000_000)
    found = share_ratio(*row)
    katz = stats.contingency.relative_risk(*row).confidence_interval(0.95)
    assert_allclose([found.lower, found.upper], [katz.low, katz.high], rtol=0.01)
