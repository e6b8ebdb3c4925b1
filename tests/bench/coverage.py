"""How often the intervals hold the truth, and how often charts signal for nothing: by simulation.

    python -m tests.bench.coverage                         all figures, some twenty minutes
    python -m tests.bench.coverage --runs 80               the same with a tenth of the runs
    python -m tests.bench.coverage --part cells            one size's intervals, or `bases`,
                                                           `ratios`, `charts`

Intervals with one k for the service are measured in :mod:`tests.bench.cell_coverage`.

Trips last about 1.3 h (log-normal). Occlusions are Poisson within a trip, at a rate that differs
between trips by a gamma factor of mean 1 and variance 1 / shape: the smaller the shape, the more
the events cluster. All of this is assumed, not taken from any service.
"""

import argparse
from dataclasses import dataclass

import numpy as np

from pipeline.statistics.intervals import FloatArray
from pipeline.statistics.rate_model import rate_model
from pipeline.statistics.run_rules import ZONE_RULES, ZoneRule, any_signal
from pipeline.statistics.service_dispersion import service_dispersion
from tests.bench.cell_coverage import print_bases, print_cells

HOURS_MEDIAN, HOURS_SPREAD = 1.3, 0.4
TRUE_RATIO = 1.8
SIZES = ("size 1", "size 2", "size 3", "size 4")
MIX = (0.15, 0.35, 0.35, 0.15)
LOG_EFFECT = np.log([TRUE_RATIO, 1.0, 0.8, 0.6])
FLOW_EFFECT, CRYING_EFFECT = 3.0, 3.0
NAMES = ("high share of flow range", "crying")


@dataclass(frozen=True)
class Coverage:
    """Share of runs whose interval held the truth, and the standard error of that share."""

    share: float
    error: float

    def __str__(self) -> str:
        return f"{100 * self.share:5.1f} % (± {100 * self.error:.1f})"


def covered(hits: list[bool]) -> Coverage:
    share = float(np.mean(hits))
    return Coverage(share, float(np.sqrt(share * (1 - share) / len(hits))))


@dataclass(frozen=True)
class Stretches:
    """Rows of a confounded service: stretches of trips at one flow share and behaviour."""

    events: FloatArray
    hours: FloatArray
    size: FloatArray
    trip: FloatArray
    covariates: FloatArray


def confounded(rng: np.random.Generator, trips: int, shape: float) -> Stretches:
    """Small sizes run near the top of their range, which itself raises the rate threefold."""
    size = rng.choice(len(SIZES), trips, p=MIX)
    hours = rng.lognormal(np.log(HOURS_MEDIAN), HOURS_SPREAD, trips)
    frailty = rng.gamma(shape, 1 / shape, trips)
    high = rng.beta(np.array([6.0, 2.0, 2.0, 1.0])[size], 3.0)
    crying = rng.beta(1.0, 4.0, trips)
    parts = []
    for flow in (0, 1):
        for cry in (0, 1):
            part = hours * (high if flow else 1 - high) * (crying if cry else 1 - crying)
            log_rate = LOG_EFFECT[size] + flow * np.log(FLOW_EFFECT) + cry * np.log(CRYING_EFFECT)
            events = rng.poisson(0.15 * part * np.exp(log_rate) * frailty)
            ones = np.ones(trips)
            parts.append(
                np.column_stack([events, part, size, np.arange(trips), flow * ones, cry * ones])
            )
    rows = np.vstack(parts)
    rows = rows[rows[:, 1] > 0]
    return Stretches(rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3], rows[:, 4:])


def size_k(data: Stretches) -> float:
    """The service's k: from its trips and sizes, without the covariates."""
    _, first, unit = np.unique(data.trip, return_index=True, return_inverse=True)
    events, hours = np.bincount(unit, data.events), np.bincount(unit, data.hours)
    return service_dispersion(events, hours, data.size[first]).k


def ratio_coverage(trips: int, shape: float, runs: int) -> dict[str, Coverage]:
    """Coverage of size 1 against size 2, adjusted and crude, and how often there is an answer."""
    hits: dict[str, list[bool]] = {"adjusted": [], "crude": [], "answered": []}
    for seed in range(runs):
        data = confounded(np.random.default_rng(seed), trips, shape)
        found = rate_model(
            data.events,
            data.hours,
            np.array(SIZES)[data.size.astype(int)],
            reference=SIZES[1],
            k=size_k(data),
            trip=data.trip,
            covariates=data.covariates,
            names=NAMES,
        )
        first = found.groups[0]
        hits["answered"].append(not first.too_few)
        if not first.too_few:
            adjusted, crude = first.adjusted_ratio, first.crude_ratio
            hits["adjusted"].append(adjusted.lower <= TRUE_RATIO <= adjusted.upper)
            hits["crude"].append(crude.lower <= TRUE_RATIO <= crude.upper)
    return {name: covered(values) for name, values in hits.items()}


def run_lengths(rules: tuple[ZoneRule, ...], runs: int, longest: int, seed: int) -> FloatArray:
    """Points until the first signal of series in control (``longest`` + 1 where there is none)."""
    rng = np.random.default_rng(seed)
    found = []
    for start in range(0, runs, 1000):
        z = rng.standard_normal((min(1000, runs - start), longest))
        hit = any_signal(z, rules)
        found.append(np.where(hit.any(axis=1), hit.argmax(axis=1) + 1.0, longest + 1.0))
    return np.concatenate(found)


def print_ratios(runs: int) -> None:
    """A line for each number of trips and shape."""
    print(
        f"Size 1 against size 2, true ratio {TRUE_RATIO}: trips, shape: adjusted, crude, answered"
    )
    for trips in (100, 150, 300, 600, 1200):
        for shape in (2.0, 0.5):
            compared = ratio_coverage(trips, shape, runs)
            sentence = "   ".join(str(value) for value in compared.values())
            print(f"{trips:5d} {shape:5.2f}   {sentence}", flush=True)


def print_run_lengths(runs: int) -> None:
    """A line for the 3-sigma rule and one for all four."""
    for words, rules, longest in (
        ("3 sigma", ZONE_RULES[:1], 5000),
        ("all four", ZONE_RULES, 1500),
    ):
        lengths = run_lengths(rules, runs, longest, seed=0)
        error = lengths.std() / np.sqrt(len(lengths))
        print(f"Average run length in control, {words}: {lengths.mean():.1f} (± {error:.1f})")


def main() -> None:
    parser = argparse.ArgumentParser(description="Coverage and false alarms by simulation.")
    parser.add_argument("--runs", type=int, default=800, help="services of each kind")
    parser.add_argument("--part", choices=("cells", "bases", "ratios", "charts"))
    asked = parser.parse_args()
    parts = {
        "cells": (print_cells, asked.runs),
        "bases": (print_bases, asked.runs),
        "ratios": (print_ratios, asked.runs // 2),
        "charts": (print_run_lengths, 25 * asked.runs),
    }
    for name, (measure, runs) in parts.items():
        if asked.part in {None, name}:
            measure(runs)


if __name__ == "__main__":
    main()
