"""Shrinkage: a small group's figure is pulled towards the whole service's, and says how far.

Empirical Bayes with the prior fitted to the groups by maximum likelihood, and
never held to be weaker than Jeffreys' (else two extreme groups would get intervals of no width).
Where the groups differ no more than chance would have it, the fit has no finite optimum; every
group then gets the pooled figure and its exact interval (``pooled`` is True). Where no group has an
event, or every trip has one, there is nothing to learn a prior from, and each group keeps its own
figure and exact interval. The intervals take the fitted prior as known, so with few groups they
are somewhat narrow; ``reason`` says so below 8 groups.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.statistics.charts import BoolArray, one_series
from pipeline.statistics.funnels import MIN_GROUPS
from pipeline.statistics.intervals import FloatArray, Interval, clopper_pearson, poisson_exact

LARGEST_SHAPE = 1e5
"""Above this the prior is as good as a single value."""

JEFFREYS_GAMMA, JEFFREYS_BETA = 0.5, 1.0
"""Shape of the gamma, and the sum of the beta's two parameters, in Jeffreys' priors."""


@dataclass(frozen=True)
class Shrunk:
    """Shrunken estimates, one entry a group.

    ``raw`` is the group's own figure; ``own_weight`` the share of it in ``estimate`` (0 to 1), the
    rest being ``prior_mean``. ``first`` and ``second`` are the prior's parameters: shape and rate
    of the gamma (rate in the exposure's unit), or the two of the beta; infinite when ``pooled``.
    A group without exposure or trips has NaN throughout.
    """

    raw: FloatArray
    estimate: FloatArray
    lower: FloatArray
    upper: FloatArray
    own_weight: FloatArray
    prior_mean: float
    first: float
    second: float
    pooled: bool
    groups: int
    reason: str
    level: float
    method: str


def gamma_poisson(
    events: ArrayLike, exposure: ArrayLike, per: float = 1.0, level: float = 0.95
) -> Shrunk:
    """Shrunken rates, per ``per`` units of exposure: posterior means and equal-tailed intervals.

    ``events`` over ``exposure`` in each group; counts below 0 raise ValueError.
    Source: Gaver and O'Muircheartaigh 1987, Technometrics 29:1 (the pump failures).
    """
    x, t = one_series(events, exposure)
    if np.any(x < 0) or np.any(t < 0):
        raise ValueError("a count or an exposure below 0")
    known = np.isfinite(x) & (t > 0)
    own = np.where(known, x, np.nan) / np.where(known, t, np.nan)
    whole = poisson_exact(x[known].sum(), t[known].sum(), level=level)
    fitted = _gamma_prior(x[known], t[known], float(whole.estimate)) if known.any() else None
    method = "gamma-Poisson, maximum likelihood"
    if fitted is None:
        plain = poisson_exact(x, t, level=level) if whole.estimate == 0 else whole
        return _scaled(_unfitted(own, known, plain, method), per)
    shape, rate = fitted
    a, b = shape + x, rate + t
    tail = (1 - level) / 2
    bounds = (special.gammaincinv(a, tail) / b, special.gammaincinv(a, 1 - tail) / b)
    prior = (shape / rate, shape, rate)
    found = _result(own, known, (a / b, *bounds, t / b), prior, level=level, method=method)
    return _scaled(found, per)


def beta_binomial(events: ArrayLike, n: ArrayLike, level: float = 0.95) -> Shrunk:
    """Shrunken shares: posterior means and equal-tailed intervals, as proportions.

    ``events`` out of ``n`` in each group; events below 0 or above n raise ValueError.
    Source: Griffiths 1973, Biometrics 29:637 (the fit).
    """
    x, m = one_series(events, n)
    if np.any(x < 0) or np.any(x > m):
        raise ValueError("events must lie between 0 and the number of trips")
    known = np.isfinite(x) & (m > 0)
    own = np.where(known, x, np.nan) / np.where(known, m, np.nan)
    whole = clopper_pearson(x[known].sum(), m[known].sum(), level=level)
    fitted = _beta_prior(x[known], m[known], float(whole.estimate)) if known.any() else None
    method = "beta-binomial, maximum likelihood"
    if fitted is None:
        extreme = whole.estimate in (0.0, 1.0)
        plain = clopper_pearson(x, m, level=level) if extreme else whole
        return _unfitted(own, known, plain, method)
    alpha, beta = fitted
    a, b = alpha + x, beta + m - x
    tail = (1 - level) / 2
    bounds = (special.betaincinv(a, b, tail), special.betaincinv(a, b, 1 - tail))
    prior = (alpha / (alpha + beta), alpha, beta)
    columns = (a / (a + b), *bounds, m / (a + b))
    return _result(own, known, columns, prior, level=level, method=method)


def _gamma_prior(x: FloatArray, t: FloatArray, pooled: float) -> tuple[float, float] | None:
    """Shape and rate by maximum likelihood; None if the groups show no spread beyond chance."""
    if pooled == 0:
        return None
    expected = t * pooled  # the fit is in units of the pooled rate, so its mean lies near 1

    def log_likelihood(log_mean: float, log_shape: float) -> float:
        shape = np.exp(log_shape)
        mean = expected * np.exp(log_mean)
        return float(
            np.sum(
                special.gammaln(shape + x)
                - special.gammaln(shape)
                - (shape + x) * np.log1p(mean / shape)
                + x * np.log(mean / shape)
            )
        )

    plain = float(np.sum(x * np.log(expected) - expected))
    found = _climb(log_likelihood, plain, JEFFREYS_GAMMA)
    if found is None:
        return None
    mean, shape = np.exp(found)
    return float(shape), float(shape / (mean * pooled))


def _beta_prior(x: FloatArray, m: FloatArray, pooled: float) -> tuple[float, float] | None:
    """Both parameters by maximum likelihood; None if there is no spread beyond chance."""
    if pooled in (0.0, 1.0):
        return None
    start = float(special.logit(pooled))

    def log_likelihood(shift: float, log_size: float) -> float:
        mean, size = special.expit(start + shift), np.exp(log_size)
        a, b = mean * size, (1 - mean) * size
        return float(np.sum(special.betaln(a + x, b + m - x) - special.betaln(a, b)))

    plain = float(np.sum(x * np.log(pooled) + (m - x) * np.log1p(-pooled)))
    found = _climb(log_likelihood, plain, JEFFREYS_BETA)
    if found is None:
        return None
    mean, size = special.expit(start + found[0]), np.exp(found[1])
    return float(mean * size), float((1 - mean) * size)


def _climb(
    log_likelihood: Callable[[float, float], float], no_spread: float, least_shape: float
) -> tuple[float, float] | None:
    """Maximise over (location, log shape); None if no better than ``no_spread``."""
    from scipy.optimize import minimize

    low, high = float(np.log(least_shape)), float(np.log(LARGEST_SHAPE))

    def negative(p: "np.ndarray[tuple[int], np.dtype[np.float64]]") -> float:
        return -log_likelihood(float(p[0]), float(np.clip(p[1], low, high)))

    # two parameters: the simplex needs no derivatives, and no linear algebra that would start
    # threads; it starts wide, because a narrow one collapses onto a bound
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


def _few(groups: int) -> str:
    if groups >= MIN_GROUPS:
        return ""
    return f"How far to shrink is itself uncertain: {groups} groups, fewer than {MIN_GROUPS}."


def _result(
    own: FloatArray,
    known: BoolArray,
    columns: Sequence[ArrayLike],
    prior: tuple[float, float, float],
    *,
    level: float,
    method: str,
) -> Shrunk:
    """``columns`` are estimate, lower, upper and own weight; ``prior`` its mean and parameters."""
    estimate, lower, upper, weight = (np.where(known, c, np.nan) for c in columns)
    groups = int(known.sum())
    return Shrunk(
        raw=own,
        estimate=estimate,
        lower=lower,
        upper=upper,
        own_weight=weight,
        prior_mean=prior[0],
        first=prior[1],
        second=prior[2],
        pooled=False,
        groups=groups,
        reason=_few(groups),
        level=level,
        method=method,
    )


def _unfitted(own: FloatArray, known: BoolArray, plain: Interval, method: str) -> Shrunk:
    """No prior to fit: the pooled figure for all (a scalar interval), or each group's own."""
    pooled = np.ndim(plain.estimate) == 0
    groups = int(known.sum())
    reason = "Nothing to shrink towards: each group keeps its own figure and exact interval."
    if pooled:
        reason = "The groups differ no more than chance would have it: all get the pooled figure."
    columns = (plain.estimate, plain.lower, plain.upper, np.float64(not pooled))
    whole = float(np.mean(plain.estimate[known])) if not pooled else float(plain.estimate)
    infinite = float("inf") if pooled else float("nan")
    found = _result(
        own,
        known,
        columns,
        (whole, infinite, infinite),
        level=plain.level,
        method=f"{method}; none fitted, {plain.method} interval",
    )
    return replace(
        found, pooled=pooled, reason=reason if groups else "No group has anything to estimate from."
    )


def _scaled(result: Shrunk, per: float) -> Shrunk:
    """Rates per ``per`` units; the prior's own parameters stay in the exposure's unit."""
    return replace(
        result,
        raw=result.raw * per,
        estimate=result.estimate * per,
        lower=result.lower * per,
        upper=result.upper * per,
        prior_mean=result.prior_mean * per,
    )
