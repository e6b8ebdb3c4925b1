"""How long this service would need to notice a change, and how often its charts cry wolf.

By simulation at the service's own volume with its own chart and rules: each run draws the months
that set the limits, then the months that follow, a year at a time for as long as the answer needs
them. Limits drawn from few months are themselves uncertain, and that is part of the answer. The
same seed gives the same figures. Arrays have a month, or a gap, in each row, a run in each column.
"""

from collections.abc import Callable, Sequence
from math import ceil

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.charts import D2, MIN_POINTS, BoolArray, IntArray, one_series
from pipeline.statistics.charts_time import geometric_median
from pipeline.statistics.intervals import FloatArray
from pipeline.statistics.run_rules import BOTH_SIDES, ZONE_RULES, ZoneRule, any_signal
from schemas.record import dataclass

YEAR, BASELINE = 12, 24


@dataclass(frozen=True)
class Noticed:
    """How soon a lasting change gives a signal on its own side.

    ``median_months`` and ``months_for_90`` are the months by which half, and 90 %, of the runs have
    signalled (1: the first month of the change); NaN where that takes longer than was simulated.
    ``within_year`` is the share noticed within 12 months. All NaN where the change is impossible (a
    share above a half cannot double).
    """

    median_months: float
    months_for_90: float
    within_year: float


@dataclass(frozen=True)
class Power:
    """What a chart can notice at a given volume.

    ``false_alarms`` is the mean number of months with a signal among 12 in which nothing has
    changed; ``false_alarm_years`` the share of such years with at least one.
    """

    doubling: Noticed
    halving: Noticed
    false_alarms: float
    false_alarm_years: float


MOST_RUNS = 0.9
"""Nothing is told of what the other runs wait for."""

Draw = Callable[[np.random.Generator, float, FloatArray, int], FloatArray]
"""From generator, factor on the rate, the months' denominators and a number of runs, to counts."""

Sigma = Callable[[FloatArray], FloatArray]
"""From each run's centre (a row) to the plain sigma of every month."""

