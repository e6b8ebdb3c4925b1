"""Base rates as they were until 0.1.0, to be measured beside: gamma-Poisson, independent events."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats
from scipy.optimize import minimize

from pipeline.statistics.intervals import FloatArray, poisson_exact

LEAST_SHAPE, LARGEST_SHAPE = 0.5, 1e5
"""That of Jeffreys' prior; and from where the prior is as good as a single value."""


@dataclass(frozen=True)
class ShrunkRates:
    """Posterior means and equal-tailed bounds, one entry a group, and the gamma's two parameters.

    Where the groups differ no more than chance would have it all get the pooled figure, and shape
    and rate are infinite.
    """

    estimate: FloatArray
    lower: FloatArray
    upper: FloatArray
    shape: float
    rate: float


def gamma_poisson(events: ArrayLike, exposure: ArrayLike, level: float = 0.95) -> ShrunkRates:
    """Rates of groups that all have exposure, the prior by maximum likelihood.

    Source: Gaver and O'Muircheartaigh 1987, Technometrics 29:1.
    """
    x, t = (np.asarray(v, dtype=np.float64) for v in (events, exposure))
    pooled = float(x.sum() / t.sum())
    found = None
    if pooled:
        expected = t * pooled  # in units of the pooled rate, so that the fit's mean lies near 1

        def log_likelihood(log_mean: float, log_shape: float) -> float:
            shape, mean = np.exp(log_shape), expected * np.exp(log_mean)
            terms = special.gammaln(shape + x) - special.gammaln(shape)
            terms += x * np.log(mean / shape) - (shape + x) * np.log1p(mean / shape)
            return float(terms.sum())

        found = _climb(log_likelihood, float(np.sum(x * np.log(expected) - expected)), LEAST_SHAPE)
    if found is None:
        whole = poisson_exact(x.sum(), t.sum(), level=level)
        even = (np.full(len(x), float(v)) for v in (whole.estimate, whole.lower, whole.upper))
        return ShrunkRates(*even, np.inf, np.inf)
    mean, shape = np.exp(found)
    rate = shape / (mean * pooled)
    posterior = stats.gamma(shape + x, scale=1 / (rate + t))
    return ShrunkRates(posterior.mean(), *posterior.interval(level), float(shape), float(rate))


def _climb(
    log_likelihood: Callable[[float, float], float], no_spread: float, least_shape: float
) -> tuple[float, float] | None:
    """Maximise over (location, log shape); None if no better than ``no_spread``."""
    low, high = float(np.log(least_shape)), float(np.log(LARGEST_SHAPE))

    def negative(p: "np.ndarray[tuple[int], np.dtype[np.float64]]") -> float:
        return -log_likelihood(float(p[0]), float(np.clip(p[1], low, high)))

    # the simplex starts wide, because a narrow one collapses onto a bound
    fits = [
        minimize(
            negative,
            np.asarray((0.0, start), dtype=np.float64),
            method="Nelder-Mead",
            options={
                "initial_simplex": [(0.0, start), (0.5, start), (0.0, start + 1.5)],
                "xatol": 1e-7,
                "fatol": 1e-10,
                "maxiter": 1000,
            },
        )
        for start in (low + 0.5, 2.5)
    ]
    best = min(fits, key=lambda fit: float(fit.fun))
    location, log_shape = float(best.x[0]), float(np.clip(best.x[1], low, high))
    if log_shape > high - 0.7 or -float(best.fun) <= no_spread + 1e-6:
        return None
    return location, log_shape
