"""Did a retraining change anything: before and after, and what else might explain it."""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.charts import BoolArray, IntArray
from pipeline.statistics.share_ratio import ShareRatio, share_ratio
from schemas.record import dataclass

REGRESSION_TO_THE_MEAN = (
    "This group was picked because its figures were bad. Figures picked for being bad tend to be "
    "better the next time whatever anyone does (regression to the mean), so part of any fall may "
    "be that."
)


@dataclass(frozen=True)
class Windows:
    """Which months count as before and as after, in the order given."""

    before: BoolArray
    after: BoolArray


@dataclass(frozen=True)
class BeforeAfter:
    """Share of trips after over share before, with its exact interval.

    ``too_few`` tells that a side has no trip or that there is no event on either.
    """

    before_events: float
    before_trips: float
    after_events: float
    after_trips: float
    ratio: ShareRatio
    too_few: bool


def windows(
    months: ArrayLike, training: int, prompted: ArrayLike = (), before: int = 12, after: int = 12
) -> Windows:
    """Months before and after a training.

    ``months`` and ``training`` are month numbers (year x 12 + month, say), ``prompted`` the months
    whose figures led to the training: they and the training month itself are in neither window.
    The windows reach ``before`` and ``after`` months from the training, and what is left out is
    not made up for.
    """
    month: IntArray = np.asarray(months, dtype=np.int64)
    left_out = np.isin(month, np.asarray(prompted, dtype=np.int64))
    first = (month < training) & (month >= training - before) & ~left_out
    then = (month > training) & (month <= training + after) & ~left_out
    return Windows(first, then)


def before_after(events: ArrayLike, trips: ArrayLike, window: Windows) -> BeforeAfter:
    """Compare two windows of months by the ratio of their shares of trips, after over before.

    ``events`` (trips with one) and ``trips`` hold one whole number a month; months that miss
    either count for nothing. Events over time are no share of trips: where they are compared use
    :func:`clustered_intervals.rate_ratio`.
    """
    x = np.asarray(events, dtype=np.float64)
    t = np.asarray(trips, dtype=np.float64)
    known = np.isfinite(x) & np.isfinite(t)
    sums = [
        (float(x[known & part].sum()), float(t[known & part].sum()))
        for part in (window.before, window.after)
    ]
    (x0, t0), (x1, t1) = sums
    too_few = t0 == 0 or t1 == 0 or x0 + x1 == 0
    return BeforeAfter(x0, t0, x1, t1, share_ratio(x1, t1, x0, t0), too_few)
