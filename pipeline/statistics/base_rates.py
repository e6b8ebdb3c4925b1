"""Bases side by side: how far apart they truly are, and whether any may be named.

Rates: each base's log rate is normal about the service's, with a spread between bases that is
itself uncertain; counts are negative binomial with each base's own k_eff. Computed on grids, no
simulation. Before a base is named, the bases as a whole must differ more than chance would have it
(:func:`rates_differ`, :func:`shares_differ`), and the base's own interval must leave out the
service's figure (:func:`may_be_named`).
"""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.charts import IntArray, one_series
from pipeline.statistics.clustered_intervals import LARGEST_K
from pipeline.statistics.intervals import TAILS_95, FloatArray
from schemas.record import dataclass

LEAST_SPREAD, MOST_SPREAD, SPREADS = 0.02, 1.6, 48
"""Standard deviation of the bases' log rates: uniform on this range, cut into so many
cells."""

SIDE = 4.5
"""How far the grid of log rates reaches on either side of the service's."""

STEP, CENTRE_STEP = 0.02, 0.06
"""Steps of the grids of a base's log rate, and of the centre of them all."""

DRAWS = 2000
CHANCE = 0.05


@dataclass(frozen=True)
class BaseRates:
    """One entry a base: posterior median and equal-tailed interval, per ``per`` hours.

    NaN for a base without hours; without any event or with fewer than two bases NaN throughout.
    """

    estimate: FloatArray
    lower: FloatArray
    upper: FloatArray


@dataclass(frozen=True)
class DifferenceTest:
    """X^2 of the groups against their common figure, and its p among others drawn from it."""

    statistic: float
    p_value: float


def hierarchical_rates(
    events: ArrayLike, hours: ArrayLike, k_eff: ArrayLike, per: float = 100.0
) -> BaseRates:
    """Rates of the bases, each drawn towards the others as far as the data say.

    One entry a base: ``events`` (counts), ``hours``, ``k_eff``. The centre is flat, the spread
    uniform (Gelman 2006, Bayesian Anal 1:515, on that choice).
    """
    x, t, k = one_series(events, hours, k_eff)
    known = np.isfinite(x) & (t > 0) & (k > 0)
    nothing = np.full(x.shape, np.nan)
    total = float(x[known].sum())
    if known.sum() < 2 or total == 0:
        return BaseRates(nothing, nothing, nothing)
    rate = total / float(t[known].sum())
    around = np.arange(-SIDE, SIDE + STEP / 2, STEP)
    density = _posterior(x[known], rate * t[known], np.minimum(k[known], LARGEST_K), around)

    def bound(share: float) -> FloatArray:
        found = nothing.copy()
        found[known] = per * rate * np.exp([_quantile(d, around, share) for d in density])
        return found

    return BaseRates(bound(0.5), *map(bound, TAILS_95))


def _posterior(
    x: FloatArray, expected: FloatArray, k: FloatArray, around: FloatArray
) -> FloatArray:
    """Density of each base's log rate on the grid ``around`` (bases, points).

    ``expected`` are the events at a log rate of 0. Both integrals over the base's own log rate,
    that for the weight and that for the density, use one matrix of normal densities a spread.
    """
    mean = expected[:, None] * np.exp(around)
    fit = x[:, None] * np.log(mean) - (x + k)[:, None] * np.log1p(mean / k[:, None])
    fit = np.exp(fit - fit.max(axis=1, keepdims=True))
    centre = np.arange(-SIDE / 2, SIDE / 2 + CENTRE_STEP / 2, CENTRE_STEP)
    edges = np.linspace(LEAST_SPREAD, MOST_SPREAD, SPREADS + 1)
    spreads = (edges[1:] + edges[:-1]) / 2
    away = (around[:, None] - centre) ** 2
    density, peaks = np.empty((SPREADS, *fit.shape)), np.empty(SPREADS)
    for i, tau in enumerate(spreads):
        normal = np.exp(-away / (2 * tau * tau))
        normal /= normal.sum(axis=0)  # on the grid, so that narrow ones keep their weight
        each = np.maximum(fit @ normal, 1e-300)
        log_weight = np.log(each).sum(axis=0)
        peaks[i] = log_weight.max()
        weight = np.exp(log_weight - peaks[i])
        density[i] = fit * ((weight / each) @ normal.T)
    scale = np.exp(peaks - peaks.max())
    mixed = np.tensordot(scale, density, axes=1)
    return np.asarray(mixed / mixed.sum(axis=1, keepdims=True))


def _quantile(density: FloatArray, at: FloatArray, share: float) -> float:
    """Point below which ``share`` of a density on an even grid lies, cells split evenly."""
    edges = np.concatenate([[0.0], np.cumsum(density)])
    return float(np.interp(share, edges, np.append(at - STEP / 2, at[-1] + STEP / 2)))


