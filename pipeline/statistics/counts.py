"""Tails and quantiles of counts, through ``scipy.special`` alone.

``scipy.stats`` has them all, and takes longer to import than a month's funnels take to draw.
"""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics import special
from pipeline.statistics.intervals import FloatArray, as_float
from schemas.record import dataclass


@dataclass(frozen=True)
class Counts:
    """A distribution of counts: ``below(x)`` is the chance of at most x; 0 for x below 0.

    ``a`` and ``b`` are trials and share, or shape and p, by ``kind``; NaN where there is nothing to
    count.
    """

    kind: str
    a: FloatArray
    b: FloatArray

    def below(self, x: ArrayLike) -> FloatArray:
        """The chance of at most ``x``."""
        (count,) = as_float(x)
        at = np.maximum(count, 0)
        if self.kind == "binomial":
            rest = np.maximum(self.a - at, 0)
            chance = np.where(rest > 0, special.betainc(rest, at + 1, 1 - self.b), 1.0)
        else:
            chance = special.betainc(self.a, at + 1, self.b)
        unknown = np.isnan(self.a) | np.isnan(self.b)
        return np.asarray(np.where(unknown, np.nan, np.where(count < 0, 0.0, chance)))

    def quantile(self, tail: float) -> FloatArray:
        """The smallest count that is reached with the chance ``tail``."""
        if self.kind == "binomial":
            near = special.bdtrik(tail, self.a, self.b)
        else:
            near = special.nbdtrik(tail, self.a, self.b)
        count = np.ceil(np.nan_to_num(near))
        # what the inverse lacks in precision is one count at the most
        count = np.where(self.below(count) < tail, count + 1, count)
        count = np.where(self.below(count - 1) >= tail, count - 1, count)
        return np.asarray(np.where(np.isnan(self.a) | np.isnan(self.b), np.nan, count))


def binomial(n: ArrayLike, share: ArrayLike) -> Counts:
    """Of ``n`` trials, each with the chance ``share``."""
    return Counts("binomial", *as_float(n, share))


def negative_binomial(k: ArrayLike, p: ArrayLike) -> Counts:
    """Failures before the ``k``-th success of chance ``p``, ``k`` any positive number."""
    return Counts("negative binomial", *as_float(k, p))
