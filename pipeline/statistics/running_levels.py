"""What a chart expects of a month: levels from the months before it, since the last restart.

Months are the first axis of every array, in order, without gaps; a month without trips has zeros.
What comes after the first axis is free (charts, or charts by simulated futures) and broadcasts.
The assumed counts below keep a level from a few trips near that of its group.
"""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.clustered_intervals import effective_k
from pipeline.statistics.intervals import FloatArray
from schemas.record import dataclass

PRIOR_EVENTS = 3.0
"""A size's or base's level starts as if so many events had been seen at its group's level."""


@dataclass(frozen=True)
class Sums:
    """Sums over months already past: arrays without the month axis, or 0."""

    events: ArrayLike = 0.0
    denominator: ArrayLike = 0.0
    denominator_squared: ArrayLike = 0.0


NOTHING_YET = Sums()


def sums_before(
    values: ArrayLike, restart: ArrayLike | None = None, start: ArrayLike = 0.0
) -> FloatArray:
    """Sum of the months before each, since the last restart; shape of ``values``.

    ``restart`` (months, or the shape of ``values``) is true in months from which on earlier ones,
    and ``start``, no longer count.
    """
    x = np.asarray(values, dtype=np.float64)
    before = np.zeros_like(x)
    np.cumsum(x[:-1], axis=0, out=before[1:])
    before += np.asarray(start, dtype=np.float64)
    if restart is None:
        return before
    again = np.asarray(restart, dtype=bool)
    again = np.broadcast_to(again.reshape(again.shape + (1,) * (x.ndim - again.ndim)), x.shape)
    month = np.arange(len(x)).reshape(-1, *(1,) * (x.ndim - 1))
    last = np.maximum.accumulate(np.where(again, month, -1), axis=0)
    dropped = np.take_along_axis(before, np.maximum(last, 0), axis=0)
    return np.asarray(np.where(last >= 0, before - dropped, before))


def service_rate(events: ArrayLike, hours: ArrayLike, start: Sums = NOTHING_YET) -> FloatArray:
    """The service's rate per hour before each month, max(x, 0.5) / T; NaN before any hours."""
    x = sums_before(events, start=start.events)
    t = sums_before(hours, start=start.denominator)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(t > 0, np.maximum(x, 0.5) / t, np.nan))


def size_rate(
    events: ArrayLike,
    hours: ArrayLike,
    hours_squared: ArrayLike,
    service: ArrayLike,
    *,
    k: ArrayLike,
    start: Sums = NOTHING_YET,
) -> FloatArray:
    """A size's rate per hour before each month, (3 + x f) / (3 / r + T f).

    r is the ``service``'s rate and f = 1 / (1 + r sum t^2 / (k T)), by which clustered events count
    for less; ``hours_squared`` sums the squared hours of single trips. ``k`` (months or as the
    rest) is that of the month. A size without hours yet has the service's rate.
    """
    shape, hours_so_far = clustered_gamma(events, hours, hours_squared, service, k=k, start=start)
    return np.asarray(shape / hours_so_far)


def clustered_gamma(
    events: ArrayLike,
    hours: ArrayLike,
    hours_squared: ArrayLike,
    service: ArrayLike,
    *,
    k: ArrayLike,
    start: Sums = NOTHING_YET,
) -> tuple[FloatArray, FloatArray]:
    """Shape 3 + x f and hours 3 / r + T f of the gamma distribution of a size's rate by month."""
    x = sums_before(events, start=start.events)
    t = sums_before(hours, start=start.denominator)
    squares = sums_before(hours_squared, start=start.denominator_squared)
    r = np.asarray(service, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        less = np.where(t > 0, 1 / (1 + r * squares / (np.asarray(k) * t)), 0.0)
    return PRIOR_EVENTS + x * less, PRIOR_EVENTS / r + t * less


def rule_share(
    deviations: ArrayLike,
    judged: ArrayLike,
    restart: ArrayLike | None = None,
    start: Sums = NOTHING_YET,
) -> FloatArray:
    """A rule's share over the service before each month, (d + 0.5) / (n + 1).

    Never held below what was seen: a rule at 9 of 10 trips would otherwise add to its sum every
    month with nothing changed.
    """
    d = sums_before(deviations, restart, start.events)
    n = sums_before(judged, restart, start.denominator)
    return np.asarray((d + 0.5) / (n + 1))


def base_share(
    deviations: ArrayLike,
    judged: ArrayLike,
    service: ArrayLike,
    restart: ArrayLike | None = None,
    start: Sums = NOTHING_YET,
) -> FloatArray:
    """A base's share before each month, (3 + d) / (3 / p + n), p the ``service``'s share."""
    d = sums_before(deviations, restart, start.events)
    n = sums_before(judged, restart, start.denominator)
    return np.asarray((PRIOR_EVENTS + d) / (PRIOR_EVENTS / np.asarray(service) + n))


@dataclass(frozen=True)
class Expected:
    """Of each month and chart: events expected at the level before, and k_eff of their count.

    Without hours ``events`` is 0 and ``k_eff`` NaN.
    """

    events: FloatArray
    k_eff: FloatArray


def expected_events(
    level: ArrayLike, hours: ArrayLike, hours_squared: ArrayLike, k: ArrayLike
) -> Expected:
    """Each size's M = level x hours, and k_eff; arrays broadcast, months first."""
    t = np.asarray(hours, dtype=np.float64)
    mean = np.where(t > 0, np.asarray(level) * t, 0.0)
    return Expected(mean, effective_k(k, t, hours_squared))


def expected_of_service(
    level: ArrayLike, hours: ArrayLike, hours_squared: ArrayLike, k: ArrayLike, axis: int = 1
) -> Expected:
    """The service's M and k_eff: over the sizes, on ``axis``, of size level x hours.

    So a month with another mix of sizes is not taken for a change.
    """
    t = np.asarray(hours, dtype=np.float64)
    rate = np.where(t > 0, level, 0.0)
    mean = (rate * t).sum(axis=axis)
    squares = (rate**2 * np.asarray(hours_squared)).sum(axis=axis)
    return Expected(mean, effective_k(k, mean, squares))
