"""Simulated futures of a service in which nothing changes, or one thing does: the signals' ground.

A future month is a whole month of the service's own, drawn again; its counts come from levels and
a k that are themselves drawn from what the data leave open, and its charts run with levels that
keep learning, as the real ones do. So thresholds allow for all that is not known.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.statistics.charts import IntArray
from pipeline.statistics.intervals import FloatArray
from pipeline.statistics.running_levels import (
    PRIOR_EVENTS,
    Sums,
    base_share,
    clustered_gamma,
    expected_events,
    expected_of_service,
    rule_share,
    service_rate,
    size_rate,
)
from pipeline.statistics.service_dispersion import ServiceDispersion
from pipeline.statistics.signal_sums import (
    ODDS_RATIO,
    RATE_RATIO,
    rate_increment,
    share_increment,
)
from schemas.record import dataclass

FUTURES, FUTURE_MONTHS, SAMPLED_MONTHS = 2000, 36, 12
"""How many futures of how many months, drawn from how many of the latest months."""

CHANGED_FUTURES = 1000
"""How many of them are drawn once more with a change: 1.6 of 100 is then a standard error."""

NO_PARENT = -1

Float32 = NDArray[np.float32]


@dataclass(frozen=True)
class RateMonths:
    """Occlusions by month and cannula size: arrays (months, sizes), in order, without gaps.

    ``events`` are counts, ``hours`` sums of the trips' hours and ``hours_squared`` of their
    squares (a row is a trip at one size); zeros where a size was not used.
    """

    events: FloatArray
    hours: FloatArray
    hours_squared: FloatArray


@dataclass(frozen=True)
class ShareMonths:
    """Deviations and trips judged by month and chart: arrays (months, charts), zeros where none.

    ``parent`` (charts,) is the column towards whose share a chart's own is drawn: for a base's
    chart that of its rule (or record) over the service; -1 for the latter. A parent's counts are
    the sums of its charts'. ``restart`` (months, charts) is true in months from which on a chart's
    level begins anew; a restart of a rule is to be marked at its bases, too.
    """

    deviations: FloatArray
    judged: FloatArray
    parent: IntArray
    restart: NDArray[np.bool_]


@dataclass(frozen=True)
class Futures:
    """W of every future month, (months, charts, futures), single precision.

    ``changed`` is W of a year in which that chart's rate is doubled or its odds tripled from the
    start, (12, charts, fewer futures). Charts in the order: the service's rate, the sizes' rates,
    the columns of ShareMonths.
    """

    unchanged: Float32
    changed: Float32


@dataclass(frozen=True)
class _Draw:
    """One simulation: random numbers, and the month drawn for each (future month, future)."""

    rng: np.random.Generator
    pick: IntArray

    def of(self, values: FloatArray) -> FloatArray:
        """A column by month, at the months drawn."""
        return np.asarray(values[self.pick])


def draw_futures(
    rates: RateMonths | None,
    shares: ShareMonths | None,
    dispersion: ServiceDispersion,
    *,
    seed: int,
    futures: int = FUTURES,
) -> Futures:
    """Futures of every chart of the family, from its months so far.

    With neither rates nor shares, or no month, there are no charts.
    """
    so_far = max(len(rates.events) if rates else 0, len(shares.judged) if shares else 0)
    rng = np.random.default_rng(seed)
    pick = rng.integers(max(0, so_far - SAMPLED_MONTHS), max(1, so_far), (FUTURE_MONTHS, futures))
    draw = _Draw(rng, pick)
    charts = (1 + rates.events.shape[1] if rates else 0) + (shares.judged.shape[1] if shares else 0)
    unchanged = np.zeros((FUTURE_MONTHS, charts, futures), dtype=np.float32)
    changed = np.zeros((12, charts, min(CHANGED_FUTURES, futures)), dtype=np.float32)
    if not so_far:
        return Futures(unchanged, changed)
    first = charts - (shares.judged.shape[1] if shares else 0)
    if rates and rates.hours.any():
        _rates(draw, rates, dispersion, unchanged[:, :first], changed[:, :first])
    if shares:
        _shares(draw, shares, unchanged[:, first:], changed[:, first:])
    return Futures(unchanged, changed)


def _rates(
    draw: _Draw,
    so_far: RateMonths,
    dispersion: ServiceDispersion,
    unchanged: Float32,
    changed: Float32,
) -> None:
    """Fill W of the service (chart 0) and of the sizes."""
    service = _RunningService(so_far, dispersion.k)
    phi = draw.rng.choice(dispersion.phi, size=draw.pick.shape[1], p=dispersion.weights)
    sizes = [s for s in range(so_far.events.shape[1]) if so_far.hours[:, s].any()]
    hours = [draw.of(so_far.hours[:, s]) for s in sizes]
    squares = [draw.of(so_far.hours_squared[:, s]) for s in sizes]
    true = [draw.rng.gamma(*service.gamma(s), phi.shape) for s in sizes]
    events = [
        _clustered(draw.rng, rate * t, t, q, phi)
        for rate, t, q in zip(true, hours, squares, strict=True)
    ]
    every = service.increments(sizes, events, hours, squares)
    for chart, w in every:
        unchanged[:, chart] = w
    year, fewer = changed.shape[0], changed.shape[2]
    part = (slice(year), slice(fewer))
    hours, squares = [t[part] for t in hours], [q[part] for q in squares]
    more = [
        _clustered(draw.rng, RATE_RATIO * rate[:fewer] * t, t, q, phi[:fewer])
        for rate, t, q in zip(true, hours, squares, strict=True)
    ]
    before = [x[part] for x in events]
    changed[:, 0] = service.increments(sizes, more, hours, squares)[0][1]
    for i, s in enumerate(sizes):
        one = [*before[:i], more[i], *before[i + 1 :]]
        changed[:, 1 + s] = service.increments(sizes, one, hours, squares, only=s)[0][1]


def _clustered(
    rng: np.random.Generator,
    mean: FloatArray,
    hours: FloatArray,
    squares: FloatArray,
    phi: FloatArray,
) -> FloatArray:
    """Negative-binomial counts with trips alike clustered by phi."""
    with np.errstate(divide="ignore", invalid="ignore"):
        shape = np.where(squares > 0, hours**2 / (phi * squares), 1.0)
    return rng.poisson(rng.gamma(shape, mean / shape)).astype(np.float64)


class _RunningService:
    """The service's and sizes' running levels, going on from the months so far."""

    def __init__(self, so_far: RateMonths, k: float) -> None:
        self.k = k
        totals = (so_far.events, so_far.hours, so_far.hours_squared)
        self.sizes = [Sums(*(total[:, s].sum() for total in totals))
                      for s in range(so_far.events.shape[1])]  # fmt: skip
        self.all = Sums(so_far.events.sum(), so_far.hours.sum())

    def gamma(self, size: int) -> tuple[float, float]:
        """Shape and scale of what a size's rate may be now."""
        nothing = np.zeros(1)
        rate = service_rate(nothing, nothing, self.all)
        shape, hours = clustered_gamma(
            nothing, nothing, nothing, rate, k=self.k, start=self.sizes[size]
        )
        return float(shape[0]), float(1 / hours[0])

    def increments(
        self,
        sizes: list[int],
        events: list[FloatArray],
        hours: list[FloatArray],
        squares: list[FloatArray],
        only: int | None = None,
    ) -> list[tuple[int, FloatArray]]:
        """W by chart: 0 the service, 1 + s the size s; or of one size alone."""
        rate = service_rate(sum(events, np.zeros(1)), sum(hours, np.zeros(1)), self.all)
        levels = {
            s: size_rate(x, t, q, rate, k=self.k, start=self.sizes[s])
            for s, x, t, q in zip(sizes, events, hours, squares, strict=True)
            if only in {None, s}
        }
        found = []
        if only is None:
            m = expected_of_service(
                np.stack(list(levels.values())), np.stack(hours), np.stack(squares), self.k, axis=0
            )
            found.append((0, rate_increment(sum(events), m.events, m.k_eff)))
        for s, x, t, q in zip(sizes, events, hours, squares, strict=True):
            if s in levels:
                m = expected_events(levels[s], t, q, self.k)
                found.append((1 + s, rate_increment(x, m.events, m.k_eff)))
        return found


