"""Funnel plots: is a base further from the whole service than chance alone would put it?

Source throughout: Spiegelhalter 2005, Stat Med 24:1185.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.statistics.charts import IntArray, one_series
from pipeline.statistics.counts import Counts, binomial, negative_binomial, poisson
from pipeline.statistics.intervals import FloatArray, as_float

MIN_GROUPS = 8
"""With fewer groups than this, over-dispersion is not estimated."""

Adjust = Literal["none", "multiplicative", "additive"]
INNER, OUTER = 0.95, 0.998


@dataclass(frozen=True)
class Dispersion:
    """Spread between groups beyond chance.

    ``phi`` is the mean square of the (winsorised) z-scores, 1 where there is chance only; ``tau2``
    is the variance between groups in squared units of the value, 0 if chance explains it. Both NaN
    with fewer than 8 groups, ``reason`` then saying so. ``groups`` counts those with a denominator.
    """

    phi: float
    tau2: float
    groups: int
    reason: str


@dataclass(frozen=True)
class Funnel:
    """Groups against a target, one entry a group in every array.

    ``z`` is the plain score, ``z_adjusted`` the one after the adjustment named in ``adjusted``.
    The inner limits hold 95 %, the outer ones 99.8 %; ``outlying`` is -1 or 1 beyond the outer,
    else 0. A group without a denominator has NaN everywhere and is never outside.
    """

    value: FloatArray
    target: float
    z: FloatArray
    z_adjusted: FloatArray
    inner_lower: FloatArray
    inner_upper: FloatArray
    outer_lower: FloatArray
    outer_upper: FloatArray
    outlying: IntArray
    dispersion: Dispersion
    adjusted: Adjust


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


def poisson_limits(
    exposure: ArrayLike, target: float, per: float = 1.0, level: float = OUTER
) -> tuple[FloatArray, FloatArray]:
    """Exact Poisson funnel limits for a rate of ``target`` events per ``per`` units of exposure.

    Exposure 0 gives NaN. Interpolated between neighbouring counts; cut off at 0.
    """
    (t,) = as_float(exposure)
    t = np.where(t > 0, t, np.nan)

    def limit(tail: float) -> FloatArray:
        count = _interpolated(poisson(target * t / per), tail)
        return np.asarray(np.maximum(count / t * per, 0.0))

    return limit((1 - level) / 2), limit((1 + level) / 2)


def clustered_limits(
    exposure: ArrayLike,
    k_eff: ArrayLike,
    target: float,
    per: float = 1.0,
    level: float = OUTER,
) -> tuple[FloatArray, FloatArray]:
    """Funnel limits of a rate where events cluster within trips: negative binomial with ``k_eff``.

    As :func:`poisson_limits`, to which they come down as k_eff grows; the spread is that of the
    trips, so that any number of groups will do.
    """
    t, k = as_float(exposure, k_eff)
    t = np.where(t > 0, t, np.nan)
    p = k / (k + target * t / per)

    def limit(tail: float) -> FloatArray:
        count = _interpolated(negative_binomial(k, p), tail)
        return np.asarray(np.maximum(count / t * per, 0.0))

    return limit((1 - level) / 2), limit((1 + level) / 2)


def dispersion(z: ArrayLike, sigma: ArrayLike, winsorise: float = 0.1) -> Dispersion:
    """Over-dispersion of groups from their z-scores and standard errors (NaN where none).

    The outermost ``winsorise`` share of z at either end is pulled in to its quantile, so that a few
    outliers do not widen the limits that should find them; 0 leaves all as they are. tau2 is the
    moment estimate of DerSimonian and Laird.
    """
    score, s = one_series(z, sigma)
    known = np.isfinite(score) & (s > 0)
    count = int(known.sum())
    if count < MIN_GROUPS:
        reason = f"Spread between groups needs at least {MIN_GROUPS} of them; there are {count}."
        return Dispersion(float("nan"), float("nan"), count, reason)
    low, high = np.quantile(score[known], [winsorise, 1 - winsorise])
    phi = float(np.mean(np.clip(score[known], low, high) ** 2))
    weight = 1 / s[known] ** 2
    spread = weight.sum() - (weight**2).sum() / weight.sum()
    return Dispersion(phi, max(0.0, float((count * phi - (count - 1)) / spread)), count, "")


def share_funnel(
    events: ArrayLike,
    n: ArrayLike,
    *,
    target: float | None = None,
    adjust: Adjust = "none",
    winsorise: float = 0.1,
) -> Funnel:
    """Funnel of shares: ``events`` out of ``n`` in each group.

    ``target`` defaults to the share of all groups together. Without adjustment the limits are exact
    binomial. With one, and phi above 1 in at least 8 groups, they are normal ones widened by phi
    (multiplicative) or by tau2 (additive); otherwise the plain limits stay and ``adjusted`` says
    "none".
    """
    x, m = one_series(events, n)
    if np.any(x < 0) or np.any(x > m):
        raise ValueError("events must lie between 0 and the number of trips")
    m = np.where(m > 0, m, np.nan)
    centre = _pooled(x, m) if target is None else target
    return _funnel(
        x / m,
        centre,
        np.sqrt(centre * (1 - centre) / m),
        lambda level: binomial_limits(m, centre, level),
        top=1.0,
        adjust=adjust,
        winsorise=winsorise,
    )


def rate_funnel(
    events: ArrayLike,
    exposure: ArrayLike,
    *,
    per: float = 1.0,
    target: float | None = None,
    adjust: Adjust = "none",
    winsorise: float = 0.1,
) -> Funnel:
    """Funnel of rates per ``per`` units of exposure; exact Poisson limits, else as for shares."""
    x, t = one_series(events, exposure)
    if np.any(x < 0):
        raise ValueError("a count below 0")
    t = np.where(t > 0, t, np.nan)
    centre = _pooled(x, t) * per if target is None else target
    return _funnel(
        x / t * per,
        centre,
        np.sqrt(centre * per / t),
        lambda level: poisson_limits(t, centre, per, level),
        top=np.inf,
        adjust=adjust,
        winsorise=winsorise,
    )


def _funnel(
    value: FloatArray,
    target: float,
    sigma: FloatArray,
    exact: Callable[[float], tuple[FloatArray, FloatArray]],
    *,
    top: float,
    adjust: Adjust,
    winsorise: float,
) -> Funnel:
    sigma = np.where(np.isfinite(value) & (sigma > 0), sigma, np.nan)
    z = (value - target) / sigma
    found = dispersion(z, sigma, winsorise)
    used: Adjust = adjust if found.phi > 1 and found.tau2 > 0 else "none"
    wide = sigma
    if used == "multiplicative":
        wide = sigma * np.sqrt(found.phi)
    elif used == "additive":
        wide = np.hypot(sigma, np.sqrt(found.tau2))

    def limits(level: float) -> tuple[FloatArray, FloatArray]:
        if used == "none":
            return exact(level)
        half = special.ndtri((1 + level) / 2) * wide
        return np.maximum(target - half, 0.0), np.minimum(target + half, top)

    inner, outer = limits(INNER), limits(OUTER)
    outlying = (value > outer[1]).astype(np.int64) - (value < outer[0])
    adjusted = (value - target) / wide
    return Funnel(value, target, z, adjusted, *inner, *outer, outlying, found, used)


def _pooled(x: FloatArray, denominator: FloatArray) -> float:
    known = np.isfinite(x) & np.isfinite(denominator)
    total = float(denominator[known].sum())
    return float(x[known].sum()) / total if total > 0 else float("nan")


def _interpolated(counts: Counts, tail: float) -> FloatArray:
    """Count at which the distribution would reach ``tail`` if it rose in straight lines."""
    count = counts.quantile(tail)
    at, before = counts.below(count), counts.below(count - 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(count - (at - tail) / (at - before))
