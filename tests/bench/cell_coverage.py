"""How often the intervals with one k for the service hold the truth, k estimated each time.

Services as in :mod:`tests.bench.services`: seven sizes, trips of about 1.3 h. A cell is the latest
so many trips at one size; k comes from all trips, as it would for that month. Beside each figure
stands that of the way used before: quasi-Poisson by the cell's own trips.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.statistics.base_rates import hierarchical_rates
from pipeline.statistics.clustered_intervals import effective_k, mid_p_bounds
from pipeline.statistics.intervals import FloatArray, Interval, as_float, poisson_exact
from pipeline.statistics.service_dispersion import service_dispersion
from tests.bench.services import (
    BASE_MIX,
    HOURS_MEDIAN,
    HOURS_SPREAD,
    SIZE_MIX,
    SIZE_RATE,
    clustered_events,
)
from tests.bench.shrunk_rates import gamma_poisson

CELL_TRIPS = (5, 10, 20, 50)
SHAPES = (0.25, 0.5, 2.0, np.inf)
VOLUMES = ((20, 6), (20, 24), (60, 6), (60, 24), (250, 6), (250, 24))
"""Trips a month, and months."""


@dataclass(frozen=True)
class CellCoverage:
    """Of cells of so many trips: how many there were, and shares and widths of both ways.

    ``width`` is the mean log(upper / lower) over that of knowing k, among cells with an event;
    ``wild`` the share of those with three events or more whose bounds lie more than 60-fold apart.
    """

    cells: int
    held: float
    width: float
    wild: float
    old_held: float
    old_width: float
    old_wild: float


def cells_of_services(
    trips: int, months: int, k: float, runs: int, seed: int
) -> dict[int, CellCoverage]:
    """Coverage by number of trips of a cell, of ``runs`` services."""
    rng = np.random.default_rng(seed)
    rows: dict[int, list[tuple[FloatArray, FloatArray, float, float]]] = {n: [] for n in CELL_TRIPS}
    for _ in range(runs):
        n = int(rng.poisson(trips * months))
        size = rng.choice(len(SIZE_MIX), n, p=SIZE_MIX)
        hours = rng.lognormal(np.log(HOURS_MEDIAN), HOURS_SPREAD, n)
        events = clustered_events(rng, SIZE_RATE[size] * hours, k)
        found = service_dispersion(events, hours, size).k
        for one in range(len(SIZE_MIX)):
            own = np.flatnonzero(size == one)
            for m in CELL_TRIPS:
                if len(own) >= m:
                    last = own[-m:]
                    rows[m].append((events[last], hours[last], SIZE_RATE[one], found))
    return {m: _coverage(rows[m], k) for m in CELL_TRIPS if len(rows[m]) >= 100}


def _coverage(rows: list[tuple[FloatArray, FloatArray, float, float]], k: float) -> CellCoverage:
    x, t = np.stack([r[0] for r in rows]), np.stack([r[1] for r in rows])
    truth = np.array([r[2] for r in rows]) * t.sum(axis=1)
    events, hours, squares = x.sum(axis=1), t.sum(axis=1), (t**2).sum(axis=1)
    found = np.array([r[3] for r in rows])
    new = mid_p_bounds(events, effective_k(found, hours, squares))
    known = mid_p_bounds(events, effective_k(k, hours, squares))
    old = _old_bounds(x, t)
    some, three = events > 0, events >= 3

    def summary(bounds: tuple[FloatArray, FloatArray]) -> tuple[float, float, float]:
        low, high = bounds
        held = float(np.mean((low <= truth) & (truth <= high)))
        with np.errstate(divide="ignore"):
            width = np.log(high / low)
            wide = np.log(known[1][some] / known[0][some]).mean()
        wild = float(np.mean(width[three] > np.log(60))) if three.any() else float("nan")
        return held, float(width[some].mean() / wide), wild

    return CellCoverage(len(events), *summary(new), *summary(old))


def quasi_poisson(  # noqa: PLR0917 - the sums in the order they are explained
    events: ArrayLike,
    exposure: ArrayLike,
    squares: ArrayLike,
    fourths: ArrayLike,
    trips: ArrayLike,
    per: float = 1.0,
    level: float = 0.95,
) -> Interval:
    """The interval of 0.1.0 from sums over a cell's own trips, elementwise over cells.

    Source: Mancl and DeRouen 2001, Biometrics 57:126; Pan and Wall 2002, Stat Med 21:1429.

    ``squares`` and ``fourths`` are the sums over the ``trips`` of the second and fourth powers of
    each trip's pull on the log rate, (x - r t) / (1 - t / T) / X for x of X events in t of T hours
    at the rate r. NaN where there is no event, no exposure, or a sum is missing (one trip only).
    """
    x, t, s2, s4, n = as_float(events, exposure, squares, fourths, trips)
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = np.where((x > 0) & (t > 0), per * x / t, np.nan)
        error = np.sqrt(np.maximum(s2, 1 / x))
        half = np.exp(_quantile(s2, s4, n, level) * error)
        low, high = estimate / half, estimate * half
    return Interval(estimate[()], low[()], high[()], "quasi-Poisson by trip")


def _quantile(s2: ArrayLike, s4: ArrayLike, n: ArrayLike, level: float) -> FloatArray:
    """The t quantile from the sums of the squared scores and of their squares, and their number."""
    s2, s4, n = as_float(s2, s4, n)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = s4 - s2**2 / n
        # what is left of equal squares after rounding is no spread
        freedom = np.where(spread > 1e-12 * s4, np.maximum(1.0, 2 * s2**2 / spread), np.inf)
    tail = (1 + level) / 2
    found = np.where(np.isinf(freedom), special.ndtri(tail), special.stdtrit(freedom, tail))
    return np.asarray(found, dtype=np.float64)


def _old_bounds(x: FloatArray, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Bounds of the mean count by quasi-Poisson from (cells, trips), exact Poisson without one."""
    events, hours = x.sum(axis=1), t.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        pull = (x - (events / hours)[:, None] * t) / (1 - t / hours[:, None]) / events[:, None]
    found = quasi_poisson(
        events, hours, (pull**2).sum(axis=1), (pull**4).sum(axis=1), np.full(len(x), x.shape[1])
    )
    exact = poisson_exact(events)
    some = events > 0
    return (
        np.where(some, found.lower * hours, exact.lower),
        np.where(some, found.upper * hours, exact.upper),
    )


