"""One k for the service, mid-P bounds and ratios: published values, libraries, small numbers."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import ArrayLike
from scipy import optimize, stats
from statsmodels.discrete.discrete_model import NegativeBinomial
from statsmodels.genmod.families import Poisson
from statsmodels.genmod.generalized_linear_model import GLM
from statsmodels.stats.proportion import confint_proportions_2indep
from statsmodels.stats.rates import confint_poisson, confint_poisson_2indep

from pipeline.statistics.clustered_effects import effect_ratio, effects_covariance
from pipeline.statistics.clustered_intervals import (
    effective_k,
    mid_p_bounds,
    rate_intervals,
    rate_ratio,
    share_ratio_of_periods,
)
from pipeline.statistics.service_dispersion import _profile, _sizes, service_dispersion
from tests.reference.school_absences import ABSENT, CELL, GROUP

MITES = np.repeat(np.arange(8), [70, 38, 17, 10, 9, 3, 2, 1])
ONE = np.ones(150)


def unpenalised_k(
    events: ArrayLike, hours: ArrayLike, group: ArrayLike, *, cox_reid: bool = True
) -> float:
    """k that maximises the likelihood alone, with the Cox-Reid adjustment or without; as published.

    Infinite where the counts spread no more than independent events would.
    """
    sizes = _sizes(events, hours, group, None)

    def loss(log_phi: float) -> float:
        profile, adjustment = _profile(sizes, np.exp([log_phi]))
        return -float(profile[0] + (adjustment[0] if cox_reid else 0.0))

    least, most = float(np.log(1e-5)), float(np.log(1e4))
    options = {"xatol": 1e-9}
    best = optimize.minimize_scalar(loss, bounds=(least, most), method="bounded", options=options)
    return float(np.exp(-best.x)) if best.x > least + 1 else float("inf")


def month(seed: int, trips: int = 300, k: float = 0.7) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    hours, size = rng.lognormal(0.26, 0.4, trips), rng.integers(0, 4, trips)
    rate = np.array([0.1, 0.2, 0.3, 0.5])[size]
    return rng.poisson(rate * hours * rng.gamma(k, 1 / k, trips)), hours, size


# ---- the service's k


def test_maximum_likelihood_k_of_published_counts() -> None:
    # Bliss and Fisher 1953, Biometrics 9:176 (memory)
    assert_allclose([MITES.mean(), MITES.var(ddof=1)], [1.14667, 2.27365], atol=5e-6)
    assert_allclose(unpenalised_k(MITES, ONE, ONE, cox_reid=False), 1.02459, atol=1e-5)
    # school absences, a mean for each cell (published in a textbook; found): 1.928, SE 0.269
    k = unpenalised_k(ABSENT, np.ones(146), CELL, cox_reid=False)
    assert_allclose(k, 1.928, atol=5e-4)
    means = {cell: np.mean([d for d, c in zip(ABSENT, CELL, strict=True) if c == cell])
             for cell in CELL}  # fmt: skip
    mean = np.array([means[cell] for cell in CELL])

    def log_likelihood(k: float) -> float:
        return float(stats.nbinom.logpmf(ABSENT, k, k / (k + mean)).sum())

    step = 1e-3
    curve = (log_likelihood(k + step) - 2 * log_likelihood(k) + log_likelihood(k - step)) / step**2
    assert_allclose((-curve) ** -0.5, 0.269, atol=5e-4)


def test_cox_reid_k_of_published_counts() -> None:
    # computed: no published answer
    assert_allclose(unpenalised_k(MITES, ONE, ONE), 1.00516, atol=1e-5)
    assert_allclose(unpenalised_k(ABSENT, np.ones(146), GROUP), 1.14081, atol=1e-5)
    found = unpenalised_k(ABSENT, np.ones(146), GROUP, cox_reid=False)
    assert_allclose(found, 1.15717, atol=1e-5)


def test_penalised_mean_of_phi() -> None:
    # computed: no published answer
    assert_allclose(1 / service_dispersion(MITES, ONE, ONE).k, 1.04799, atol=1e-5)
    nothing = service_dispersion([], [], [])
    assert_allclose(1 / nothing.k, 3.0255, atol=5e-5)
    assert nothing.assumed
    assert len(nothing.phi) == len(nothing.weights) == 121
    assert_allclose(nothing.weights.sum(), 1)


def test_k_agrees_with_statsmodels() -> None:
    for seed in range(4):
        events, hours, size = month(seed)
        dummies = np.column_stack([size == s for s in range(4)]).astype(float)
        model = NegativeBinomial(events, dummies, offset=np.log(hours))
        theirs = 1 / model.fit(disp=0, maxiter=500, method="bfgs").params[-1]
        assert_allclose(unpenalised_k(events, hours, size, cox_reid=False), theirs, rtol=1e-3)


def test_cox_reid_agrees_with_its_definition_worked_out_by_scipy() -> None:
    # every size's rate fitted by scipy's own likelihood, and the adjustment as page 4 states it
    events, hours, size = month(5)

    def adjusted(log_phi: float) -> float:
        phi, total = float(np.exp(log_phi)), 0.0
        for s in range(4):
            x, t = events[size == s], hours[size == s]

            def loss(log_rate: float, x=x, t=t, phi=phi) -> float:  # type: ignore[no-untyped-def]
                mean = np.exp(log_rate) * t
                return -float(stats.nbinom.logpmf(x, 1 / phi, 1 / (1 + phi * mean)).sum())

            best = optimize.minimize_scalar(loss, bounds=(-6, 3), method="bounded",
                                            options={"xatol": 1e-10})  # fmt: skip
            mean = np.exp(best.x) * t
            total += best.fun + 0.5 * np.log(np.sum(mean / (1 + phi * mean)))
        return total

    best = optimize.minimize_scalar(adjusted, bounds=(-4, 4), method="bounded")
    assert_allclose(unpenalised_k(events, hours, size), np.exp(-best.x), rtol=1e-4)


def test_trips_alike_count_as_often_as_there_are_of_them() -> None:
    whole = service_dispersion(MITES, ONE, ONE)
    counted = service_dispersion(range(8), np.ones(8), np.ones(8), [70, 38, 17, 10, 9, 3, 2, 1])
    assert_allclose(whole.weights, counted.weights, rtol=1e-9)
    assert (whole.events, whole.trips) == (counted.events, counted.trips) == (172, 150)


def test_sizes_without_an_event_and_rows_without_hours_say_nothing() -> None:
    events, hours, size = month(1)
    plain = service_dispersion(events, hours, size)
    more = service_dispersion([*events, 0, 0, 9], [*hours, 2.0, np.nan, 0.0], [*size, 9, 0, 0])
    assert_allclose(plain.weights, more.weights, rtol=1e-9)
    assert not plain.assumed
    assert service_dispersion([3, 0, 6], [1, 1, 1], [0, 0, 0]).assumed
    with pytest.raises(ValueError, match="whole"):
        service_dispersion([0.5], [1.0], [0])


def test_independent_events_give_a_large_k() -> None:
    rng = np.random.default_rng(0)
    hours = rng.lognormal(0.26, 0.4, 4000)
    events = rng.poisson(0.4 * hours)
    assert service_dispersion(events, hours, np.zeros(4000)).k > 5
    assert unpenalised_k([0, 1, 0, 1, 1, 0, 1], np.ones(7), np.zeros(7)) == np.inf


# ---- bounds of one cell


def test_mid_p_bounds_of_independent_events() -> None:
    # computed; statsmodels agrees for x >= 1, and is wrong at 0. The largest k, 1e6, stands for
    # independence, to 5 parts in a million
    events = [1, 2, 3, 5, 10, 20, 0]
    lower = [0.0500, 0.3353, 0.7631, 1.8320, 5.0795, 12.5597, 0]
    upper = [4.9319, 6.6080, 8.1645, 11.0824, 17.8249, 30.3396, 2.9957]
    assert_allclose(mid_p_bounds(events, 1e6), (lower, upper), rtol=6e-6, atol=6e-5)
    for x in events[:-1]:
        assert_allclose(mid_p_bounds(x, np.inf), confint_poisson(x, 1, method="midp-c"), rtol=1e-4)


def test_mid_p_bounds_of_clustered_events() -> None:
    # computed
    lower, upper = mid_p_bounds([0, 2, 17], [5, 6.3, 13])
    assert_allclose(lower, [0, 0.3161, 8.5579], atol=6e-5)
    assert_allclose(upper, [4.1028, 9.7570, 37.1613], atol=6e-5)


@pytest.mark.parametrize("k", [0.06, 0.3, 4.0, 250.0, 1e6])
@pytest.mark.parametrize("level", [0.8, 0.95, 0.998])
def test_mid_p_bounds_solve_scipys_tails(k: float, level: float) -> None:
    x = np.array([0, 1, 2, 7, 40, 900])
    lower, upper = mid_p_bounds(x, k, level)
    for mean, tail in ((upper, (1 - level) / 2), (lower[1:], (1 + level) / 2)):
        counts = x[-len(mean) :]
        p = k / (k + mean)
        half = stats.nbinom.cdf(counts, k, p) - stats.nbinom.pmf(counts, k, p) / 2
        assert_allclose(half, tail, rtol=2e-6)


def test_effective_k() -> None:
    # one size: k (sum t)^2 / sum t^2, at most 1e6
    hours = np.array([1.0, 2.0, 0.5])
    found = effective_k(0.4, hours.sum(), (hours**2).sum())
    assert_allclose(found, 0.4 * 3.5**2 / 5.25)
    assert effective_k(np.inf, 1.0, 1.0) == 1e6
    assert np.isnan(effective_k(0.4, 0.0, 0.0))


def test_few_trips_have_no_lower_bound_and_no_hours_no_figure() -> None:
    found = rate_intervals([2, 2, 0, 0], [18, 18, 12, 0], [6.3, 6.3, 5, np.nan], [9, 10, 12, 3])
    assert_allclose(found.estimate, [100 * 2 / 18, 100 * 2 / 18, 0, np.nan])
    assert_allclose(found.lower, [np.nan, 100 * 0.31607 / 18, 0, np.nan], rtol=1e-4)
    assert_allclose(found.upper[:3], np.array([9.75695, 9.75695, 4.10282]) * 100 / [18, 18, 12],
                    rtol=1e-5)  # fmt: skip
    assert np.isnan(found.lower).tolist() == [True, False, False, True]
    assert np.isnan(found.upper[3])


def test_from_three_events_and_ten_trips_bounds_are_within_a_factor_of_sixty() -> None:
    # k 0.25, the strongest clustering of the coverage runs, and hours as uneven as there
    x = np.arange(3, 60)
    hours = np.exp(0.4 * stats.norm.ppf((np.arange(10) + 0.5) / 10))
    lower, upper = mid_p_bounds(x, effective_k(0.25, hours.sum(), (hours**2).sum()))
    assert np.max(upper / lower) < 60


# ---- ratios


def test_ratio_without_clustering_agrees_with_statsmodels() -> None:
    found = rate_ratio(11, 800, np.inf, 21, 3011, np.inf)
    theirs = confint_poisson_2indep(11, 800, 21, 3011, method="wald-log", compare="ratio")
    assert_allclose([found.lower, found.upper], theirs, rtol=1e-9)
    # page 4's variance with clustering, written out
    found = rate_ratio(11, 800, 9.0, 21, 3011, 17.0)
    half = stats.norm.ppf(0.975) * np.sqrt(1 / 11 + 1 / 9 + 1 / 21 + 1 / 17)
    assert_allclose([found.upper, found.lower], found.ratio * np.exp([half, -half]))


def test_ratio_of_shares_agrees_with_statsmodels() -> None:
    found = share_ratio_of_periods(7, 13, 2, 31)
    theirs = confint_proportions_2indep(7, 13, 2, 31, method="log", compare="ratio")
    assert_allclose([found.lower, found.upper], theirs, rtol=1e-9)
    assert_allclose(found.ratio, 7 / 13 / (2 / 31))


def test_ratios_at_the_edges() -> None:
    found = rate_ratio([0, 4, 0, 4], 10.0, 3.0, [5, 0, 0, 5], [10, 10, 10, 0], 3.0)
    assert_allclose(found.ratio, [0, np.inf, np.nan, np.nan])
    assert_allclose(found.lower[[0, 2]], 0)
    assert 0 < found.lower[1] < 8
    assert found.upper[1] == np.inf
    assert np.isfinite(found.upper[0])
    assert np.isnan([found.lower[3], found.upper[3]]).all()


def stretches(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Design (two sizes and a covariate), events, hours and trip of 400 trips in two parts."""
    rng = np.random.default_rng(seed)
    trip = np.repeat(np.arange(400), 2)
    size, share = np.repeat(rng.integers(0, 2, 400), 2), rng.random(800)
    hours = rng.lognormal(-0.4, 0.4, 800)
    factor = np.repeat(rng.gamma(0.5, 2, 400), 2)
    events = rng.poisson(0.3 * hours * np.exp(0.4 * size + share) * factor)
    return np.column_stack([size == 0, size == 1, share]).astype(float), events, hours, trip


