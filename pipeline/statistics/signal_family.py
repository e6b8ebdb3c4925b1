"""The family of charts on a service's own months: levels, what was expected, and W.

A month's W rests on the months before it alone, so that it stays as first worked out while those
months' trips stay; :mod:`signal_sums` adds the W up, kept ones and new ones alike.
"""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.clustered_intervals import (
    effective_k,
    rate_ratio,
    share_ratio_of_periods,
)
from pipeline.statistics.intervals import FloatArray, RatioInterval
from pipeline.statistics.running_levels import (
    base_share,
    expected_events,
    expected_of_service,
    rule_share,
    service_rate,
    size_rate,
)
from pipeline.statistics.signal_futures import NO_PARENT, RateMonths, ShareMonths
from pipeline.statistics.signal_sums import (
    ODDS_RATIO,
    RATE_RATIO,
    rate_increment,
    share_increment,
)
from schemas.record import dataclass

QUIET_MONTHS = 6
"""Signals start after so many months of the service: until then W is 0, and levels learn."""


@dataclass(frozen=True)
class ChartMonths:
    """One entry a month and chart, (months, charts).

    ``level`` is the rate per hour or the share before the month, ``expected`` the events that it
    expects of the month, ``k_eff`` the shape of their count (infinite for shares, which do not
    cluster; NaN without hours) and ``increments`` W. The service's ``level`` is that of its sizes
    at the month's own mix.
    """

    level: FloatArray
    expected: FloatArray
    k_eff: FloatArray
    increments: FloatArray


def rate_charts(so_far: RateMonths, k: ArrayLike, *, better: bool = False) -> ChartMonths:
    """The service's chart (column 0) and each size's, in the order of the sizes.

    ``k`` (months,) is the service's before each month. ``better`` watches for halving.
    """
    x, t, q = so_far.events, so_far.hours, so_far.hours_squared
    shape = np.asarray(k, dtype=np.float64)[:, None]
    service = service_rate(x.sum(axis=1), t.sum(axis=1))[:, None]
    rate = size_rate(x, t, q, service, k=shape)
    all_sizes = expected_of_service(rate, t, q, shape[:, 0])
    each = expected_events(rate, t, q, shape)
    hours = t.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        mixed = all_sizes.events / hours
    seen = np.column_stack([x.sum(axis=1), x])
    expected = np.column_stack([all_sizes.events, each.events])
    k_eff = np.column_stack([all_sizes.k_eff, each.k_eff])
    w = rate_increment(seen, expected, k_eff, 1 / RATE_RATIO if better else RATE_RATIO)
    w[:QUIET_MONTHS] = 0.0
    level = np.column_stack([mixed, rate])
    return ChartMonths(level, expected, k_eff, w)


def share_charts(so_far: ShareMonths, *, better: bool = False) -> ChartMonths:
    """Each column of shares; a base's level is drawn towards that of its rule.

    ``better`` watches for a third of the odds.
    """
    d, n, restart = so_far.deviations, so_far.judged, so_far.restart
    service = rule_share(d, n, restart)
    has_parent = so_far.parent != NO_PARENT
    around = service[:, np.where(has_parent, so_far.parent, 0)]
    level = np.where(has_parent, base_share(d, n, around, restart), service)
    w = share_increment(d, n, level, 1 / ODDS_RATIO if better else ODDS_RATIO)
    w[:QUIET_MONTHS] = 0.0
    return ChartMonths(level, level * n, np.full(n.shape, np.inf), w)


def rate_of_periods(
    so_far: RateMonths, size: int | None, now: slice, before: slice, *, level: ArrayLike, k: float
) -> RatioInterval:
    """How big: the rate of the months ``now`` over that of the months ``before``.

    Of one ``size`` (its column), or of the service (None) at the months' own mix of sizes, by the
    rates ``level`` (sizes,), the same for both periods; one size's level cancels.
    """
    rate = np.asarray(level, dtype=np.float64)
    chosen = slice(None) if size is None else slice(size, size + 1)

    def period(months: slice) -> tuple[float, float, FloatArray]:
        x, t, q = (
            v[months, chosen].sum(axis=0)
            for v in (so_far.events, so_far.hours, so_far.hours_squared)
        )
        own = np.where(t > 0, rate[chosen], 0.0)
        mean, squares = float(own @ t), float(own**2 @ q)
        return float(x.sum()), mean, effective_k(k, mean, squares)

    return rate_ratio(*period(now), *period(before))


def share_of_periods(so_far: ShareMonths, chart: int, now: slice, before: slice) -> RatioInterval:
    """How big: the share of a column in the months ``now`` over that in those ``before``."""
    d, n = so_far.deviations[:, chart], so_far.judged[:, chart]
    return share_ratio_of_periods(d[now].sum(), n[now].sum(), d[before].sum(), n[before].sum())
