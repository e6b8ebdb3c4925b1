"""Where a function is 0 between two bounds, of many functions at once.

``scipy.optimize`` has it, and takes longer to import than all the month's bounds to find.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.intervals import FloatArray, as_float

MOST_STEPS, CLOSE = 200, 1e-14


def root_between(
    function: Callable[[FloatArray], FloatArray], low: ArrayLike, high: ArrayLike
) -> FloatArray:
    """The x between ``low`` and ``high`` at which ``function`` is 0, to 1e-14 of x or 1e-14.

    Elementwise: ``function`` takes and gives arrays of the bounds' shape, and each element is a
    function of its own, whose root does not depend on the others'. NaN where its values at the
    bounds have the same sign. Source: Chandrupatla 1997, Adv Eng Software 28:145.
    """
    b, a = (np.atleast_1d(bound) for bound in as_float(low, high))
    fb, fa = function(b), function(a)
    found = np.where(fa == 0, a, np.where(fb == 0, b, np.nan))
    open_ = np.sign(fa) * np.sign(fb) < 0
    share = np.full(a.shape, 0.5)
    for _ in range(MOST_STEPS):
        if not open_.any():
            break
        at = a + share * (b - a)
        value = np.where(open_, function(at), fa)
        same = np.sign(value) == np.sign(fa)
        c, fc = np.where(same, a, b), np.where(same, fa, fb)
        b, fb = np.where(same, b, a), np.where(same, fb, fa)
        a, fa = at, value
        best = np.where(np.abs(fa) < np.abs(fb), a, b)
        with np.errstate(all="ignore"):
            least = np.minimum((CLOSE * np.abs(best) + CLOSE) / np.abs(b - a), 0.5)
            settled = open_ & ((least >= 0.5) | (fa == 0))
            # the parabola through three points where it is steep enough between them, else halves
            xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
            inner = (phi**2 < xi) & ((1 - phi) ** 2 < 1 - xi)
            curved = fa / (fb - fa) * fc / (fb - fc)
            curved += (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
        found = np.where(settled, best, found)
        open_ &= ~settled
        share = np.clip(np.where(inner & np.isfinite(curved), curved, 0.5), least, 1 - least)
    return np.asarray(found.reshape(np.shape(as_float(low, high)[0])))
