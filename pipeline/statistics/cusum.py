"""Tabular cumulative sums: slow to shout at one bad month, quick to notice a lasting shift."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.charts import BoolArray, one_series
from pipeline.statistics.intervals import FloatArray


@dataclass(frozen=True)
class Cusum:
    """Upper and lower sums, one entry a point, and whether each passes the limit ``h``."""

    upper: FloatArray
    lower: FloatArray
    above: BoolArray
    below: BoolArray
    target: float
    k: float
    h: float


def cusum(values: ArrayLike, target: float, k: float, h: float) -> Cusum:
    """Two-sided tabular CUSUM of a series.

    ``target``, the allowance ``k`` (half the shift worth noticing) and the limit ``h`` are in the
    unit of the values; for standardised values common choices are 0.5 and 4 or 5. A missing value
    (NaN) leaves both sums where they were and never signals. Sums are not reset after a signal.
    Source: NIST/SEMATECH e-Handbook 6.3.2.3.
    """
    (x,) = one_series(values)
    if not (k >= 0 and h > 0):
        raise ValueError("k must be at least 0 and h above 0")
    seen = np.isfinite(x)
    up = _running(np.where(seen, x - target - k, 0.0))
    down = _running(np.where(seen, target - k - x, 0.0))
    return Cusum(up, down, seen & (up > h), seen & (down > h), target, k, h)


def _running(steps: FloatArray) -> FloatArray:
    """Cumulative sum held at or above 0: the sum less its running minimum (with 0)."""
    total = np.cumsum(steps)
    return total - np.minimum(np.minimum.accumulate(total), 0.0)
