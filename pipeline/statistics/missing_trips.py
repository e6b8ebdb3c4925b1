"""Trips that should be in a month and are not: what their arrival could do to each chart.

Missing trips are filled in many times over with the service's own trips, once with as many events
as usual and once with as many as the change watched for would bring. If even the usual ones leave
the chart above its threshold the signal is sure; if even the worst leave it below, the month is
ordinary; else what the chart says depends on the trips that are missing.
"""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.intervals import FloatArray
from pipeline.statistics.running_levels import expected_events, expected_of_service
from pipeline.statistics.signal_sums import (
    ODDS_RATIO,
    RATE_RATIO,
    rate_increment,
    share_increment,
)
from schemas.record import dataclass

COMPLETIONS = 400
LOW_CENTILE, HIGH_CENTILE = 5, 95

Certainty = Literal["sure", "depends", "ordinary"]


@dataclass(frozen=True)
class Completed:
    """W of the month for each completion, (charts, completions).

    ``usual`` with the missing trips as usual, ``worst`` with twice the rate or thrice the odds.
    """

    usual: FloatArray
    worst: FloatArray


def completed_rates(
    events: ArrayLike,
    hours: ArrayLike,
    hours_squared: ArrayLike,
    *,
    level: ArrayLike,
    k: float,
    own_trips: ArrayLike,
    missing: int,
    seed: int,
) -> Completed:
    """The service's chart (row 0) and the sizes' in a month with ``missing`` trips.

    ``events``, ``hours``, ``hours_squared`` and ``level`` (sizes,) are the month's so far and the
    rates per hour that it is judged against, ``k`` the service's. ``own_trips`` (trips, sizes) are
    the hours at each size of the service's own trips, rows of zeros included: how many trips have
    any is part of what is usual.
    """
    x, t, q, rate = (np.asarray(v, dtype=np.float64) for v in (events, hours, hours_squared, level))
    pool, rng = np.asarray(own_trips, dtype=np.float64), np.random.default_rng(seed)
    more = pool[rng.integers(0, len(pool), (COMPLETIONS, missing))]
    t_all, q_all = t + more.sum(axis=1), q + (more**2).sum(axis=1)
    service = expected_of_service(rate, t_all, q_all, k)
    sizes = expected_events(rate, t_all, q_all, k)

    def increments(ratio: float) -> FloatArray:
        mean = ratio * np.where(more > 0, rate, 0.0) * more
        filled = x + rng.poisson(rng.gamma(k, mean / k)).sum(axis=1)
        return np.vstack(
            [
                rate_increment(filled.sum(axis=1), service.events, service.k_eff),
                rate_increment(filled, sizes.events, sizes.k_eff).T,
            ]
        )

    return Completed(increments(1.0), increments(RATE_RATIO))


def completed_shares(
    deviations: ArrayLike,
    judged: ArrayLike,
    *,
    level: ArrayLike,
    own_trips: ArrayLike,
    missing: int,
    seed: int,
    completions: int = COMPLETIONS,
) -> Completed:
    """Charts of shares in a month with ``missing`` trips.

    ``deviations``, ``judged`` and ``level`` (charts,) are the month's so far and the shares that it
    is judged against; ``own_trips`` (trips, charts) tells which charts judged each of the service's
    own trips.
    """
    d, n, p = (np.asarray(v, dtype=np.float64) for v in (deviations, judged, level))
    pool, rng = np.asarray(own_trips, dtype=bool), np.random.default_rng(seed)
    more = pool[rng.integers(0, len(pool), (completions, missing))].sum(axis=1)

    def increments(odds: float) -> FloatArray:
        share = odds * p / (1 + (odds - 1) * p)
        filled = d + rng.binomial(more, np.broadcast_to(share, more.shape))
        return np.asarray(share_increment(filled, n + more, p).T)

    return Completed(increments(1.0), increments(ODDS_RATIO))


def completed_sums(start: ArrayLike, increments: ArrayLike) -> FloatArray:
    """S of the month for each completion: max(0, start + W).

    ``start`` is S of the month before, (charts,) or, where that month had missing trips, too,
    (charts, completions).
    """
    w = np.asarray(increments, dtype=np.float64)
    before = np.asarray(start, dtype=np.float64)
    return np.maximum(0.0, (before if before.ndim == w.ndim else before[:, None]) + w)


def certainty(usual: ArrayLike, worst: ArrayLike, threshold: ArrayLike) -> tuple[Certainty, ...]:
    """The 5th centile of S with usual trips, the 95th with the worst, against the threshold.

    ``usual`` and ``worst`` (charts, completions) of :func:`completed_sums`, ``threshold``
    (charts,). Low > h: `sure`; high <= h: `ordinary`; else `depends`.
    """
    low = np.percentile(np.asarray(usual), LOW_CENTILE, axis=1)
    high = np.percentile(np.asarray(worst), HIGH_CENTILE, axis=1)
    return tuple(
        "sure" if least > h else "ordinary" if most <= h else "depends"
        for least, most, h in zip(low, high, np.asarray(threshold, dtype=np.float64), strict=True)
    )
