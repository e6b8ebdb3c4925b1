"""One rate with an interval from its own trips' spread (quasi-Poisson).

What :mod:`clustered_intervals` is held against, and what tells the shared edition how events
cluster. Pages take their intervals from there, not from here.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.statistics.charts import one_series
from pipeline.statistics.intervals import FloatArray, Interval, as_float, poisson_exact


@dataclass(frozen=True)
class ClusteredRate:
    """A rate per ``per`` units of exposure, the interval by trips and the naive one beside it.

    ``dispersion`` is how many times the variance of the rate exceeds that of independent events
    (NaN without an event or with one trip only). ``method`` names the interval; ``reason`` says
    in a sentence why it is not the one asked for, else it is empty.
    """

    estimate: float
    lower: float
    upper: float
    naive_lower: float
    naive_upper: float
    events: float
    exposure: float
    trips: int
    trips_with_event: int
    dispersion: float
    level: float
    method: str
    reason: str


def clustered_rate(
    events: ArrayLike, exposure: ArrayLike, per: float = 1.0, level: float = 0.95
) -> ClusteredRate:
    """Rate with a quasi-Poisson interval: the variance is the one seen between trips.

    ``events`` and ``exposure`` hold one entry a trip (counts; hours or any unit), a trip with
    either missing is left out. Computed on the log scale with the leverage correction of Mancl and
    DeRouen and the t quantile of Pan and Wall, and never narrower than independent events would
    have it. No event: the exact Poisson bounds. No exposure: NaN.
    Source: Mancl and DeRouen 2001, Biometrics 57:126; Pan and Wall 2002, Stat Med 21:1429.
    """
    x, t = _trips(events, exposure)
    found = _plain(x, t, per, level)
    if found.reason:
        return found
    squares = _log_scores(x, t) ** 2
    interval = quasi_poisson(
        found.events, found.exposure, squares.sum(), np.sum(squares**2), len(x), per, level
    )
    low, high = float(interval.lower), float(interval.upper)
    return replace(found, lower=low, upper=high, method=interval.method)


def quasi_poisson(  # noqa: PLR0917 - the sums in the order they are explained
    events: ArrayLike,
    exposure: ArrayLike,
    squares: ArrayLike,
    fourths: ArrayLike,
    trips: ArrayLike,
    per: float = 1.0,
    level: float = 0.95,
) -> Interval:
    """Interval of :func:`clustered_rate` from sums over trips, elementwise over groups.

    ``squares`` and ``fourths`` are the sums over the ``trips`` of the second and fourth powers of
    each trip's pull on the log rate, (x - r t) / (1 - t / T) / X for x of X events in t of T hours
    at the rate r. NaN where there is no event, no exposure, or a sum is missing (one trip only).
    """
    x, t, s2, s4, n = as_float(events, exposure, squares, fourths, trips)
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = np.where((x > 0) & (t > 0), per * x / t, np.nan)
        error = np.sqrt(np.maximum(s2, 1 / x))
        half = np.exp(_quantile(s2, s4, n, level) * error)
        low, high = estimate / half, estimate * half
    return Interval(estimate[()], low[()], high[()], x[()], t[()], level, "quasi-Poisson by trip")


def _quantile(s2: ArrayLike, s4: ArrayLike, n: ArrayLike, level: float) -> FloatArray:
    """The t quantile from the sums of the squared scores and of their squares, and their number."""
    s2, s4, n = as_float(s2, s4, n)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = s4 - s2**2 / n
        # what is left of equal squares after rounding is no spread
        freedom = np.where(spread > 1e-12 * s4, np.maximum(1.0, 2 * s2**2 / spread), np.inf)
    tail = (1 + level) / 2
    found = np.where(np.isinf(freedom), special.ndtri(tail), special.stdtrit(freedom, tail))
    return np.asarray(found, dtype=np.float64)


def _trips(events: ArrayLike, exposure: ArrayLike) -> tuple[FloatArray, FloatArray]:
    x, t = one_series(events, exposure)
    if np.any(x < 0) or np.any(t < 0):
        raise ValueError("a count or an exposure below 0")
    kept = np.isfinite(x) & np.isfinite(t) & ((x > 0) | (t > 0))
    return x[kept], t[kept]


def _log_scores(x: FloatArray, t: FloatArray) -> FloatArray:
    """Each trip's pull on the log rate, as if that trip had not been part of it."""
    return np.asarray((x - x.sum() / t.sum() * t) / (1 - t / t.sum()) / x.sum())


def _plain(x: FloatArray, t: FloatArray, per: float, level: float) -> ClusteredRate:
    """The naive interval, and the dispersion that shows how naive it is (or why there is none)."""
    naive = poisson_exact(x.sum(), t.sum(), per, level)
    dispersion, reason = float("nan"), ""
    if t.sum() == 0:
        reason = "No exposure."
    elif x.sum() == 0:
        reason = "No event."
    elif t.max() == t.sum():
        reason = "One trip only."
    else:
        dispersion = float(np.sum(_log_scores(x, t) ** 2) * x.sum())
    return ClusteredRate(
        estimate=float(naive.estimate),
        lower=float(naive.lower),
        upper=float(naive.upper),
        naive_lower=float(naive.lower),
        naive_upper=float(naive.upper),
        events=float(x.sum()),
        exposure=float(t.sum()),
        trips=len(x),
        trips_with_event=int(np.sum(x > 0)),
        dispersion=dispersion,
        level=level,
        method=naive.method,
        reason=reason,
    )
