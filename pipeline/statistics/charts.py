"""What every control chart here shares: the result, the baseline and its phases.

Limits come from a *baseline*: points named once and then left alone, so that a new month is judged
by the past and not by itself. A new *phase*, with limits of its own, starts only at a change that
the caller names because it is documented (a protocol version, a retraining).

The charts are in :mod:`charts_attribute` (u, p and Laney's u' and p'), :mod:`charts_time`
(XmR, g); the tests for signals in :mod:`run_rules`.
"""

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.statistics.intervals import FloatArray, as_float
from schemas.record import dataclass

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

Baseline = int | slice | Sequence[bool] | BoolArray | None
"""Which points set the limits.

An int N: the first N usable points of every phase. A slice, or a mask as long as the series: those
points; a later phase that it does not reach takes as many of its own first usable points (at
least 12). None: every usable point of the phase, so nothing is frozen.
"""

MIN_POINTS = 12
"""Fewer baseline points than this, and the limits are called provisional."""

D2 = 1.128
"""Mean range of two normal values in standard deviations, as tabulated (ASTM MNL 7, table 16)."""


@dataclass(frozen=True)
class Phase:
    """A stretch of points with limits of its own.

    Points ``start`` to ``stop`` - 1; ``baseline`` are the indices that set its ``centre``.
    ``sigma_z`` is the factor on the limits of Laney's charts, 1 elsewhere. ``reason`` is a
    sentence where the limits are ``provisional`` or missing, else empty.
    """

    start: int
    stop: int
    baseline: tuple[int, ...]
    centre: float
    sigma_z: float
    provisional: bool
    reason: str


@dataclass(frozen=True)
class Chart:
    """A control chart, one entry a point in every array.

    ``value`` is NaN where there is no denominator. ``lower`` and ``upper`` are the 3-sigma limits,
    NaN where none can be drawn; ``z`` is each point's distance from the centre in sigmas (for a t
    chart, on its transformed scale), NaN where the point takes no part in the rules.
    ``middle`` is the baseline's median, for the longest run and the crossings. ``zones`` is False
    where only the rules on single points and on long runs apply (the g chart).
    """

    kind: str
    value: FloatArray
    centre: FloatArray
    lower: FloatArray
    upper: FloatArray
    z: FloatArray
    middle: FloatArray
    zones: bool
    phases: tuple[Phase, ...]

    @property
    def provisional(self) -> bool:
        """Whether the limits now in force are provisional or missing."""
        return self.phases[-1].provisional if self.phases else True

    @property
    def reason(self) -> str:
        """Why they are, as a sentence; empty if they are not."""
        return self.phases[-1].reason if self.phases else "No limits: there is no point yet."

    @property
    def sigma_z(self) -> float:
        """The factor on the limits now in force: 1 but for Laney's charts."""
        return self.phases[-1].sigma_z if self.phases else 1.0


@dataclass(frozen=True)
class Stretch:
    """A phase before its limits are known: where it lies and which points set them."""

    start: int
    stop: int
    baseline: IntArray


Fit = Callable[[IntArray], tuple[float, FloatArray, float]]
"""From baseline indices to the centre, every point's sigma, and the factor within that sigma."""


def usable_points(value: FloatArray, incomplete: ArrayLike | None) -> BoolArray:
    """Points that have a value and are not marked incomplete."""
    usable = np.isfinite(value)
    if incomplete is not None:
        usable = usable & ~_mask(incomplete, len(value), "incomplete")
    return usable


def stretches(usable: BoolArray, baseline: Baseline, changes: Sequence[int]) -> list[Stretch]:
    """Cut the series at the documented changes and find each phase's baseline points.

    ``changes`` are indices of the first point after each change, in any order, from 1 to n - 1
    (ValueError otherwise).
    """
    n = len(usable)
    if isinstance(baseline, int) and baseline < 1:
        raise ValueError("a baseline needs at least one point")
    cuts = sorted(set(changes))
    if cuts and not (cuts[0] >= 1 and cuts[-1] <= n - 1):
        raise ValueError(f"a change must lie between points 1 and {n - 1}, not {cuts}")
    edges = [0, *cuts, n] if n else []
    named = None if baseline is None or isinstance(baseline, int) else _named(baseline, n)
    count = baseline if isinstance(baseline, int) else n
    found: list[Stretch] = []
    for start, stop in pairwise(edges):
        own = np.flatnonzero(usable[start:stop]) + start
        if named is None:
            chosen = own[:count]
        else:
            chosen = own[named[own]]
            if found and not named[start:stop].any():
                chosen = own[: max(MIN_POINTS, len(found[0].baseline))]
        found.append(Stretch(start, stop, chosen))
    return found


def build(
    kind: str,
    value: FloatArray,
    usable: BoolArray,
    parts: Sequence[Stretch],
    fit: Fit,
    *,
    bounds: tuple[float, float] = (-np.inf, np.inf),
) -> Chart:
    """Draw centre, 3-sigma limits cut off at ``bounds`` and z for every phase."""
    n = len(value)
    centre, lower, upper, z, middle = (np.full(n, np.nan) for _ in range(5))
    phases = []
    for part in parts:
        here = slice(part.start, part.stop)
        line, sigma, factor = fit(part.baseline) if len(part.baseline) else _nothing(n)
        plot_sigma = np.where(np.isfinite(value) & (sigma > 0), sigma, np.nan)[here]
        centre[here] = line
        lower[here] = np.maximum(line - 3 * plot_sigma, bounds[0])
        upper[here] = np.minimum(line + 3 * plot_sigma, bounds[1])
        z[here] = np.where(usable[here], (value[here] - line) / plot_sigma, np.nan)
        middle[here] = np.median(value[part.baseline]) if len(part.baseline) else np.nan
        reason = _reason(len(part.baseline), bool(np.any(sigma > 0)))
        base = tuple(int(i) for i in part.baseline)
        phases.append(Phase(part.start, part.stop, base, line, factor, bool(reason), reason))
    return Chart(kind, value, centre, lower, upper, z, middle, True, tuple(phases))


def mean_moving_range(value: FloatArray) -> float:
    """Mean absolute difference of neighbours; NaN with fewer than two."""
    return float(np.mean(np.abs(np.diff(value)))) if len(value) > 1 else float("nan")


def one_series(*values: ArrayLike) -> list[FloatArray]:
    """The inputs as float arrays of one length; ValueError if they are not one-dimensional."""
    found = as_float(*values)
    if found[0].ndim != 1:
        raise ValueError("a chart needs one-dimensional series")
    return found


def _nothing(n: int) -> tuple[float, FloatArray, float]:
    return float("nan"), np.full(n, np.nan), 1.0


def _reason(points: int, limits: bool) -> str:
    if points == 0:
        return "No limits: no usable point to draw them from."
    if not limits:
        return "No limits: the baseline shows no variation to draw them from."
    if points < MIN_POINTS:
        points_set = "1 point sets" if points == 1 else f"{points} points set"
        return (
            f"Provisional: {points_set} these limits; with fewer than {MIN_POINTS} "
            "they may move a good deal as points come in."
        )
    return ""


def _mask(value: ArrayLike, n: int, name: str) -> BoolArray:
    mask = np.asarray(value, dtype=bool)
    if mask.shape != (n,):
        raise ValueError(f"{name} must have one entry for each of the {n} points")
    return mask


def _named(baseline: slice | Sequence[bool] | BoolArray, n: int) -> BoolArray:
    if isinstance(baseline, slice):
        mask = np.zeros(n, dtype=bool)
        mask[baseline] = True
        return mask
    return _mask(baseline, n, "baseline")
