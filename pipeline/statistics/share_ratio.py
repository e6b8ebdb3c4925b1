"""The ratio of two shares: both of them counts of trips out of trips."""

from functools import cache

import numpy as np

from pipeline.statistics import special
from pipeline.statistics.intervals import FloatArray
from pipeline.statistics.roots import root_between
from schemas.record import dataclass

NODES = 200
LEFT_OUT = 1e-13
"""Probability at either end of a share's distribution that the integral leaves out."""


@dataclass(frozen=True)
class ShareRatio:
    """One share over another, with its two-sided interval; plain floats.

    ``ratio`` is NaN where neither side has an event, infinite where only the reference has none.
    """

    ratio: float
    lower: float
    upper: float


def share_ratio(
    events: float,
    trips: float,
    reference_events: float,
    reference_trips: float,
    level: float = 0.95,
) -> ShareRatio:
    """Ratio of two independent shares, group over reference, with the melded exact interval.

    Counts of trips. An upper bound is the quantile of the ratio of two beta variables, the group's
    as in Clopper-Pearson's upper bound, the reference's as in its lower one; a lower bound is the
    other way round. So each bound excludes 1 exactly where Fisher's exact one-sided test has a p
    below half of 1 - ``level``, and where one side is certain it is Clopper-Pearson's own. No
    event on either side: bounds 0 to infinity. No trips on a side: all NaN. ValueError for a
    count below 0, not whole, or above its trips.
    Source: Fay, Proschan and Brittain 2015, Biometrics 71:146.
    """
    tail = (1 - level) / 2
    one, other = (events, trips), (reference_events, reference_trips)
    if any(x != int(x) or not 0 <= x <= n for x, n in (one, other)):
        raise ValueError("whole counts of trips, no more than there are trips")
    nan = float("nan")
    if not (trips and reference_trips):
        return ShareRatio(nan, nan, nan)
    if not reference_events:
        ratio = float("inf") if events else nan
    else:
        ratio = (events / trips) / (reference_events / reference_trips)
    lower = 1 / _upper(*other, *one, tail) if events else 0.0
    return ShareRatio(ratio, lower, _upper(*one, *other, tail))


def _upper(x: float, n: float, x0: float, n0: float, tail: float) -> float:
    """The 1 - tail quantile of Beta(x + 1, n - x) over Beta(x0, n0 - x0 + 1)."""
    if not x0:
        return float("inf")
    if x == n:  # the first is 1 for certain
        return float(1 / special.betaincinv(x0, n0 - x0 + 1, tail))

    def excess(log_ratio: FloatArray) -> FloatArray:
        return np.array([_below(float(np.exp(log_ratio[0])), x, n, x0, n0) - (1 - tail)])

    widest = special.betaincinv(x + 1, n - x, 1 - tail / 2) / special.betaincinv(
        x0, n0 - x0 + 1, tail / 2
    )
    narrowest = special.betaincinv(x + 1, n - x, tail / 2)
    return float(np.exp(root_between(excess, [np.log(narrowest)], [np.log(widest)])[0]))


def _below(ratio: float, x: float, n: float, x0: float, n0: float) -> float:
    """Probability that Beta(x + 1, n - x) is at most ``ratio`` times Beta(x0, n0 - x0 + 1).

    Below 1 / ratio the integrand is a polynomial, so that Gauss-Legendre is exact for few trips.
    """
    a, b = x0, n0 - x0 + 1
    sure = min(1.0, 1 / ratio)
    low, high = (min(float(special.betaincinv(a, b, p)), sure) for p in (LEFT_OUT, 1 - LEFT_OUT))
    node, weight = _nodes()
    at = (low + high) / 2 + node * (high - low) / 2
    log_density = special.xlogy(a - 1, at) + special.xlog1py(b - 1, -at) - special.betaln(a, b)
    inside = np.exp(log_density) * special.betainc(x + 1, n - x, np.minimum(1.0, ratio * at))
    above = 1 - special.betainc(a, b, sure)
    return float(above + weight @ inside * (high - low) / 2)


@cache
def _nodes() -> tuple[FloatArray, FloatArray]:
    return np.polynomial.legendre.leggauss(NODES)
