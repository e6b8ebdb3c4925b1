"""How much events cluster within trips: one shape k for the whole service.

Counts of a trip at one cannula size are taken as negative binomial with mean m = rate x hours and
variance m + m^2 / k: a small k is much clustering. A size has too few trips to say how much its
own events cluster, so one k is estimated from all trips and sizes together and used everywhere.
phi = 1 / k throughout.

Sources: the adjusted profile likelihood of Cox and Reid 1987, JRSS B 49:1; for negative-binomial
counts McCarthy, Chen and Smyth 2012, Nucleic Acids Res 40:4288. The penalty is this project's own.
"""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.charts import one_series
from pipeline.statistics.intervals import FloatArray
from schemas.record import dataclass

LEAST_PHI, MOST_PHI, PHI_POINTS = 0.02, 20.0, 121
USUAL_PHI, LOG_PHI_SPREAD = 2.0, 1.0
"""The penalty: log phi is normal about log 2 with this standard deviation; assumed."""

LEAST_EVENTS = 10
"""With fewer events the clustering is assumed rather than estimated, and pages say so."""

GROUP_STEPS = 60
CLOSE = 1e-10


@dataclass(frozen=True)
class ServiceDispersion:
    """The service's k, 1 / posterior mean of phi, and how likely each phi is.

    ``phi`` (121,) are the points in rising order, ``weights`` (121,) their probabilities, which sum
    to 1. ``events`` and ``trips`` count what it was estimated from; ``assumed`` tells that there
    were fewer than 10 events, so that k mostly repeats the penalty.
    """

    k: float
    phi: FloatArray
    weights: FloatArray
    events: float
    trips: float
    assumed: bool


@dataclass(frozen=True)
class _Size:
    """One size's rows: events and hours with the number of trips alike, each (rows,).

    ``above`` (largest count,) holds how many trips have more than 0, 1, 2, ... events.
    """

    events: FloatArray
    hours: FloatArray
    alike: FloatArray
    above: FloatArray


def phi_points() -> FloatArray:
    """The 121 log-spaced points of phi from 0.02 to 20."""
    return np.geomspace(LEAST_PHI, MOST_PHI, PHI_POINTS)


def service_dispersion(
    events: ArrayLike, hours: ArrayLike, size: ArrayLike, alike: ArrayLike | None = None
) -> ServiceDispersion:
    """The service's k from all its trips: Cox-Reid adjusted profile, penalised, averaged.

    One entry a trip and size: ``events`` (whole counts), ``hours`` and ``size`` (any labels that
    compare equal); or one entry for several trips alike in all three, with their number in
    ``alike``. Rows without hours, or that miss a value, are left out, and sizes without an event
    say nothing. Without any event k is the penalty's own, 0.33. Counts that are negative or not
    whole raise ValueError.
    """
    phi = phi_points()
    sizes = _sizes(events, hours, size, alike)
    profile, adjustment = _profile(sizes, phi)
    penalty = -0.5 * (np.log(phi / USUAL_PHI) / LOG_PHI_SPREAD) ** 2
    score = profile + adjustment + penalty
    weights = np.exp(score - score.max())
    weights /= weights.sum()
    seen = float(sum(np.sum(one.events * one.alike) for one in sizes))
    return ServiceDispersion(
        k=1 / float(phi @ weights),
        phi=phi,
        weights=weights,
        events=seen,
        trips=float(sum(one.alike.sum() for one in sizes)),
        assumed=seen < LEAST_EVENTS,
    )


def _sizes(
    events: ArrayLike, hours: ArrayLike, size: ArrayLike, alike: ArrayLike | None
) -> list[_Size]:
    """The rows that can be used, by size."""
    x, t = one_series(events, hours)
    label = np.asarray(size)
    number = np.ones_like(x) if alike is None else one_series(alike)[0]
    if label.shape != x.shape or number.shape != x.shape:
        raise ValueError("events, hours, size and alike must have the same rows")
    known = np.isfinite(x) & np.isfinite(t) & (t > 0) & (number > 0)
    if np.any(x[known] < 0) or np.any(x[known] != np.floor(x[known])):
        raise ValueError("events must be whole counts, at least 0")
    _, code = np.unique(label[known].astype(str), return_inverse=True)
    x, t, number = x[known], t[known], number[known]
    found = []
    for one in range(code.max(initial=-1) + 1):
        own = code == one
        totals = np.bincount(x[own].astype(np.int64), number[own])
        above = np.asarray(np.cumsum(totals[::-1])[::-1][1:], dtype=np.float64)
        found.append(_Size(x[own], t[own], number[own], above))
    return found


def _profile(sizes: list[_Size], phi: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log-likelihood at each phi with every size's rate fitted, and the Cox-Reid adjustment.

    The log-likelihood leaves out what does not depend on phi or the rates.
    """
    profile, adjustment = np.zeros_like(phi), np.zeros_like(phi)
    for one in sizes:
        if not one.events.any():
            continue
        log_rate = _fitted_log_rate(one, phi)
        mean = np.exp(log_rate)[:, None] * one.hours
        spread = 1 + phi[:, None] * mean
        total = float(one.events @ one.alike)
        # gamma(k + x) / gamma(k) x phi^x is the product of 1 + phi j over j below x
        gain = np.log1p(phi[:, None] * np.arange(len(one.above))) @ one.above
        log_spread = np.log(spread)
        loss = log_spread @ (one.events * one.alike)
        loss += (log_spread @ one.alike) / phi
        profile += gain + total * log_rate - loss
        adjustment -= 0.5 * np.log((mean / spread) @ one.alike)
    return profile, adjustment


def _fitted_log_rate(one: _Size, phi: FloatArray) -> FloatArray:
    """Log of the rate that is likeliest at each phi, by Newton's method on the log scale.

    There the log-likelihood is concave; steps are held to 1 so that flat stretches do no harm.
    """
    crude = np.log(float(one.events @ one.alike) / float(one.hours @ one.alike))
    log_rate = np.full(len(phi), crude)
    column = phi[:, None]
    steeper = 1 + column * one.events
    for _ in range(GROUP_STEPS):
        mean = np.exp(log_rate)[:, None] * one.hours
        part = 1 / (1 + column * mean)
        slope = ((one.events - mean) * part) @ one.alike
        curve = (mean * steeper * part**2) @ one.alike
        step = np.clip(slope / curve, -1.0, 1.0)
        log_rate += step
        if np.max(np.abs(step)) < CLOSE:
            break
    return log_rate
