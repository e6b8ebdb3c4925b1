"""False signals and what is noticed, of invented services as arrays, thresholds set at month 6.

    python -m tests.bench.signals_of_arrays 40        40 services of 36 months a scenario

The statistics alone, quickly, on services of :mod:`tests.bench.services`; the change, where there
is one, comes after twelve months. Not through the pipeline: nothing is missing and nothing late.
"""

import argparse
from dataclasses import dataclass

import numpy as np

from pipeline.statistics.intervals import FloatArray
from pipeline.statistics.service_dispersion import service_dispersion
from pipeline.statistics.signal_family import QUIET_MONTHS, rate_charts, share_charts
from pipeline.statistics.signal_futures import RateMonths, ShareMonths, draw_futures
from pipeline.statistics.signal_sums import signal_sums, since
from pipeline.statistics.signal_thresholds import by_chart, heights
from tests.bench.services import BASE_MIX, SIZE_MIX, SIZE_RATE, Service, invented_service

MONTHS, CHANGE_AT = 36, 12
CARE = ("service", "sizes", "rules", "bases")


@dataclass(frozen=True)
class Watched:
    """Signals (months, charts) at both heights, and the headline's sums and W."""

    headline: np.ndarray
    watch: np.ndarray
    sums: FloatArray
    increments: FloatArray


def watched(service: Service, seed: int) -> Watched:
    """The family of a whole service, month by month, as it would have been said."""
    rates, shares = service.rates, service.shares
    first = RateMonths(
        *(v[:QUIET_MONTHS] for v in (rates.events, rates.hours, rates.hours_squared))
    )
    early = ShareMonths(shares.deviations[:QUIET_MONTHS], shares.judged[:QUIET_MONTHS],
                        shares.parent, shares.restart[:QUIET_MONTHS])  # fmt: skip
    hours = service.trip_hours.sum(axis=1)
    rows = (service.trip_events, hours, service.trip_size)
    k = [service_dispersion(*(column[service.trip_month < m] for column in rows))
         for m in range(QUIET_MONTHS, MONTHS)]  # fmt: skip
    futures = draw_futures(first, early, k[0], seed=seed)
    shape = np.array([1.0] * QUIET_MONTHS + [d.k for d in k])
    w = np.hstack([rate_charts(rates, shape).increments, share_charts(shares).increments])

    def sentence(times: float) -> tuple[np.ndarray, FloatArray]:
        found = heights(futures.unchanged, service.groups, times=times)
        h = by_chart(found, service.groups)
        run = signal_sums(w, np.nan_to_num(h, nan=np.inf))
        return run.signal, run.sums

    headline, sums = sentence(1)
    return Watched(headline, sentence(4)[0], sums, w)


def first_after(found: Watched, chart: int) -> tuple[float, float]:
    """Months from the change to the chart's headline signal, and how far off its since is."""
    at = np.flatnonzero(found.headline[CHANGE_AT:, chart])
    if not len(at):
        return float("inf"), float("nan")
    month = CHANGE_AT + int(at[0])
    when = since(found.increments[:, chart], month)
    return month - CHANGE_AT + 1.0, float(when.month - CHANGE_AT)


def say(name: str, found: list[tuple[float, float]]) -> None:
    waits, off = np.array(found).T
    near = np.mean(np.abs(off[np.isfinite(off)]) <= 2) if np.isfinite(off).any() else np.nan
    print(
        f"  {name}: {100 * np.mean(waits <= 12):.0f} % within 12 months, median month"
        f" {np.quantile(waits, 0.5, method='inverted_cdf'):.0f};"
        f" since within two months in {100 * near:.0f} %",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description="Signals of invented services as arrays.")
    parser.add_argument("services", type=int, nargs="?", default=40)
    parser.add_argument("--trips", type=int, nargs="+", default=[60])
    asked = parser.parse_args()
    first_share = 1 + len(SIZE_MIX)
    for trips in asked.trips:
        plan = {"trips_a_month": trips, "months": MONTHS, "change_at": CHANGE_AT}
        years = (MONTHS - QUIET_MONTHS) / 12
        false, watch, service_seen, base_seen, size_seen = [], [], [], [], []
        for seed in range(asked.services):
            rng = np.random.default_rng([trips, seed])
            nothing = invented_service(rng, **plan)
            care = np.isin(nothing.groups, CARE)
            found = watched(nothing, seed)
            false.append(found.headline[:, care].sum() / years)
            watch.append(found.watch[:, care].sum() / years)
            largest_base = np.where(np.arange(len(BASE_MIX)) == BASE_MIX.argmax(), 3.0, 1.0)
            found = watched(
                invented_service(rng, **plan, rate_times=2.0, odds_times=largest_base), seed
            )
            service_seen.append(first_after(found, 0))
            base_seen.append(first_after(found, first_share + 2 * (1 + len(BASE_MIX)) + 1))
            size = int((SIZE_MIX * SIZE_RATE).argmax())
            times = np.where(np.arange(len(SIZE_MIX)) == size, 2.0, 1.0)
            found = watched(invented_service(rng, **plan, rate_times=times), seed)
            size_seen.append(first_after(found, 1 + size))
        print(
            f"{trips} trips a month, {asked.services} services: care charts signal"
            f" {np.mean(false):.2f} times a year (10th to 90th of 100 services"
            f" {np.quantile(false, 0.1):.1f} to {np.quantile(false, 0.9):.1f});"
            f" watch {np.mean(watch):.1f}"
        )
        say("service doubled", service_seen)
        say("largest size doubled", size_seen)
        say("largest base's odds tripled, a rule of share 0.2", base_seen)


if __name__ == "__main__":
    main()
