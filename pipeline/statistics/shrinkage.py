"""Shrinkage: a small group's figure is pulled towards the whole service's, and says how far.

Empirical Bayes with the prior fitted to the groups by maximum likelihood, and
never held to be weaker than Jeffreys' (else two extreme groups would get intervals of no width).
Where the groups differ no more than chance would have it, the fit has no finite optimum; every
group then gets the pooled figure and its exact interval (``pooled`` is True). Where no group has an
event, or every trip has one, there is nothing to learn a prior from, and each group keeps its own
figure and exact interval. The intervals take the fitted prior as known, so with few groups they
are somewhat narrow.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics import special
from pipeline.statistics.charts import one_series
from pipeline.statistics.intervals import TAILS_95, FloatArray, clopper_pearson
from schemas.record import dataclass

LOW, HIGH = 0.0, float(np.log(1e5))
"""Log of the least and the largest sum of the prior's parameters: the least is that of Jeffreys'
prior, and above the largest the prior is as good as a single value."""

MOST_STEPS, CLOSE, LONGEST = 200, 1e-11, 2.0
"""Of the steps that fit the prior, on the scales of logit and log."""


@dataclass(frozen=True)
class Shrunk:
    """Shrunken estimates, one entry a group; a group without trips has NaN throughout.

    ``first`` and ``second`` are the two parameters of the beta prior: infinite when ``pooled``, NaN
    where there was nothing to learn one from.
    """

    estimate: FloatArray
    lower: FloatArray
    upper: FloatArray
    first: float
    second: float
    pooled: bool


def beta_binomial(events: ArrayLike, n: ArrayLike) -> Shrunk:
    """Shrunken shares: posterior means and equal-tailed 95 % intervals, as proportions.

    ``events`` out of ``n`` in each group; events below 0 or above n raise ValueError.
    Source: Griffiths 1973, Biometrics 29:637 (the fit).
    """
    x, m = one_series(events, n)
    if np.any(x < 0) or np.any(x > m):
        raise ValueError("events must lie between 0 and the number of trips")
    known = np.isfinite(x) & (m > 0)
    whole = clopper_pearson(x[known].sum(), m[known].sum())
    fitted = _beta_prior(x[known], m[known], float(whole.estimate)) if known.any() else None
    pooled = fitted is None and whole.estimate not in (0.0, 1.0)
    if fitted is None:
        plain = whole if pooled else clopper_pearson(x, m)
        columns = [plain.estimate, plain.lower, plain.upper]
        first = second = float("inf") if pooled else float("nan")
    else:
        first, second = fitted
        a, b = first + x, second + m - x
        columns = [a / (a + b), *(special.betaincinv(a, b, tail) for tail in TAILS_95)]
    estimate, lower, upper = (np.where(known, column, np.nan) for column in columns)
    return Shrunk(estimate, lower, upper, first, second, pooled)


def _beta_prior(x: FloatArray, m: FloatArray, pooled: float) -> tuple[float, float] | None:
    """Both parameters by maximum likelihood; None if there is no spread beyond chance."""
    if pooled in (0.0, 1.0):
        return None
    start = float(special.logit(pooled))
    # the likelihood may have a second, lower top: it is climbed from a weak and a strong prior
    tops = [_climbed(x, m, np.array([start, log_size])) for log_size in (LOW + 0.5, 2.5)]
    best = max(tops, key=lambda top: _log_likelihood(x, m, top))
    plain = float(np.sum(x * np.log(pooled) + (m - x) * np.log1p(-pooled)))
    if best[1] > HIGH - 0.7 or _log_likelihood(x, m, best) <= plain + 1e-6:
        return None
    first, second = _shapes(best)
    return first, second


def _shapes(at: FloatArray) -> tuple[float, float]:
    """Both parameters of a prior whose mean is at[0] on the logit scale, and log size at[1]."""
    size = float(np.exp(at[1]))
    return float(special.expit(at[0])) * size, float(special.expit(-at[0])) * size


def _log_likelihood(x: FloatArray, m: FloatArray, at: FloatArray) -> float:
    """Log-likelihood of ``x`` of ``m`` without what does not depend on the prior."""
    a, b = _shapes(at)
    return float(np.sum(special.betaln(a + x, b + m - x) - special.betaln(a, b)))


def _climbed(x: FloatArray, m: FloatArray, at: FloatArray) -> FloatArray:
    """The top that is reached from ``at``, by Newton's steps, held to where the log size may lie.

    Where a step does not lead upwards it is made shorter, and closer to the steepest ascent
    (Levenberg 1944, Q Appl Math 2:164; Marquardt 1963, J SIAM 11:431).
    """
    height, held = _log_likelihood(x, m, at), 0.0
    for _ in range(MOST_STEPS):
        slope, bend = _derivatives(x, m, at)
        at_bound = (at[1] <= LOW and slope[1] < 0) or (at[1] >= HIGH and slope[1] > 0)
        free = slice(0, 1) if at_bound else slice(0, 2)
        curve = bend[free, free]
        # a step is taken on a hill: where the ground is not curved like one, it is made so
        damping = 2 * max(0.0, float(np.linalg.eigvalsh(curve)[-1])) + held
        damping += 1e-12 * float(np.abs(curve).max())
        step = np.zeros(2)
        step[free] = np.linalg.solve(damping * np.eye(len(curve)) - curve, slope[free])
        there = at + np.clip(step, -LONGEST, LONGEST)
        there[1] = np.clip(there[1], LOW, HIGH)
        higher = _log_likelihood(x, m, there)
        moved = float(np.max(np.abs(there - at)))
        if moved < CLOSE:
            break
        if higher >= height:
            at, height, held = there, higher, held / 10
        else:
            held = max(10 * held, abs(bend[0, 0]) / 10)
    return at


def _derivatives(x: FloatArray, m: FloatArray, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slope (2,) and curvature (2, 2) of the log-likelihood, by logit mean and log size."""
    a, b = _shapes(at)
    size, less = a + b, (b - a) / (a + b)
    by_mean = a * b / size

    def of(function: Callable[[FloatArray], FloatArray]) -> tuple[float, float, float]:
        many = function(np.array([a + x, b + m - x, size + m])).sum(axis=1)
        own, other, both = (many - len(x) * function(np.array([a, b, size]))).tolist()
        return own, other, -both

    own, other, both = of(special.psi)
    along_a, along_b = own + both, other + both
    own2, other2, both2 = of(lambda value: special.zeta(2, value))  # the trigamma function
    change = np.array([[by_mean, a], [-by_mean, b]])
    second = np.array([[own2 + both2, both2], [both2, other2 + both2]])
    bend = change.T @ second @ change
    spread = by_mean * (along_a - along_b)
    bend += np.array([[spread * less, spread], [spread, a * along_a + b * along_b]])
    return np.array([spread, a * along_a + b * along_b]), bend
