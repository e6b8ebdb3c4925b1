"""Intervals, exact rate ratio, Benjamini-Hochberg and kappa against published values and libraries.

*Found* means seen in a copy of the source, *memory* typed from memory and agreeing with the
published answer, *computed* that only the arithmetic vouches for it.
"""

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import special, stats
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.proportion import proportion_confint

from pipeline.statistics.intervals import (
    NORMAL_95,
    clopper_pearson,
    cohen_kappa,
    poisson_exact,
    wilson,
)

# Newcombe 1998, Stat Med 17:857, table I (found): events, n, Wilson (method 3), Clopper-Pearson;
# given to four places
NEWCOMBE = [
    (81, 263, 0.2553, 0.3662, 0.2527, 0.3676),
    (15, 148, 0.0624, 0.1605, 0.0578, 0.1617),
    (0, 20, 0.0, 0.1611, 0.0, 0.1684),
    (1, 29, 0.0061, 0.1718, 0.0009, 0.1776),
]

# Garwood 1936, Biometrika 28:437; Ulm 1990, Am J Epidemiol 131:373 (found): to four places
GARWOOD = [
    (0, 0.0, 3.6889),
    (1, 0.0253, 5.5716),
    (3, 0.6187, 8.7673),
    (5, 1.6235, 11.6683),
    (10, 4.7954, 18.3904),
    (20, 12.2165, 30.8884),
]

counts = st.integers(0, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
levels = st.sampled_from([0.8, 0.9, 0.95, 0.998])


@pytest.mark.parametrize("row", NEWCOMBE)
def test_shares_agree_with_newcombe(row: tuple[float, ...]) -> None:
    events, n, wilson_low, wilson_high, exact_low, exact_high = row
    score, exact = wilson(events, n), clopper_pearson(events, n)
    assert_allclose([score.lower, score.upper], [wilson_low, wilson_high], atol=5e-5)
    assert_allclose([exact.lower, exact.upper], [exact_low, exact_high], atol=5e-5)


@pytest.mark.parametrize(("events", "lower", "upper"), GARWOOD)
def test_counts_agree_with_garwood(events: int, lower: float, upper: float) -> None:
    found = poisson_exact(events)
    assert_allclose([found.lower, found.upper], [lower, upper], atol=5e-5)


def test_ratio_of_observed_to_expected_agrees_with_ulm() -> None:
    # Ulm 1990, Am J Epidemiol 131:373 (found): 137 / 24.19893, to four places
    found = poisson_exact(137, 24.19893)
    wanted = [5.6614, 4.7531, 6.6927]
    assert_allclose([found.estimate, found.lower, found.upper], wanted, atol=5e-5)


def test_false_discovery_rate_agrees_with_benjamini_and_hochberg() -> None:
    # Benjamini and Hochberg 1995, JRSS B 57:289, their 15 p-values (found). No figure is told by it
    # any more; whatever will be is to use scipy's
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240]
    p += [0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    adjusted = stats.false_discovery_control(p, method="bh")
    assert int(np.sum(adjusted <= 0.05)) == 4
    assert_allclose(adjusted[[3, 4]], [0.035625, 0.0603], atol=1e-12)


def test_kappa_agrees_with_fleiss() -> None:
    # Fleiss, Statistical Methods for Rates and Proportions, diagnoses by two raters (memory)
    found = cohen_kappa([[75, 1, 4], [5, 4, 1], [0, 0, 10]])
    assert_allclose([found.kappa, found.standard_error], [0.6765, 0.0877], atol=5e-5)


def test_the_half_width_at_95_is_the_normal_distributions() -> None:
    assert special.ndtri(0.975) == NORMAL_95


@given(counts, levels)
def test_shares_agree_with_statsmodels(count: tuple[int, int], level: float) -> None:
    events, n = count
    for ours, name in ((wilson, "wilson"), (clopper_pearson, "beta")):
        found = ours(events, n, level)
        if n == 0:
            assert np.isnan([found.estimate, found.lower, found.upper]).all()
            continue
        theirs = proportion_confint(events, n, alpha=1 - level, method=name)
        assert_allclose([found.lower, found.upper], theirs, atol=1e-9)
        assert 0 <= found.lower <= found.estimate <= found.upper <= 1


@given(st.integers(0, 5000), st.floats(0.01, 1e5), levels)
def test_counts_agree_with_scipy(events: int, exposure: float, level: float) -> None:
    found = poisson_exact(events, exposure, per=100, level=level)
    tail = (1 - level) / 2
    # Garwood's bounds as chi-squared quantiles
    low = stats.chi2.ppf(tail, 2 * events) / 2 if events else 0.0
    high = stats.chi2.ppf(1 - tail, 2 * events + 2) / 2
    scale = 100 / exposure
    assert_allclose([found.lower, found.upper], [low * scale, high * scale], rtol=1e-9)


def test_kappa_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(1)
    for size in (2, 3, 5):
        table = rng.integers(1, 30, (size, size)) + 40 * np.eye(size, dtype=int)
        theirs = cohens_kappa(table)
        ours = cohen_kappa(table)
        assert_allclose(
            [ours.kappa, ours.standard_error, ours.lower, ours.upper],
            [theirs.kappa, theirs.std_kappa, theirs.kappa_low, theirs.kappa_upp],
            rtol=1e-6,
        )


@pytest.mark.parametrize("table", [[[0, 0], [0, 0]], [[9, 0], [0, 0]]])
def test_kappa_of_readers_who_never_differ_in_anything_is_unknown(table: list[list[int]]) -> None:
    assert np.isnan(cohen_kappa(table).kappa)


def test_empty_denominators_and_missing_counts_give_nan() -> None:
    for found in (wilson([0, np.nan], [0, 5]), clopper_pearson([0, np.nan], [0, 5])):
        assert np.isnan([found.estimate, found.lower, found.upper]).all()
    rate = poisson_exact([0, 3, np.nan], [0, 0, 5])
    assert np.isnan([rate.estimate, rate.lower, rate.upper]).all()


def test_masked_entries_are_missing() -> None:
    found = wilson(np.ma.masked_array([1, 1], [False, True]), 10)
    assert np.isfinite(found.lower[0])
    assert np.isnan(found.lower[1])


def test_all_and_none_reach_the_ends() -> None:
    for share in (wilson, clopper_pearson):
        assert share(0, 7).lower == 0
        assert share(7, 7).upper == 1
    assert poisson_exact(0, 10).lower == 0


def test_mistakes_of_the_caller_are_errors() -> None:
    calls = [
        lambda: wilson(5, 4),
        lambda: wilson(-1, 4),
        lambda: poisson_exact(1, -1),
        lambda: wilson(1, 2, level=95),
        lambda: cohen_kappa([[1, 2]]),
    ]
    for call in calls:
        with pytest.raises(ValueError, match=r"."):
            call()


def test_importing_intervals_brings_neither_statsmodels_nor_scipy_stats() -> None:
    code = (
        "import sys, pipeline.statistics.intervals as i; i.wilson(1, 9); i.poisson_exact(3);"
        "print([m for m in ('statsmodels', 'scipy.stats', 'pandas') if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
