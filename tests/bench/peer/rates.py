"""Occlusions per 100 ventilator hours by cannula, with one k for the service."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special, stats

from tests.bench.peer.timeline import Charts

PER_HOURS = 100
TAIL = 0.05
LEAST_TRIPS = 10


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
    k = _one_k(by_trip[by_trip["seconds"] > 0])
    months = trips["service_month"].astype(str).to_numpy()
    by_trip["month"] = months[by_trip["trip"]]
    whole = by_trip.assign(month=f"to {months.max()}")
    counts = pd.concat([_counts(by_trip), _counts(whole)], ignore_index=True)
    names = found.codes["cannula"][counts.pop("cannula").astype(int)]
    return _with_intervals(counts.assign(group_value=names.to_numpy()), k)


def _counts(by_trip: pd.DataFrame) -> pd.DataFrame:
    """Events, hours and squared seconds of each month and cannula."""
    sums = by_trip.assign(squares=by_trip["seconds"] ** 2.0, left_out=~by_trip["counted"])
    return (
        sums.groupby(["month", "cannula"])
        .agg(
            numerator=("events", "sum"), seconds=("seconds", "sum"), trips=("counted", "sum"),
            left_out=("left_out", "sum"), squares=("squares", "sum"),
        )
        .reset_index()
    )  # fmt: skip


def _one_k(units: pd.DataFrame) -> float:
    """The service's k: Cox-Reid adjusted likelihood over sizes, penalised, averaged over phi."""
    phi = np.geomspace(0.02, 20, 121)
    score = -((np.log(phi / 2)) ** 2) / 2
    for _, own in units.groupby("cannula"):
        x, t = own["events"].to_numpy(float), own["seconds"].to_numpy(float) / 3600
        if not x.any():
            continue
        low, high = np.full(121, -12.0), np.full(121, 12.0)
        for _ in range(60):  # the slope of the likelihood falls as the rate rises
            middle = (low + high) / 2
            m = np.exp(middle)[:, None] * t
            rises = ((x - m) / (1 + phi[:, None] * m)).sum(axis=1) > 0
            low, high = np.where(rises, middle, low), np.where(rises, high, middle)
        m, k = np.exp(low)[:, None] * t, 1 / phi[:, None]
        score += stats.nbinom.logpmf(x, k, k / (k + m)).sum(axis=1)
        score -= np.log((m / (1 + phi[:, None] * m)).sum(axis=1)) / 2
    weight = np.exp(score - score.max())
    return float(weight.sum() / (weight @ phi))


def _with_intervals(counts: pd.DataFrame, k: float) -> pd.DataFrame:
    """Mid-P negative-binomial bounds, the lower one from ten trips on."""
    x, seconds = counts["numerator"].to_numpy(float), counts.pop("seconds").to_numpy(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        shape = np.minimum(k * seconds**2 / counts.pop("squares").to_numpy(float), 1e6)
        per = PER_HOURS * 3600 / np.where(seconds > 0, seconds, np.nan)

    def mean_at(tail: float) -> np.ndarray:
        low, high = np.full(len(x), -25.0), np.full(len(x), 60.0)
        for _ in range(90):
            middle = (low + high) / 2
            p = shape / (shape + np.exp(middle))
            below = np.where(x > 0, special.betainc(shape, np.maximum(x, 1), p), 0)
            more = (below + special.betainc(shape, x + 1, p)) / 2 > tail
            low, high = np.where(more, middle, low), np.where(more, high, middle)
        return np.exp(low)

    few = counts["trips"].to_numpy() < LEAST_TRIPS
    lower = np.where(x > 0, mean_at(1 - TAIL / 2), 0)
    return counts.assign(
        denominator=seconds / 3600,
        estimate=x * per,
        low=np.where(few, np.nan, lower * per),
        high=mean_at(TAIL / 2) * per,
    )