def _shares(draw: _Draw, so_far: ShareMonths, unchanged: Float32, changed: Float32) -> None:
    """Fill W of every column of shares: each chart of a parent, then the parent as their sum."""
    odds, (year, _, fewer) = ODDS_RATIO, changed.shape
    part = (slice(year), slice(fewer))
    past = [
        (_since_restart(so_far.deviations, so_far.restart, c),
         _since_restart(so_far.judged, so_far.restart, c))
        for c in range(so_far.judged.shape[1])
    ]  # fmt: skip
    for top in np.flatnonzero(so_far.parent == NO_PARENT):
        below = np.flatnonzero(so_far.parent == top)
        d0, n0 = past[top]
        p0 = float(rule_share(np.zeros(1), np.zeros(1), None, Sums(d0, n0))[0])
        sampled_columns = below if len(below) else [top]
        judged = [draw.of(so_far.judged[:, c]) for c in sampled_columns]
        true = [_possible_share(draw, past[c], p0 if len(below) else None) for c in sampled_columns]
        events = [_binomial(draw.rng, n, p) for n, p in zip(judged, true, strict=True)]
        all_d, all_n = sum(events, np.zeros(1)), sum(judged, np.zeros(1))
        level = rule_share(all_d, all_n, None, Sums(d0, n0))
        unchanged[:, top] = share_increment(all_d, all_n, level)
        more = [
            _binomial(draw.rng, n[part], odds * p[:fewer] / (1 + (odds - 1) * p[:fewer]))
            for n, p in zip(judged, true, strict=True)
        ]
        much, trips = sum(more, np.zeros(1)), all_n[part]
        share = rule_share(much, trips, None, Sums(d0, n0))
        changed[:, top] = share_increment(much, trips, share)
        if not len(below):
            continue
        for c, d, n, worse in zip(below, events, judged, more, strict=True):
            own = Sums(*past[c])
            unchanged[:, c] = share_increment(d, n, base_share(d, n, level, None, own))
            around = rule_share(all_d[part] - d[part] + worse, trips, None, Sums(d0, n0))
            changed[:, c] = share_increment(
                worse, n[part], base_share(worse, n[part], around, None, own)
            )


def _since_restart(values: FloatArray, restart: ArrayLike, chart: int) -> float:
    """Sum of a column's months since its last restart."""
    begun = np.flatnonzero(np.asarray(restart)[:, chart])
    return float(values[begun[-1] if len(begun) else 0 :, chart].sum())


def _possible_share(draw: _Draw, past: tuple[float, float], parent: float | None) -> FloatArray:
    """What a chart's share may be now, one draw a future."""
    d, n = past
    size = draw.pick.shape[1]
    if parent is None:
        return np.asarray(draw.rng.beta(d + 0.5, n - d + 0.5, size))
    less = PRIOR_EVENTS / parent + n - PRIOR_EVENTS - d
    return np.asarray(draw.rng.beta(PRIOR_EVENTS + d, less, size))


def _binomial(rng: np.random.Generator, n: FloatArray, p: FloatArray) -> FloatArray:
    return rng.binomial(n.astype(np.int64), p).astype(np.float64)
