"""Charts of rates and shares: u, p, and Laney's u' and p'.

All take ``baseline``, ``changes`` and ``incomplete`` as described in :mod:`charts`: ``incomplete``
marks points that are shown but set no limits and never signal. Counts below 0 or above their
denominator raise ValueError; missing counts and empty denominators leave a gap.
"""

from collections.abc import Callable, Sequence

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

Plain = Callable[[IntArray], tuple[float, FloatArray]]
"""From baseline indices to the plain chart's centre and every point's sigma."""


def u_chart(
    events: ArrayLike,
    exposure: ArrayLike,
    *,
    per: float = 1.0,
    laney: bool | None = False,
    baseline: Baseline = None,
    changes: Sequence[int] = (),
    incomplete: ArrayLike | None = None,
) -> Chart:
    """Chart of a rate, in events per ``per`` units of exposure; limits step with the exposure.

    ``laney`` True draws Laney's u', whose limits are those of u times sigma_z, never less than 1;
    None chooses u' where sigma_z of the first phase's baseline is above 1, and keeps to that.
    Source: NIST/SEMATECH e-Handbook 6.3.3.1; Laney 2002, Qual Eng 14:531.
    """
    x, t = one_series(events, exposure)
    _check(x)
    t = np.where(t > 0, t, np.nan)

    def plain(base: IntArray) -> tuple[float, FloatArray]:
        centre = float(x[base].sum() / t[base].sum()) * per
        return centre, np.sqrt(centre * per / t)

    plan = (baseline, changes, incomplete)
    return _ratio_chart("u", x / t * per, plain, laney, plan=plan, bounds=(0.0, np.inf))


def p_chart(
    events: ArrayLike,
    n: ArrayLike,
    *,
    laney: bool | None = False,
    baseline: Baseline = None,
    changes: Sequence[int] = (),
    incomplete: ArrayLike | None = None,
) -> Chart:
    """Chart of a share (a proportion in [0, 1]) of ``n``; limits step with n.

    ``laney`` as for :func:`u_chart`.
    Source: NIST/SEMATECH e-Handbook 6.3.3.2; Laney 2002, Qual Eng 14:531.
    """
    x, m = one_series(events, n)
    _check(x, m)
    m = np.where(m > 0, m, np.nan)

    def plain(base: IntArray) -> tuple[float, FloatArray]:
        centre = float(x[base].sum() / m[base].sum())
        return centre, np.sqrt(centre * (1 - centre) / m)

    plan = (baseline, changes, incomplete)
    return _ratio_chart("p", x / m, plain, laney, plan=plan, bounds=(0.0, 1.0))


def laney_sigma_z(value: FloatArray, centre: float, sigma: FloatArray) -> float:
    """Laney's sigma_z: mean moving range of the z-scores over 1.128.

    Arrays of one length, the plain chart's values and sigmas; NaN with fewer than two points or
    no variation to scale by.
    """
    if len(value) < 2 or not np.all(sigma > 0):
        return float("nan")
    return mean_moving_range((value - centre) / sigma) / D2


def _ratio_chart(
    kind: str,
    value: FloatArray,
    plain: Plain,
    laney: bool | None,
    *,
    plan: tuple[Baseline, Sequence[int], ArrayLike | None],
    bounds: tuple[float, float],
) -> Chart:
    """The chart that ``plain`` describes, or its Laney form."""
    baseline, changes, incomplete = plan
    usable = usable_points(value, incomplete)
    parts = stretches(usable, baseline, changes)

    def factor(base: IntArray) -> float:
        centre, sigma = plain(base)
        found = laney_sigma_z(value[base], centre, sigma[base])
        return max(1.0, found) if np.isfinite(found) else 1.0

    first = parts[0].baseline if parts else np.array([], dtype=np.int64)
    wide = len(first) > 0 and factor(first) > 1.0 if laney is None else laney

    def fit(base: IntArray) -> tuple[float, FloatArray, float]:
        centre, sigma = plain(base)
        times = factor(base) if wide else 1.0
        return centre, sigma * times, times

    return build(f"{kind}'" if wide else kind, value, usable, parts, fit, bounds=bounds)


def _check(x: FloatArray, m: FloatArray | None = None) -> None:
    if np.any(x < 0):
        raise ValueError("a count below 0")
    if m is not None and np.any(x > m):
        raise ValueError("more events than trips")
