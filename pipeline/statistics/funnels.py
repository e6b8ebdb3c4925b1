"""Funnel plots: is a base further from the whole service than chance alone would put it?

Source throughout: Spiegelhalter 2005, Stat Med 24:1185.
"""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.counts import Counts, binomial, negative_binomial
from pipeline.statistics.intervals import FloatArray, as_float

INNER, OUTER = 0.95, 0.998


def binomial_limits(
    n: ArrayLike, target: float, level: float = OUTER
) -> tuple[FloatArray, FloatArray]:
    """Exact binomial funnel limits for a share ``target`` of ``n`` (whole numbers; 0 gives NaN).

    Interpolated between neighbouring counts so that the funnel is smooth, as published, which may
    put a point outside one count before the exact tail would; cut off at 0 and 1.
    """
    (m,) = as_float(n)
    m = np.where(m > 0, m, np.nan)

    def limit(tail: float) -> FloatArray:
        return np.asarray(np.clip(_interpolated(binomial(m, target), tail) / m, 0.0, 1.0))

    return limit((1 - level) / 2), limit((1 + level) / 2)


def clustered_limits(
    exposure: ArrayLike,
    k_eff: ArrayLike,
    target: float,
    per: float = 1.0,
    level: float = OUTER,
) -> tuple[FloatArray, FloatArray]:
    """Funnel limits of a rate where events cluster within trips: negative binomial with ``k_eff``.

    ``exposure`` in hours (0 gives NaN), ``target`` in events per ``per`` of them. Interpolated
    between neighbouring counts; cut off at 0. The spread is that of the trips, so that any number
    of groups will do; as k_eff grows they come down to exact Poisson limits.
    """
    t, k = as_float(exposure, k_eff)
    t = np.where(t > 0, t, np.nan)
    p = k / (k + target * t / per)

    def limit(tail: float) -> FloatArray:
        count = _interpolated(negative_binomial(k, p), tail)
        return np.asarray(np.maximum(count / t * per, 0.0))

    return limit((1 - level) / 2), limit((1 + level) / 2)


def _interpolated(counts: Counts, tail: float) -> FloatArray:
    """Count at which the distribution would reach ``tail`` if it rose in straight lines."""
    count = counts.quantile(tail)
    at, before = counts.below(count), counts.below(count - 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(count - (at - tail) / (at - before))
