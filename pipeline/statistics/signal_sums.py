"""Cumulative sums that watch for a doubled rate or tripled odds, and what a signal says.

Each month adds the log likelihood ratio of the change watched for, W; the sum S is held at or
above 0, signals above a threshold h, and then begins again at 0.

Sources: Page 1954, Biometrika 41:100; for counts Lucas 1985, Technometrics 27:129; for shares with
a level of their own Steiner and others 2000, Biostatistics 1:441.
"""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.charts import BoolArray, one_series
from pipeline.statistics.clustered_intervals import LARGEST_K
from pipeline.statistics.intervals import FloatArray
from schemas.record import dataclass

RATE_RATIO, ODDS_RATIO = 2.0, 3.0
"""The changes watched for: a rate doubled, odds tripled; their inverses for the better."""

WITHIN = 3.0
"""A change month is plausible if its sum of W up to the signal is within this of the best."""


@dataclass(frozen=True)
class SignalSums:
    """``sums`` S of every month and chart before it begins again, and whether it signals.

    Both have the shape of the increments, months first.
    """

    sums: FloatArray
    signal: BoolArray


@dataclass(frozen=True)
class Since:
    """Indices of months: the likely first month of the change, and the first and last plausible."""

    month: int
    earliest: int
    latest: int


def rate_increment(
    events: ArrayLike, expected: ArrayLike, k_eff: ArrayLike, ratio: float = RATE_RATIO
) -> FloatArray:
    """W of a month's events against ``expected`` ones of shape ``k_eff``; elementwise.

    With q = log((k + R M) / (k + M)) for a rate R times as high: x (log R - q) - k q, which for
    independent events is x log R - (R - 1) M. 0 where nothing is expected (no hours) or unknown.
    """
    x, m = np.asarray(events, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    k = np.minimum(np.asarray(k_eff, dtype=np.float64), LARGEST_K)
    with np.errstate(invalid="ignore"):
        q = np.log1p((ratio - 1) * m / (k + m))
        found = x * (np.log(ratio) - q) - k * q
    return np.asarray(np.where((m > 0) & np.isfinite(found), found, 0.0)[()])


def share_increment(
    deviations: ArrayLike, judged: ArrayLike, level: ArrayLike, odds_ratio: float = ODDS_RATIO
) -> FloatArray:
    """W of ``deviations`` out of ``judged`` trips against the share ``level``; elementwise.

    p1 = R p / (1 + (R - 1) p): d log(p1 / p) + (n - d) log((1 - p1) / (1 - p)), which is
    d log R - n log(1 + (R - 1) p). 0 without a judged trip, or an unknown level.
    """
    d, n = np.asarray(deviations, dtype=np.float64), np.asarray(judged, dtype=np.float64)
    p = np.asarray(level, dtype=np.float64)
    found = d * np.log(odds_ratio) - n * np.log1p((odds_ratio - 1) * p)
    return np.asarray(np.where((n > 0) & np.isfinite(found), found, 0.0)[()])


def signal_sums(
    increments: ArrayLike,
    threshold: ArrayLike,
    restart: ArrayLike | None = None,
    start: ArrayLike = 0.0,
) -> SignalSums:
    """S = max(0, S + W), signal where S > ``threshold``, then S = 0.

    ``increments`` has months first; ``start`` broadcasts to the rest, ``threshold`` to all, so that
    it may differ by month (NaN: no signal). ``restart``,
    of the shape of the increments, is true in months that begin at S = 0.
    """
    w = np.asarray(increments, dtype=np.float64)
    sums, signal = np.empty(w.shape), np.zeros(w.shape, dtype=bool)
    again = np.zeros(w.shape, dtype=bool) if restart is None else np.asarray(restart, dtype=bool)
    limit = np.broadcast_to(np.asarray(threshold, dtype=np.float64), w.shape)
    s = np.broadcast_to(np.asarray(start, dtype=np.float64), w.shape[1:])
    for month in range(len(w)):
        s = np.maximum(0.0, np.where(again[month], 0.0, s) + w[month])
        sums[month], signal[month] = s, s > limit[month]
        s = np.where(signal[month], 0.0, s)
    return SignalSums(sums, signal)


def since(increments: ArrayLike, at: int, restart: ArrayLike | None = None) -> Since:
    """Since when one chart's signal in month ``at`` holds: the month after the last S = 0.

    ``increments`` (months,) are the chart's W; ``restart`` (months,) is true in months before which
    no change is sought. A signal begins S again but not the change it told of, so that S is here
    summed on through earlier signals: a change that is signalled twice keeps its beginning. The
    range are the change months whose sum of W up to ``at`` is within 3 of the best.
    """
    (w,) = one_series(increments)
    first = 0
    if restart is not None:
        begun = np.flatnonzero(np.asarray(restart, dtype=bool)[: at + 1])
        first = int(begun[-1]) if len(begun) else 0
    sums = signal_sums(w[first : at + 1], np.inf).sums
    zero = np.flatnonzero(sums[:-1] <= 0)
    month = first + int(zero[-1]) + 1 if len(zero) else first
    from_here = np.cumsum(w[first : at + 1][::-1])[::-1]
    plausible = first + np.flatnonzero(from_here >= from_here.max() - WITHIN)
    return Since(month, int(plausible[0]), int(plausible[-1]))
