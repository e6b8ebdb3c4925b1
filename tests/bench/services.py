"""Invented services as arrays: trips with hours at a size, occlusions, and rules judged at bases.

For tests and measurements of the statistics alone, thousands at a time; whole services through the
pipeline are made by the simulator. Everything here is assumed.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.statistics.intervals import FloatArray
from pipeline.statistics.service_dispersion import ServiceDispersion, service_dispersion
from pipeline.statistics.signal_futures import NO_PARENT, RateMonths, ShareMonths

SIZE_MIX = np.array([0.05, 0.10, 0.15, 0.25, 0.20, 0.15, 0.10])
SIZE_RATE = np.array([0.35, 0.30, 0.28, 0.25, 0.22, 0.20, 0.18])
BASE_MIX = np.array([0.35, 0.25, 0.20, 0.12, 0.08])
RULE_SHARE = np.array([0.05, 0.10, 0.20])
HOURS_MEDIAN, HOURS_SPREAD = 1.3, 0.4
JUDGED, NO_LOG = 0.9, 0.08


@dataclass(frozen=True)
class Service:
    """A service's months as the signals take them, and its trips.

    ``groups`` names each chart's group: the service, the sizes, then the columns of ``shares``.
    ``trip_month`` (trips,) counts from 0; ``trip_hours`` (trips, sizes) are hours at each size.
    """

    rates: RateMonths
    shares: ShareMonths
    dispersion: ServiceDispersion
    groups: tuple[str, ...]
    trip_month: FloatArray
    trip_hours: FloatArray
    trip_events: FloatArray
    trip_size: FloatArray


def clustered_events(rng: np.random.Generator, mean: FloatArray, k: float) -> FloatArray:
    """Poisson events of trips whose rates differ by a gamma factor of shape k (infinite: none)."""
    factor = 1.0 if np.isinf(k) else rng.gamma(k, 1 / k, mean.shape)
    return rng.poisson(mean * factor).astype(np.float64)


def by_month(month: FloatArray, column: FloatArray, values: FloatArray, shape: tuple[int, int]):  # type: ignore[no-untyped-def]
    """Sums of ``values`` by month and column."""
    flat = np.bincount(month * shape[1] + column, values, shape[0] * shape[1])
    return flat.reshape(shape)


def invented_service(
    rng: np.random.Generator,
    *,
    trips_a_month: int,
    months: int,
    k: float = 0.5,
    change_at: int | None = None,
    rate_times: FloatArray | float = 1.0,
    odds_times: FloatArray | float = 1.0,
) -> Service:
    """A service of five bases, seven sizes, three high-severity rules and its logs' record.

    From month ``change_at`` on the rates are ``rate_times`` (a number, or one a size) and the
    rules' odds ``odds_times`` (a number, or one a base) as high.
    """
    # long: a service in the order in which its trips come about
    number = rng.poisson(trips_a_month, months)
    month = np.repeat(np.arange(months), number)
    n = len(month)
    later = month >= (months if change_at is None else change_at)
    size = rng.choice(len(SIZE_MIX), n, p=SIZE_MIX)
    base = rng.choice(len(BASE_MIX), n, p=BASE_MIX)
    hours = rng.lognormal(np.log(HOURS_MEDIAN), HOURS_SPREAD, n)
    times = np.where(later, np.broadcast_to(rate_times, SIZE_MIX.shape)[size], 1.0)
    events = clustered_events(rng, SIZE_RATE[size] * hours * times, k)
    shape = (months, len(SIZE_MIX))
    rates = RateMonths(*(by_month(month, size, v, shape) for v in (events, hours, hours**2)))
    odds = np.where(later, np.broadcast_to(odds_times, BASE_MIX.shape)[base], 1.0)
    deviations, judged, parent, groups = [], [], [], ["service", *["sizes"] * len(SIZE_MIX)]
    kinds = [(share, JUDGED, odds, "rules", "bases") for share in RULE_SHARE]
    for share, seen, more, above, below in [*kinds, (NO_LOG, 1.0, 1.0, "", "records")]:
        chance = more * share / (1 - share + more * share)
        is_judged = (rng.random(n) < seen).astype(np.float64)
        deviates = is_judged * (rng.random(n) < chance)
        top = sum(d.shape[1] for d in deviations)
        for found, values in ((deviations, deviates), (judged, is_judged)):
            at_bases = by_month(month, base, values, (months, len(BASE_MIX)))
            found.append(np.column_stack([at_bases.sum(axis=1), at_bases]))
        parent += [NO_PARENT, *[top] * len(BASE_MIX)]
        groups += [above, *[below] * len(BASE_MIX)]
    columns = [np.hstack(v) for v in (deviations, judged)]
    restart = np.zeros(columns[0].shape, dtype=bool)
    trip_hours = np.zeros((n, len(SIZE_MIX)))
    trip_hours[np.arange(n), size] = hours
    return Service(
        rates=rates,
        shares=ShareMonths(*columns, np.array(parent), restart),
        dispersion=service_dispersion(events, hours, size),
        groups=tuple(groups),
        trip_month=month,
        trip_hours=trip_hours,
        trip_events=events,
        trip_size=size,
    )
