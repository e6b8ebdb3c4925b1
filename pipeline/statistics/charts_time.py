"""Charts of measurements and of rare events: XmR and g.

They take ``baseline``, and XmR ``changes`` and ``incomplete``, as described in :mod:`charts`.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.charts import (
    D2,
    Baseline,
    Chart,
    IntArray,
    build,
    mean_moving_range,
    one_series,
    stretches,
    usable_points,
)
from pipeline.statistics.intervals import FloatArray


def xmr_chart(
    values: ArrayLike,
    *,
    baseline: Baseline = None,
    changes: Sequence[int] = (),
    incomplete: ArrayLike | None = None,
) -> Chart:
    """Individual values; sigma is the mean moving range of neighbouring baseline points / 1.128.

    Values in any unit, NaN a gap. One baseline point gives no limits.
    Source: NIST/SEMATECH e-Handbook 6.3.2.2.
    """
    (x,) = one_series(values)
    usable = usable_points(x, incomplete)

    def fit(base: IntArray) -> tuple[float, FloatArray, float]:
        sigma = mean_moving_range(x[base]) / D2
        return float(x[base].mean()), np.full(len(x), sigma), 1.0

    return build("XmR", x, usable, stretches(usable, baseline, changes), fit)


def g_chart(gaps: ArrayLike, *, baseline: Baseline = None) -> Chart:
    """Trips between rare events: centre g, upper limit g + 3 sqrt(g (g + 1)), lower limit 0.

    A gap counts the trips between two events and neither event itself, so it may be 0; below 0
    raises ValueError. The lower limit never signals: that events have become more frequent shows
    as 8 gaps in a row below ``middle``, here the median of the geometric distribution with the
    baseline's mean. The rules on 2 of 3 and 4 of 5 points assume symmetry and do not apply.
    Source: Benneyan 2001, Health Care Manag Sci 4:305.
    """
    (x,) = one_series(gaps)
    if np.any(x < 0):
        raise ValueError("a gap below 0")
    usable = usable_points(x, None)
    parts = stretches(usable, baseline, ())

    def fit(base: IntArray) -> tuple[float, FloatArray, float]:
        centre = float(x[base].mean())
        return centre, np.full(len(x), np.sqrt(centre * (centre + 1))), 1.0

    chart = build("g", x, usable, parts, fit, bounds=(0.0, np.inf))
    return replace(chart, middle=geometric_median(chart.centre), zones=False)


def geometric_median(mean: FloatArray) -> FloatArray:
    """Median of a geometric distribution (from 0) with this mean; NaN where the mean is."""
    with np.errstate(divide="ignore"):
        steps = np.log(0.5) / np.log(mean / (mean + 1))
    return np.asarray(np.ceil(np.where(mean == 0, 1.0, steps)) - 1)


def trips_between(events: ArrayLike) -> tuple[FloatArray, int]:
    """Gaps for a g chart, and the trips since the last event (an unfinished gap).

    ``events`` holds one truth value a trip, in the order of the trips. The trips before the first
    event are left out: how long that gap was is not known.
    """
    at = np.flatnonzero(np.asarray(events, dtype=bool))
    total = len(np.asarray(events))
    since = int(total - 1 - at[-1]) if len(at) else total
    return np.diff(at).astype(np.float64) - 1, since
