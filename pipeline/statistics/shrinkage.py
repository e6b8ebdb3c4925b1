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
from pipeline.statistics.intervals import FloatArray, Interval, clopper_pearson

LARGEST_SHAPE = 1e5
"""Above this the prior is as good as a single value."""

LEAST_SIZE = 1.0
"""The sum of the two parameters of Jeffreys' prior."""

MIN_GROUPS = 8
"""With fewer groups than this, how far to shrink is itself uncertain."""


@dataclass(frozen=True)
class Shrunk:
    """Shrunken estimates, one entry a group.

    ``raw`` is the group's own figure; ``own_weight`` the share of it in ``estimate`` (0 to 1), the
    rest being ``prior_mean``. ``first`` and ``second`` are the two parameters of the beta prior,
    infinite when ``pooled``. A group without trips has NaN throughout.
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
    found = _climb(log_likelihood, plain, LEAST_SIZE)
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