Limits = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""From the baseline's points to each run's centre (a row) and sigma of every month."""


def count_power(
    rate: float,
    monthly_exposure: ArrayLike,
    *,
    dispersion: float = 1.0,
    laney: bool | None = None,
    baseline_months: int = BASELINE,
    rules: Sequence[ZoneRule] = ZONE_RULES,
    horizon: int = 60,
    runs: int = 2000,
    seed: int = 0,
) -> Power:
    """Power of a u chart (or u', as :func:`charts_attribute.u_chart` chooses) at a given volume.

    ``rate`` in events per unit of exposure; ``monthly_exposure`` one entry a month, repeated as
    often as needed; months without exposure are no points. ``dispersion`` is the variance of a
    month's count over its mean (1: Poisson; above 1: negative binomial).
    """
    (t,) = one_series(monthly_exposure)
    if not (rate >= 0 and np.all(t >= 0) and t.sum() > 0 and dispersion >= 1):
        raise ValueError("rate, exposure and dispersion must be at least 0, 0 and 1")
    months = np.resize(t, baseline_months + horizon)

    def draw(
        rng: np.random.Generator, factor: float, exposure: FloatArray, runs: int
    ) -> FloatArray:
        mean = np.broadcast_to(rate * factor * exposure[:, None], (len(exposure), runs))
        if dispersion > 1:
            mean = rng.gamma(mean / (dispersion - 1), dispersion - 1)
        return rng.poisson(mean).astype(np.float64)

    def sigma(centre: FloatArray) -> FloatArray:
        return np.sqrt(centre / np.where(months > 0, months, np.nan)[:, None])

    shape = _Shape(months, baseline_months, horizon, runs, seed)
    return _power(draw, shape.limits(sigma, laney), shape, rules=rules, top=np.inf)


def share_power(
    share: float,
    monthly_trips: ArrayLike,
    *,
    dispersion: float = 1.0,
    laney: bool | None = None,
    baseline_months: int = BASELINE,
    rules: Sequence[ZoneRule] = ZONE_RULES,
    horizon: int = 60,
    runs: int = 2000,
    seed: int = 0,
) -> Power:
    """Power of a p chart (or p') for a share of ``monthly_trips``; arguments as for counts.

    ``dispersion`` is the variance of a month's count over the binomial one (above 1:
    beta-binomial, as far as a month's number of trips allows).
    """
    (n,) = one_series(monthly_trips)
    if not (0 <= share <= 1 and np.all(n >= 0) and n.sum() > 0 and dispersion >= 1):
        raise ValueError("share, trips and dispersion out of range")
    months = np.resize(n, baseline_months + horizon)

    def draw(rng: np.random.Generator, factor: float, volume: FloatArray, runs: int) -> FloatArray:
        trips = volume.astype(np.int64)[:, None]
        p = np.full((len(volume), runs), share * factor)
        if dispersion > 1 and 0 < share * factor < 1:
            extra = np.clip((dispersion - 1) / np.maximum(trips - 1, 1), 1e-9, 0.99)
            size = 1 / extra - 1
            p = rng.beta(p * size, (1 - p) * size)
        return rng.binomial(trips, p).astype(np.float64)

    def sigma(centre: FloatArray) -> FloatArray:
        return np.sqrt(centre * (1 - centre) / np.where(months > 0, months, np.nan)[:, None])

    shape = _Shape(months, baseline_months, horizon, runs, seed)
    top = 1 / share if share > 0 else np.inf
    return _power(draw, shape.limits(sigma, laney), shape, rules=rules, top=top)


def value_power(
    history: ArrayLike,
    *,
    horizon: int = 60,
    runs: int = 2000,
    seed: int = 0,
) -> Power:
    """Power of an XmR chart whose months vary as those in ``history`` did.

    Months are drawn from ``history`` (any unit, missing ones ignored, at least 12 needed) with
    replacement, so in no order; a change multiplies every month.
    """
    (x,) = one_series(history)
    x = x[np.isfinite(x)]
    if len(x) < MIN_POINTS:
        raise ValueError(f"at least {MIN_POINTS} months are needed to draw from")

    def draw(rng: np.random.Generator, factor: float, months: FloatArray, runs: int) -> FloatArray:
        return np.asarray(rng.choice(x, (len(months), runs)) * factor)

    def limits(base: FloatArray) -> tuple[FloatArray, FloatArray]:
        width = np.abs(np.diff(base, axis=0)).mean(axis=0, keepdims=True) / D2
        return base.mean(axis=0, keepdims=True), width

    shape = _Shape(np.ones(BASELINE + horizon), BASELINE, horizon, runs, seed)
    return _power(draw, limits, shape, rules=ZONE_RULES, top=np.inf)


def gap_power(
    share: float,
    monthly_trips: float,
    *,
    baseline_events: int = 12,
    rules: Sequence[ZoneRule] = ZONE_RULES,
    horizon: int = 60,
    runs: int = 2000,
    seed: int = 0,
) -> Power:
    """Power of a g chart of trips between events that befall ``share`` of trips.

    ``monthly_trips`` is the mean volume. A change is noticed with the event that closes the gap
    which signals, or, if a gap grows past the upper limit, there and then.
    """
    if not (0 < share < 1 and monthly_trips > 0):
        raise ValueError("share must lie between 0 and 1, trips above 0")
    rng = np.random.default_rng(seed)
    base = rng.geometric(share, (baseline_events, runs)).astype(np.float64) - 1

    def follow(factor: float, months: int, sides: Sequence[bool]) -> tuple[FloatArray, BoolArray]:
        # enough gaps to fill the months; nothing takes longer than a thousand of them to notice
        p = share * factor
        count = min(ceil(months * monthly_trips * p * 1.5) + 20, 1000)
        new = rng.geometric(p, (count, runs)).astype(np.float64) - 1
        return _gap_signals(base, new, rules, sides)

    def noticed(factor: float) -> Noticed:
        if share * factor > 1:
            return _noticed(np.full(runs, np.nan), horizon)
        # more events are shorter gaps
        trips, hit = follow(factor, horizon, [factor < 1])
        waits = np.where(hit, np.ceil(trips / monthly_trips), np.inf).min(axis=0)
        return _noticed(waits, horizon)

    trips, hit = follow(1.0, YEAR, BOTH_SIDES)
    alarm_counts = (hit & (trips / monthly_trips <= YEAR)).sum(axis=0)
    return _summary(noticed, alarm_counts)


def _gap_signals(
    base: FloatArray, new: FloatArray, rules: Sequence[ZoneRule], sides: Sequence[bool]
) -> tuple[FloatArray, BoolArray]:
    """Trips until each new gap can signal, and whether it does; ``sides``: above is True."""
    centre = base.mean(axis=0, keepdims=True)
    runs_of_gaps = [rule for rule in rules if rule.window > 1 and rule.sigmas == 0]
    back = _furthest_back(runs_of_gaps)
    seen = np.vstack([base[len(base) - back :], new]) - geometric_median(centre)
    hit = any_signal(seen.T, runs_of_gaps, sides).T[back:]
    end = np.cumsum(new + 1, axis=0)
    if True not in sides:
        return end, hit
    upper = centre + 3 * np.sqrt(centre * (centre + 1))
    over = (new > upper) & (centre > 0) & any(rule.window == 1 for rule in rules)
    return np.where(over, end - new + np.floor(upper), end), hit | over


def _furthest_back(rules: Sequence[ZoneRule]) -> int:
    """How many points before one the rules look at."""
    return max((rule.window for rule in rules), default=1) - 1


@dataclass(frozen=True)
class _Shape:
    """Denominators of every month, the baseline's first, and the size of the simulation."""

    months: FloatArray
    baseline: int
    horizon: int
    runs: int
    seed: int

    def limits(self, sigma: Sigma, laney: bool | None) -> Limits:
        """Limits of a rate or share, whose points are counts over these denominators."""

        def fit(base: FloatArray) -> tuple[FloatArray, FloatArray]:
            own = self.months[: self.baseline]
            with np.errstate(invalid="ignore"):
                centre = np.nansum(base * own[:, None], axis=0, keepdims=True) / own.sum()
            width = sigma(centre)
            factor = np.ones_like(centre) if laney is False else _laney(base, centre, width, own)
            return centre, width * factor

        return fit


def _power(
    draw: Draw,
    limits: Limits,
    shape: _Shape,
    *,
    rules: Sequence[ZoneRule],
    top: float,
) -> Power:
    runs = _Runs(draw, limits, shape, rules)

    def noticed(factor: float) -> Noticed:
        waits = runs.waits(factor) if factor <= top else np.full(shape.runs, np.nan)
        return _noticed(waits, shape.horizon)

    return _summary(noticed, runs.alarms())


class _Runs:
    """Runs with the months that set their limits, each followed from there on."""

    def __init__(
        self, draw: Draw, limits: Limits, shape: _Shape, rules: Sequence[ZoneRule]
    ) -> None:
        self._draw, self._shape, self._rules = draw, shape, rules
        self._rng = np.random.default_rng(shape.seed)
        self._everyone = np.arange(shape.runs)
        base = self._points(1.0, 0, shape.baseline, shape.runs)
        self._centre, of_months = limits(base)
        self._width = np.broadcast_to(of_months, (len(shape.months), shape.runs))
        before = self._scores(base, 0, self._everyone)[0]
        self._before = before[max(0, len(before) - _furthest_back(rules)) :]

    def alarms(self) -> IntArray:
        """Of each run, the months with a signal in a year in which nothing has changed."""
        _, hit, _ = self._year(1.0, self._shape.baseline, self._before, self._everyone, BOTH_SIDES)
        return np.asarray(hit.sum(axis=0))

    def waits(self, factor: float) -> FloatArray:
        """Month, from 1, of each run's first signal on the side of the change; infinite without.

        Infinite, too, where most runs have signalled in an earlier year.
        """
        shape = self._shape
        end, few = shape.baseline + shape.horizon, shape.runs - ceil(MOST_RUNS * shape.runs)
        waits = np.full(shape.runs, np.inf)
        waiting, seen, first = self._everyone, self._before, shape.baseline
        while first < end and len(waiting) > few:
            z, hit, month = self._year(factor, first, seen, waiting, [factor > 1])
            found = hit.any(axis=0)
            if found.any():
                waits[waiting[found]] = month[hit[:, found].argmax(axis=0)] - shape.baseline + 1
            waiting, seen = waiting[~found], z[len(z) - len(self._before) :, ~found]
            first += YEAR
        return waits

    def _points(self, factor: float, first: int, last: int, runs: int) -> FloatArray:
        months = self._shape.months[first:last]
        with np.errstate(invalid="ignore", divide="ignore"):
            return self._draw(self._rng, factor, months, runs) / months[:, None]

    def _scores(
        self, values: FloatArray, first: int, chosen: IntArray
    ) -> tuple[FloatArray, IntArray]:
        """The points that there are of the runs chosen, in sigmas, and in which months."""
        used = np.flatnonzero(self._shape.months[first : first + len(values)] > 0)
        sigma = self._width[np.ix_(first + used, chosen)]
        with np.errstate(divide="ignore", invalid="ignore"):
            z = (values[used] - self._centre[:, chosen]) / sigma
        return np.where(sigma > 0, z, np.nan), first + used

    def _year(
        self, factor: float, first: int, seen: FloatArray, chosen: IntArray, sides: Sequence[bool]
    ) -> tuple[FloatArray, BoolArray, IntArray]:
        """What follows `seen` in a year: all points, and where there is a signal in which month."""
        last = min(first + YEAR, self._shape.baseline + self._shape.horizon)
        z, month = self._scores(self._points(factor, first, last, len(chosen)), first, chosen)
        z = np.vstack([seen, z])
        return z, any_signal(z.T, self._rules, sides).T[len(seen) :], month


def _summary(noticed: Callable[[float], Noticed], alarm_counts: IntArray) -> Power:
    return Power(
        doubling=noticed(2.0),
        halving=noticed(0.5),
        false_alarms=float(alarm_counts.mean()),
        false_alarm_years=float(np.mean(alarm_counts > 0)),
    )


def _laney(
    base: FloatArray, centre: FloatArray, width: FloatArray, denominator: FloatArray
) -> FloatArray:
    """Laney's sigma_z of each run (a row), never below 1."""
    used = np.flatnonzero(denominator > 0)
    if len(used) < 2:
        return np.ones_like(centre)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = (base[used] - centre) / width[used]
    spread = np.abs(np.diff(z, axis=0)).mean(axis=0, keepdims=True) / D2
    return np.asarray(np.maximum(np.nan_to_num(spread, nan=1.0), 1.0), dtype=np.float64)


def _noticed(first: FloatArray, horizon: int) -> Noticed:
    nan = float("nan")
    if np.isnan(first).all():
        return Noticed(nan, nan, nan)

    ordered = np.sort(first)

    def by(share: float) -> float:
        month = float(ordered[ceil(share * len(ordered)) - 1])
        return month if month <= horizon else nan

    return Noticed(by(0.5), by(MOST_RUNS), float(np.mean(first <= YEAR)))