def test_covariance_without_clustering_is_that_of_the_poisson_model() -> None:
    design, events, hours, trip = stretches(3)
    model = GLM(events, design, family=Poisson(), offset=np.log(hours)).fit()
    found = effects_covariance(design, model.mu, trip, np.inf)
    assert_allclose(found, model.cov_params(), rtol=1e-4)


def test_covariance_of_sizes_alone_is_the_crude_formula() -> None:
    design, events, hours, trip = stretches(4)
    sizes = design[:, :2]
    model = GLM(events, sizes, family=Poisson(), offset=np.log(hours)).fit()
    found = effects_covariance(sizes, model.mu, trip, 0.5)
    by_trip, own = np.bincount(trip, hours), sizes[::2, 1] == 1
    t = by_trip[own]
    x = events[sizes[:, 1] == 1].sum()
    k_eff = effective_k(0.5, t.sum(), (t**2).sum())
    assert_allclose(found[1, 1], 1 / x + 1 / k_eff, rtol=1e-6)
    assert_allclose(found[0, 1], 0, atol=1e-12)
    ratio = effect_ratio(model.params, found, [-1, 1])
    rest = by_trip[~own]
    crude = rate_ratio(x, t.sum(), k_eff, events.sum() - x, rest.sum(),
                       effective_k(0.5, rest.sum(), (rest**2).sum()))  # fmt: skip
    for one, other in ((ratio.ratio, crude.ratio), (ratio.lower, crude.lower),
                       (ratio.upper, crude.upper)):  # fmt: skip
        assert_allclose(one, other, rtol=1e-6)
