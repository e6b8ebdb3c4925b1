"""Rates of events that cluster within trips: one rate, with an interval that knows it.

One blocked cannula is often blocked again, so ten events of one trip say less than ten events of
ten trips, and an interval that takes them as independent is too narrow. Here the trip is the unit:
:func:`clustered_rate` measures the spread between trips (a quasi-Poisson interval),
:func:`bootstrap_rate` draws whole trips again and again. The naive exact Poisson interval stands
beside either. :mod:`rate_model` adjusts for what else differs.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.statistics.charts import one_series
from pipeline.statistics.intervals import FloatArray, Interval, as_float, poisson_exact

MIN_EVENT_TRIPS = 5
"""With fewer trips that had an event, rates are not compared or adjusted."""

MIN_REDRAWN_TRIPS = 10
"""With fewer trips that had an event, redrawing trips gives intervals that are too narrow."""

MAX_BOOTSTRAP_TRIPS = 20_000
"""With more trips the bootstrap would only repeat, slowly, what the quasi-Poisson interval says."""


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


def bootstrap_rate(
    events: ArrayLike,
    exposure: ArrayLike,
    per: float = 1.0,
    level: float = 0.95,
    *,
    seed: int,
    draws: int = 2000,
) -> ClusteredRate:
    """Rate with a cluster bootstrap interval: whole trips redrawn with replacement.

    Arguments as for :func:`clustered_rate`. Studentised and symmetric on the log scale,
    which covers better than percentiles where trips are few, and never narrower than the variance
    of independent events; the same ``seed`` gives the same interval, whatever ran before.
    With fewer than 10 trips that had an event redrawing them says too little, and with more than
    20,000 trips nothing else: then the interval of :func:`clustered_rate`, and why.
    Source: Davison and Hinkley 1997, Bootstrap Methods and their Application, 5.2 and 3.8.
    """
    found = clustered_rate(events, exposure, per, level)
    if found.trips_with_event < MIN_REDRAWN_TRIPS:
        few = f"Too few trips with an event to redraw ({found.trips_with_event})."
        return replace(found, reason=found.reason or few)
    if found.trips > MAX_BOOTSTRAP_TRIPS:
        return replace(found, reason="So many trips that redrawing them would change nothing.")
    x, t = _trips(events, exposure)
    drawn = np.abs(_studentised(x, t, draws, np.random.default_rng(seed)))
    # a draw without any event is infinitely far, so no interpolation
    reach = float(np.quantile(drawn, level, method="nearest")) * _log_error(x, t)
    return replace(
        found,
        lower=float(found.estimate * np.exp(-reach)),
        upper=float(found.estimate * np.exp(reach)),
        method=f"cluster bootstrap, {draws} draws of trips",
    )


def t_quantile(scores: FloatArray, level: float) -> float:
    """Two-sided t quantile whose degrees of freedom fit the spread of the trips' squared scores.

    The more an estimate hangs on a few trips, the fewer the degrees of freedom (at least 1).
    Source: Pan and Wall 2002, Stat Med 21:1429.
    """
    squares = scores**2
    return float(_quantile(squares.sum(), np.sum(squares**2), len(squares), level))


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


def negative_binomial_k(events: ArrayLike, exposure: ArrayLike | None = None) -> float:
    """Dispersion parameter k of a negative binomial, by maximum likelihood.

    One entry a trip; the variance is mean + mean^2 / k, so a small k is much clustering. Infinite
    where the counts spread no more than Poisson ones, NaN without an event.
    Source: Bliss and Fisher 1953, Biometrics 9:176.
    """
    from scipy.optimize import minimize_scalar

    (x,) = one_series(events)
    t = np.ones_like(x) if exposure is None else one_series(exposure)[0]
    x, t = _trips(x, t)
    x, t = x[t > 0], t[t > 0]
    if x.sum() == 0:
        return float("nan")

    def score(log_mean: float, k: float) -> float:
        mean = np.exp(log_mean) * t
        return float(np.sum((x - mean) / (1 + mean / k)))

    def deviance(log_k: float) -> float:
        from scipy.optimize import brentq

        k = float(np.exp(log_k))
        start = float(np.log(x.sum() / t.sum()))
        mean = t * np.exp(brentq(score, start - 10, start + 10, args=(k,), xtol=1e-12))
        gain = special.gammaln(k + x) - special.gammaln(k) - x * np.log(k)
        return -float(np.sum(gain - (k + x) * np.log1p(mean / k) + x * np.log(mean)))

    bounds = (float(np.log(1e-4)), float(np.log(1e5)))
    best = minimize_scalar(deviance, bounds=bounds, method="bounded", options={"xatol": 1e-9})
    return float(np.exp(best.x)) if best.x < bounds[1] - 1 else float("inf")


def _trips(events: ArrayLike, exposure: ArrayLike) -> tuple[FloatArray, FloatArray]:
    x, t = one_series(events, exposure)
    if np.any(x < 0) or np.any(t < 0):
        raise ValueError("a count or an exposure below 0")
    kept = np.isfinite(x) & np.isfinite(t) & ((x > 0) | (t > 0))
    return x[kept], t[kept]


def _log_scores(x: FloatArray, t: FloatArray) -> FloatArray:
    """Each trip's pull on the log rate, as if that trip had not been part of it."""
    return np.asarray((x - x.sum() / t.sum() * t) / (1 - t / t.sum()) / x.sum())


def _log_error(x: FloatArray, t: FloatArray) -> float:
    """Standard error of the log rate, at least that of independent events."""
    return float(np.sqrt(max(np.sum(_log_scores(x, t) ** 2), 1 / x.sum())))


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


def _studentised(x: FloatArray, t: FloatArray, draws: int, rng: np.random.Generator) -> FloatArray:
    """Log rate of each draw less the log rate seen, over the draw's own standard error."""
    n = len(x)
    columns = np.column_stack([x, t, x * x, x * t, t * t])
    found = np.empty(draws)
    step = max(1, 2_000_000 // n)
    for start in range(0, draws, step):
        size = min(step, draws - start)
        sums = rng.multinomial(n, np.full(n, 1 / n), size) @ columns
        drawn, hours = sums[:, 0], sums[:, 1]
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = drawn / hours
            error = np.sqrt(sums[:, 2] - 2 * rate * sums[:, 3] + rate**2 * sums[:, 4]) / drawn
            score = np.log(rate * t.sum() / x.sum()) / error
        found[start : start + size] = np.where(drawn > 0, score, -np.inf)
    return found