def rates_differ(
    events: ArrayLike, hours: ArrayLike, k_eff: ArrayLike, *, seed: int, draws: int = DRAWS
) -> DifferenceTest:
    """Do the bases' rates differ more than clustered events would by chance?

    X^2 = sum (x - m)^2 / (m (1 + m / k_eff)), m the events expected at the common rate; drawn
    negative-binomial counts are judged against the rate of their own total. p counts the data
    among the draws; NaN with fewer than two bases with hours, or without an event.
    """
    x, t, k = one_series(events, hours, k_eff)
    known = np.isfinite(x) & (t > 0) & (k > 0)
    x, t, k = x[known], t[known], np.minimum(k[known], LARGEST_K)

    def statistic(counts: FloatArray) -> FloatArray:
        mean = counts.sum(axis=-1, keepdims=True) * t / t.sum()
        with np.errstate(invalid="ignore"):
            parts = np.where(mean > 0, (counts - mean) ** 2 / (mean * (1 + mean / k)), 0.0)
        return np.asarray(parts.sum(axis=-1))

    if len(x) < 2 or x.sum() == 0:
        return DifferenceTest(float("nan"), float("nan"))
    mean = x.sum() * t / t.sum()
    simulated = np.random.default_rng(seed).negative_binomial(k, k / (k + mean), (draws, len(x)))
    return _compared(float(statistic(x)), statistic(simulated.astype(np.float64)))


def shares_differ(
    events: ArrayLike, trips: ArrayLike, *, seed: int, draws: int = DRAWS
) -> DifferenceTest:
    """Do the bases' shares differ more than chance? As :func:`rates_differ`, binomial counts."""
    x, n = one_series(events, trips)
    known = np.isfinite(x) & (n > 0)
    x, n = x[known], n[known]
    if np.any(x > n):
        raise ValueError("more events than trips")

    def statistic(counts: FloatArray) -> FloatArray:
        share = counts.sum(axis=-1, keepdims=True) / n.sum()
        spread = n * share * (1 - share)
        with np.errstate(invalid="ignore", divide="ignore"):
            parts = np.where(spread > 0, (counts - n * share) ** 2 / spread, 0.0)
        return np.asarray(parts.sum(axis=-1))

    if len(x) < 2 or x.sum() in (0.0, n.sum()):
        return DifferenceTest(float("nan"), float("nan"))
    rng = np.random.default_rng(seed)
    simulated = rng.binomial(n.astype(np.int64), x.sum() / n.sum(), (draws, len(x)))
    return _compared(float(statistic(x)), statistic(simulated.astype(np.float64)))


def _compared(statistic: float, simulated: FloatArray) -> DifferenceTest:
    as_far = int(np.sum(simulated >= statistic * (1 - 1e-12)))
    return DifferenceTest(statistic, (1 + as_far) / (1 + len(simulated)))


def named_side(lower: ArrayLike, upper: ArrayLike, service: float, p_value: float) -> IntArray:
    """Which bases may be named: 1 above the service, -1 below, else 0; one entry a base.

    Two conditions: p < 0.05 of all bases together, and an interval that leaves out the service. A
    base without an interval (NaN) is never named, and none where p is unknown.
    """
    low, high = one_series(lower, upper)
    side = (low > service).astype(np.int64) - (high < service)
    return np.asarray(side if p_value < CHANCE else 0 * side)


def power_of_rates(
    hours: ArrayLike,
    k_eff: ArrayLike,
    rate: float,
    factor: float = 2.0,
    *,
    seed: int,
    draws: int = 400,
) -> float:
    """Share of years in which p < 0.05 if one base's rate were ``factor`` times as high.

    Each base in turn is raised in an equal share of the ``draws``. ``rate`` is events per hour.
    The critical value comes from as many draws in which nothing differs.
    """
    t, k = one_series(hours, k_eff)
    known = (t > 0) & (k > 0)
    t, k = t[known], np.minimum(k[known], LARGEST_K)
    if len(t) < 2 or not rate > 0:
        return float("nan")
    rng = np.random.default_rng(seed)
    raised = np.ones((draws, len(t)))
    raised[np.arange(draws), np.arange(draws) % len(t)] = factor

    def simulated(times: FloatArray) -> FloatArray:
        mean = rate * t * times
        x = rng.negative_binomial(k, k / (k + mean)).astype(np.float64)
        common = np.maximum(x.sum(axis=1, keepdims=True), 0.5) * t / t.sum()
        return np.asarray(((x - common) ** 2 / (common * (1 + common / k))).sum(axis=1))

    critical = np.quantile(simulated(np.ones((DRAWS, len(t)))), 1 - CHANCE)
    return float(np.mean(simulated(raised) > critical))
