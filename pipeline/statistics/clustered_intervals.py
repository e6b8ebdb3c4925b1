"""Intervals of event rates where events cluster within trips, given the service's shape k.

A cell is what one figure is made of: a month, a cannula size, a base, or any of them crossed. Its
events are taken as negative binomial; trips of unlike length cluster less together than trips
alike, so the cell's own shape k_eff comes from its trips' hours. Bounds are mid-P ones. With fewer
than 10 trips a cell has an upper bound only.

Everything here works on many cells at once, and none of it estimates k: see
:mod:`service_dispersion`.
"""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics import special
from pipeline.statistics.intervals import FloatArray, Interval, RatioInterval, as_float
from pipeline.statistics.roots import root_between

LARGEST_K = 1e6
"""From here on events are as good as independent."""

LEAST_TRIPS = 10
"""With fewer trips there is no lower bound: "too few to say: at most U"."""


def effective_k(k: ArrayLike, expected: ArrayLike, expected_squared: ArrayLike) -> FloatArray:
    """Shape k_eff of the count of a cell, at most 1e6.

    ``expected`` is the sum over the cell's rows (trip x size) of m = level x hours, and
    ``expected_squared`` that of m^2; for a cell of one size the hours themselves do, since the
    level cancels. k_eff = k expected^2 / expected_squared; NaN without hours.
    """
    shape, total, squares = as_float(k, expected, expected_squared)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = np.where(squares > 0, shape * total**2 / squares, np.nan)
    return np.asarray(np.minimum(found, LARGEST_K)[()])


def mid_p_bounds(
    events: ArrayLike, k_eff: ArrayLike, level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Mid-P bounds of the mean of a negative-binomial count, elementwise.

    With p = k / (k + m), tail(m) is the chance of fewer than ``events`` plus half that of just as
    many, (I_p(k, x) + I_p(k, x + 1)) / 2; the bounds are where it is 1 - (1 - level) / 2 and
    (1 - level) / 2. Without an event the lower one is 0. NaN in, NaN out; negative counts raise
    ValueError. The mid-P idea: Lancaster 1961, JASA 56:223.
    """
    x, k = as_float(events, k_eff)
    if np.any(x < 0) or np.any(k <= 0):
        raise ValueError("a count below 0 or a shape not above 0")
    k = np.minimum(k, LARGEST_K)
    tail = (1 - level) / 2
    upper = _mean_at(x, k, tail)
    lower = np.where(x == 0, 0.0, _mean_at(np.maximum(x, 1), k, 1 - tail))
    return lower[()], upper[()]


def _mean_at(x: FloatArray, k: FloatArray, tail: float) -> FloatArray:
    """Mean m at which the mid-P tail of ``x`` events is ``tail``."""
    known = np.isfinite(x) & np.isfinite(k)
    counts, shapes = x[known], k[known]
    found = np.full(x.shape, np.nan)
    if not known.any():
        return found

    def excess(log_mean: FloatArray) -> FloatArray:
        p = shapes / (shapes + np.exp(log_mean))
        below = np.where(counts > 0, special.betainc(shapes, np.maximum(counts, 1), p), 0.0)
        return np.asarray((below + special.betainc(shapes, counts + 1, p)) / 2 - tail)

    # the two terms alone reach the tail on either side of where their mean does
    none = counts == 0
    outer = _exact_mean(counts + 1, shapes, tail)
    inner = np.where(none, 0.1 * outer, _exact_mean(np.maximum(counts, 1), shapes, tail))
    solved = root_between(excess, np.log(inner) - 1e-6, np.log(outer) + 1e-6)
    closed = shapes * np.expm1(-np.log(2 * tail) / shapes) if tail < 0.5 else solved
    found[known] = np.where(none, closed, np.exp(solved))
    return found


def _exact_mean(x: FloatArray, k: FloatArray, tail: float) -> FloatArray:
    """Mean at which fewer than ``x`` events have the chance ``tail``."""
    p = special.betaincinv(k, x, tail)
    return np.asarray(k * (1 - p) / p)


def rate_intervals(
    events: ArrayLike,
    hours: ArrayLike,
    k_eff: ArrayLike,
    trips: ArrayLike,
    per: float = 100.0,
) -> Interval:
    """Rates per ``per`` hours of many cells; with fewer than 10 trips without a lower bound.

    One entry a cell: ``events`` (counts), ``hours``, ``k_eff`` of :func:`effective_k` and
    ``trips``. No hours: NaN throughout.
    """
    x, t, k, n = as_float(events, hours, k_eff, trips)
    some = t > 0
    x, t, k = (np.where(some, value, np.nan) for value in (x, t, k))
    lower, upper = mid_p_bounds(x, k)
    scale = per / t
    return Interval(
        estimate=(x * scale)[()],
        lower=np.where(n < LEAST_TRIPS, np.nan, lower * scale)[()],
        upper=(upper * scale)[()],
        method="mid-P negative binomial, one k for the service",
    )


def rate_ratio(  # noqa: PLR0917 - first one cell, then the other
    events: ArrayLike,
    expected: ArrayLike,
    k_eff: ArrayLike,
    reference_events: ArrayLike,
    reference_expected: ArrayLike,
    reference_k_eff: ArrayLike,
    level: float = 0.95,
) -> RatioInterval:
    """Ratio of two rates, elementwise; log variance 1/x1 + 1/k1 + 1/x0 + 1/k0.

    ``expected`` is hours, or level x hours where the two sides differ in mix (adjusted hours work
    alike: see :mod:`clustered_effects`). A side without an event is taken to have half a one in
    the variance, and for the bound that stays finite: none on the first side gives ratio and lower
    bound 0, none on the other an infinite ratio and upper bound, none on either no ratio and no
    bounds but 0 and infinity. No hours on a side: NaN.
    """
    x1, t1, k1, x0, t0, k0 = as_float(
        events, expected, k_eff, reference_events, reference_expected, reference_k_eff
    )
    if np.any(x1 < 0) or np.any(x0 < 0):
        raise ValueError("a count below 0")
    some = (t1 > 0) & (t0 > 0)
    most1, most0 = np.maximum(x1, 0.5), np.maximum(x0, 0.5)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(some, (x1 / t1) / (x0 / t0), np.nan)
        middle = np.where(some, (most1 / t1) / (most0 / t0), np.nan)
        half = np.exp(
            special.ndtri((1 + level) / 2) * np.sqrt(1 / most1 + 1 / k1 + 1 / most0 + 1 / k0)
        )
        lower = np.where(x1 == 0, 0.0 * middle, middle / half)
        upper = np.where(x0 == 0, np.inf + 0.0 * middle, middle * half)
    return RatioInterval(ratio[()], lower[()], upper[()], "log ratio, one k for the service")


def share_ratio_of_periods(
    events: ArrayLike,
    trips: ArrayLike,
    reference_events: ArrayLike,
    reference_trips: ArrayLike,
) -> RatioInterval:
    """Ratio of two shares of trips, as :func:`rate_ratio`: a binomial count has k = -n.

    Log variance 1/d1 - 1/n1 + 1/d0 - 1/n0 (Katz and others 1978, Biometrics 34:469).
    """
    d1, n1, d0, n0 = as_float(events, trips, reference_events, reference_trips)
    if np.any(d1 > n1) or np.any(d0 > n0):
        raise ValueError("more events than trips")
    n1, n0 = np.where(n1 > 0, n1, np.nan), np.where(n0 > 0, n0, np.nan)
    found = rate_ratio(d1, n1, -n1, d0, n0, -n0)
    return RatioInterval(found.ratio, found.lower, found.upper, "log ratio of shares")
