"""Confidence intervals, the exact rate ratio, Benjamini-Hochberg and kappa.

Every function takes scalars or arrays that broadcast together and works elementwise. A missing
input (NaN) or an empty denominator (no trips, no hours) gives NaN, never an error: pages then say
that there is nothing to estimate. Counts below 0, more events than trips, and exposures below 0
are mistakes of the caller and raise ValueError.

A share's interval at 95 % needs nothing of scipy, so that pages with no other start fast.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.statistics import special
from schemas.record import dataclass

FloatArray = NDArray[np.float64]

NORMAL_95 = 1.959963984540054
"""Where the normal distribution leaves 2.5 % above; `special.ndtri(0.975)`."""
TAILS_95 = ((1 - 0.95) / 2, 1 - (1 - 0.95) / 2)
"""Where two-sided 95 % intervals end, as shares below."""


@dataclass(frozen=True)
class Interval:
    """Estimates with their two-sided intervals, and what these are called on a page.

    Arrays of one shape, or plain floats (``numpy.float64``) where every input was a scalar.
    """

    estimate: FloatArray
    lower: FloatArray
    upper: FloatArray
    method: str


@dataclass(frozen=True)
class RatioInterval:
    """Ratios with their two-sided intervals; arrays of one shape, or plain floats."""

    ratio: FloatArray
    lower: FloatArray
    upper: FloatArray
    method: str


@dataclass(frozen=True)
class Kappa:
    """Agreement of two readers beyond chance, with standard error and normal interval."""

    kappa: float
    standard_error: float
    lower: float
    upper: float
    method: str


def as_float(*values: ArrayLike) -> list[FloatArray]:
    """Broadcast the inputs together as float arrays; None, NaN and masked entries become NaN."""
    return [np.array(a) for a in np.broadcast_arrays(*[_one_float(v) for v in values])]


def _one_float(value: ArrayLike) -> FloatArray:
    if isinstance(value, np.ma.MaskedArray):  # what DuckDB hands over for a column with nulls
        return np.asarray(np.ma.filled(value.astype(np.float64), np.nan))
    return np.asarray(value, dtype=np.float64)


def _tail(level: float) -> float:
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, not {level}")
    return (1.0 - level) / 2.0


def _normal(level: float) -> float:
    """Half the width of a normal interval, in standard errors."""
    return NORMAL_95 if level == 0.95 else float(special.ndtri(1.0 - _tail(level)))


def _check_counts(events: FloatArray, n: FloatArray | None = None) -> None:
    if np.any(events < 0) or (n is not None and np.any(n < 0)):
        raise ValueError("a count below 0")
    if n is not None and np.any(events > n):
        raise ValueError("more events than trips")


def wilson(events: ArrayLike, n: ArrayLike, level: float = 0.95) -> Interval:
    """Wilson score interval of a share, without continuity correction.

    ``events`` out of ``n`` (counts); bounds are proportions in [0, 1]. n = 0 gives NaN.
    Source: Wilson 1927, JASA 22:209; method 3 of Newcombe 1998, Stat Med 17:857.
    """
    x, m = as_float(events, n)
    _check_counts(x, m)
    z = _normal(level)
    some = np.where(m > 0, m, np.nan)
    p = x / some
    middle = (x + z * z / 2) / (some + z * z)
    half = z * np.sqrt(p * (1 - p) * some + z * z / 4) / (some + z * z)
    # at 0 of n and n of n the bound is 0 or 1 exactly; rounding would leave 1e-17
    lower = np.where(p == 0, 0.0, middle - half)
    upper = np.where(p == 1, 1.0, middle + half)
    return Interval(p[()], lower[()], upper[()], "Wilson score")


def clopper_pearson(events: ArrayLike, n: ArrayLike, level: float = 0.95) -> Interval:
    """Exact (Clopper-Pearson) interval of a share; covers at least ``level``.

    ``events`` out of ``n`` (counts); bounds are proportions in [0, 1]. n = 0 gives NaN.
    Source: Clopper and Pearson 1934, Biometrika 26:404.
    """
    x, m = as_float(events, n)
    _check_counts(x, m)
    lower, upper = _beta_bounds(x, m, level)
    p = x / np.where(m > 0, m, np.nan)
    return Interval(p[()], lower[()], upper[()], "exact binomial")


def _beta_bounds(x: FloatArray, m: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    """Clopper-Pearson bounds as quantiles of the beta distribution."""
    tail = _tail(level)
    known = np.isfinite(x) & np.isfinite(m) & (m > 0)
    low = special.betaincinv(np.maximum(x, 1), np.maximum(m - x, 0) + 1, tail)
    high = special.betaincinv(x + 1, np.maximum(m - x, 1), 1 - tail)
    lower = np.where(known, np.where(x == 0, 0.0, low), np.nan)
    upper = np.where(known, np.where(x == m, 1.0, high), np.nan)
    return lower, upper


def poisson_exact(
    events: ArrayLike, exposure: ArrayLike = 1.0, per: float = 1.0, level: float = 0.95
) -> Interval:
    """Exact (Garwood) interval of a Poisson count, or of a rate per ``per`` units of exposure.

    ``events`` over ``exposure`` (hours, days, ...): estimate and bounds are in events per ``per``
    units; with the defaults they are those of the count itself. Exposure 0 gives NaN; 0 events
    give a lower bound of 0 and a finite upper bound. Takes events as independent: for events that
    cluster within trips see :mod:`pipeline.statistics.clustered_intervals`.
    Source: Garwood 1936, Biometrika 28:437.
    """
    x, t = as_float(events, exposure)
    _check_counts(x, None)
    if np.any(t < 0):
        raise ValueError("an exposure below 0")
    tail = _tail(level)
    scale = per / np.where(t > 0, t, np.nan)
    low = special.gammaincinv(np.maximum(x, 1), tail)
    lower = np.where(x == 0, 0.0, low) * scale
    upper = special.gammaincinv(x + 1, 1 - tail) * scale
    estimate = x * scale
    return Interval(estimate[()], lower[()], upper[()], "exact Poisson")


def cohen_kappa(table: ArrayLike) -> Kappa:
    """Cohen's kappa of a square table of counts, rows one reader and columns the other.

    NaN where there is nothing to tell apart: an empty table, or a reader who always gives one and
    the same answer, with whom anybody's kappa is 0. The standard error is the large-sample one
    (not that under kappa = 0).
    Source: Fleiss, Cohen and Everitt 1969, Psychol Bull 72:323.
    """
    (counts,) = as_float(table)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1]:
        raise ValueError("kappa needs a square table of counts")
    _check_counts(counts, None)
    n = float(counts.sum())
    nan, method = float("nan"), "Cohen's kappa, normal interval"
    if n == 0 or max(counts.sum(axis=0).max(), counts.sum(axis=1).max()) == n:
        return Kappa(nan, nan, nan, nan, method)
    from statsmodels.stats.inter_rater import cohens_kappa

    found = cohens_kappa(counts)
    kappa, se = float(found.kappa), float(found.std_kappa)
    half = NORMAL_95 * se
    return Kappa(kappa, se, kappa - half, min(1.0, kappa + half), method)