def bases_of_services(
    trips: int, spread: float, k: float, runs: int, seed: int
) -> dict[str, tuple[float, float]]:
    """Coverage and mean log-width of a year's base rates: hierarchical, and gamma-Poisson.

    ``trips`` ventilator trips a year at five bases whose log rates differ by ``spread``.
    """
    rng = np.random.default_rng(seed)
    held: dict[str, list[FloatArray]] = {"new": [], "old": []}
    width: dict[str, list[FloatArray]] = {"new": [], "old": []}
    for _ in range(runs):
        rate = 0.23 * np.exp(spread * rng.standard_normal(len(BASE_MIX)))
        base = rng.choice(len(BASE_MIX), trips, p=BASE_MIX)
        hours = rng.lognormal(np.log(HOURS_MEDIAN), HOURS_SPREAD, trips)
        events = clustered_events(rng, rate[base] * hours, k)
        x, t, q = (np.bincount(base, v, len(BASE_MIX)) for v in (events, hours, hours**2))
        found = service_dispersion(events, hours, np.zeros(trips)).k
        for name, one in (
            ("new", hierarchical_rates(x, t, effective_k(found, t, q), per=1.0)),
            ("old", gamma_poisson(x, t)),
        ):
            held[name].append((one.lower <= rate) & (rate <= one.upper))
            with np.errstate(divide="ignore"):
                width[name].append(np.log(one.upper / one.lower))
    return {
        name: (float(np.mean(held[name])), float(np.mean(width[name]))) for name in ("new", "old")
    }


HELD_BOUNDS = {5: (93.0, 99.0), 10: (93.0, 99.0), 20: (93.0, 98.0), 50: (93.0, 98.0)}
"""Percent, by the trips of a cell."""
BASES_BOUNDS = (93.0, 98.5)
WIDTH_MOST, WIDTH_FROM = 1.10, 60
"""Mean log-width over that of knowing k, from so many trips a month on."""


def judged(found: float, low: float, high: float, error: float) -> str:
    """pass or short, with how many standard errors it lies outside."""
    if low <= found <= high:
        return "pass"
    return f"short by {max(low - found, found - high) / max(error, 1e-9):.1f} standard errors"


def print_cells(runs: int) -> None:
    """A line for each volume, shape and number of trips of a cell, and whether it holds."""
    print("One size, nominal 95 %: trips a month, months, k; trips in the cell: held %, log-width")
    print("over that of knowing k, % wild; the same of quasi-Poisson by the cell's trips; cells;")
    print("held % and, from 60 trips a month, log-width against their bounds")
    for trips, months in VOLUMES:
        for k in SHAPES:
            for m, c in cells_of_services(trips, months, k, runs, seed=trips + months).items():
                error = 100 * np.sqrt(c.held * (1 - c.held) / c.cells)
                verdict = judged(100 * c.held, *HELD_BOUNDS[m], error)
                if trips >= WIDTH_FROM:
                    verdict += ", pass" if c.width <= WIDTH_MOST else ", too wide"
                print(
                    f"{trips:4d} {months:3d} {k:5.2f} {m:3d}   {100 * c.held:5.1f} {c.width:5.2f}"
                    f" {100 * c.wild:5.1f}   {100 * c.old_held:5.1f} {c.old_width:6.2f}"
                    f" {100 * c.old_wild:5.1f}   {c.cells}   {verdict}",
                    flush=True,
                )


def print_bases(runs: int) -> None:
    """A line for each volume and spread, and whether it holds."""
    print("Bases, nominal 95 %: trips a year, log-sd, k: held % and log-width; gamma-Poisson's")
    for trips in (300, 720):
        for spread in (0.0, 0.25, 0.5):
            found = bases_of_services(trips, spread, 0.5, runs, seed=trips)
            sentence = "   ".join(f"{100 * held:5.1f} {wide:5.2f}" for held, wide in found.values())
            held = found["new"][0]
            # the five bases of a service share a draw, so that a service counts as one
            verdict = judged(100 * held, *BASES_BOUNDS, 100 * np.sqrt(held * (1 - held) / runs))
            print(f"{trips:4d} {spread:5.2f} {0.5:5.2f}   {sentence}   {verdict}", flush=True)
