"""Occlusions per 100 ventilator hours by cannula, with intervals that take trips as clusters."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from tests.bench.peer.timeline import Charts

PER_HOURS = 100
TAIL = 0.975


def occlusion_rates(found: Charts, intervals: pd.DataFrame, events: pd.DataFrame) -> pd.DataFrame:
    """Rates of each cannula, by month and of all months together, with their intervals."""
    trips = found.trips
    time = intervals[intervals["source"].isin(found.code("source", "ventilator"))]
    counted = trips["log_complete"].to_numpy()[time["trip"]]
    counted = counted & time["cannula"].notna() & time["flow_lpm"].notna()
    rows = pd.concat([
        pd.DataFrame({"trip": time["trip"], "cannula": time["cannula"], "counted": counted,
                      "seconds": (time["until_s"] - time["from_s"]).where(counted, 0)}),
        events[["trip", "cannula"]].assign(counted=True, events=1),
    ])  # fmt: skip
    by_trip = rows.groupby(["trip", "cannula"], as_index=False).agg(
        counted=("counted", "any"), seconds=("seconds", "sum"), events=("events", "sum")
    )
    months = trips["service_month"].astype(str).to_numpy()
    by_trip["month"] = months[by_trip["trip"]]
    whole = by_trip.assign(month=f"to {months.max()}")
    counts = pd.concat([_counts(by_trip), _counts(whole)], ignore_index=True)
    names = found.codes["cannula"][counts.pop("cannula").astype(int)]
    return _with_intervals(counts.assign(group_value=names.to_numpy()))


def _counts(by_trip: pd.DataFrame) -> pd.DataFrame:
    """Events and hours of each month and cannula; how far each trip pulls the log rate."""
    keys = ["month", "cannula"]
    groups = by_trip.groupby(keys)
    all_events, all_s = groups["events"].transform("sum"), groups["seconds"].transform("sum")
    weighed = by_trip["events"] * all_s - all_events * by_trip["seconds"]
    rest = (all_s - by_trip["seconds"]) * all_events
    # of a single trip there is none, whatever else could not be counted
    pull = (weighed / rest.where((rest > 0) & by_trip["counted"])).astype(float)
    sums = by_trip.assign(squares=pull**2, fourths=pull**4, left_out=~by_trip["counted"])
    groups = sums.groupby(keys)
    counts = groups.agg(
        numerator=("events", "sum"), seconds=("seconds", "sum"), trips=("counted", "sum"),
        left_out=("left_out", "sum"),
    )  # fmt: skip
    return counts.join(groups[["squares", "fourths"]].sum(min_count=1)).reset_index()


def _with_intervals(counts: pd.DataFrame) -> pd.DataFrame:
    """Quasi-Poisson by trip on the log scale; the exact Poisson interval where that has none.

    Pan and Wall 2002, Stat Med 21:1429 (degrees of freedom); Garwood 1936, Biometrika 28:437.
    """
    x, hours = counts["numerator"].to_numpy(float), counts.pop("seconds").to_numpy(float) / 3600
    known = np.where(hours > 0, hours, np.nan)
    s2, s4 = counts.pop("squares").to_numpy(), counts.pop("fourths").to_numpy()
    n = counts["trips"].to_numpy(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = PER_HOURS * x / known
        spread = s4 - s2**2 / n
        freedom = np.where(spread > 1e-12 * s4, np.maximum(1, 2 * s2**2 / spread), np.inf)
        half = np.exp(stats.t.ppf(TAIL, freedom) * np.sqrt(np.maximum(s2, 1 / x)))
        exact_low = PER_HOURS * np.where(x > 0, stats.chi2.ppf(1 - TAIL, 2 * x) / 2, 0) / known
        exact_high = PER_HOURS * stats.chi2.ppf(TAIL, 2 * x + 2) / 2 / known
    high = estimate * half
    clustered = np.isfinite(high)
    return counts.assign(
        denominator=hours,
        estimate=estimate,
        low=np.where(clustered, estimate / half, exact_low),
        high=np.where(clustered, high, exact_high),
    )
