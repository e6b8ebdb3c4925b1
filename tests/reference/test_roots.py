"""Our own bracketed search against scipy.optimize, which is too slow to import in a review."""

import numpy as np
import pytest
from scipy import special
from scipy.optimize import brentq, minimize

from pipeline.statistics.roots import root_between
from pipeline.statistics.shrinkage import beta_binomial


def test_roots_are_those_of_scipy_whatever_stands_beside_them() -> None:
    target = np.geomspace(1e-6, 1e6, 41)

    def curved(x: np.ndarray) -> np.ndarray:
        return np.expm1(x) + x**3 - target

    found = root_between(curved, np.full(41, -5.0), np.full(41, 20.0))
    for goal, x in zip(target, found, strict=True):
        # computed: scipy's brentq on the same function
        known = brentq(lambda at, goal=goal: np.expm1(at) + at**3 - goal, -5, 20, xtol=1e-15)
        assert x == pytest.approx(known, rel=1e-13, abs=1e-14)
        own = root_between(lambda at, goal=goal: np.expm1(at) + at**3 - goal, [-5.0], [20.0])
        assert own[0] == x


def test_a_root_at_a_bound_is_found_and_none_is_nan() -> None:
    found = root_between(lambda x: x - np.array([0.0, 1.0, 7.0]), [0.0] * 3, [1.0] * 3)
    assert found[:2].tolist() == [0.0, 1.0]
    assert np.isnan(found[2])


@pytest.mark.parametrize("seed", range(12))
def test_the_prior_of_shares_is_at_least_as_likely_as_the_simplex_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = rng.integers(30, 2000, 3 + seed).astype(float)
    x = rng.binomial(n.astype(int), rng.beta(2, 30, len(n))).astype(float)

    def loss(at: np.ndarray) -> float:
        size = np.exp(np.clip(at[1], 0, np.log(1e5)))
        a, b = special.expit(at[0]) * size, special.expit(-at[0]) * size
        return -float(np.sum(special.betaln(a + x, b + n - x) - special.betaln(a, b)))

    start = special.logit(x.sum() / n.sum())
    # computed: scipy's Nelder-Mead from two starts
    best = min(
        (minimize(loss, [start, log_size], method="Nelder-Mead",
                  options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 2000})
         for log_size in (0.5, 2.5)), key=lambda fit: float(fit.fun),
    )  # fmt: skip
    found = beta_binomial(x, n)
    if not found.pooled:
        size = found.first + found.second
        mean = found.first / size
        assert loss(np.array([special.logit(mean), np.log(size)])) <= best.fun + 1e-9
        assert mean == pytest.approx(special.expit(best.x[0]), rel=1e-4)
    assert found.pooled == (best.x[1] > np.log(1e5) - 0.7)
