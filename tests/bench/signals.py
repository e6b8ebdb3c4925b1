"""False signals, and what is noticed how soon, of whole invented services through the pipeline.

    python -m tests.bench.signals [--services 60] [--beside 30] [--months 24]

Each service is simulated with `--change`, loaded, judged and measured up to its last month; its
signals are those of `data/signals.csv`. The change comes halfway. `--beside`: so many services
each at 20 and 250 trips a month, unchanged and with every size's rate doubled.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from statistics import median

FIRST, QUIET = 2025, 6
SIZES = ("prong-1", "prong-2", "prong-3", "prong-4", "prong-5", "wide-1", "wide-2", "wide-3")
LARGEST_SIZES = ("prong-3", "prong-4")
"""Those with the most ventilator hours in the simulator's mix."""
LARGEST_BASE, STOPPED = "alder", "elm"
RECORDS = "incomplete-log-share"
Chart = tuple[str, str, str]


def named(month: int) -> str:
    """The month so many months after the first."""
    return f"{FIRST + month // 12}-{month % 12 + 1:02d}"


@dataclass(frozen=True)
class Scenario:
    """What is planted from a month on, and the charts that should tell."""

    name: str
    changes: Callable[[str, int], tuple[str, ...]]
    told_by: Callable[[Chart, int], bool] = lambda *_: False


SCENARIOS = {
    s.name: s
    for s in (
        Scenario("nothing changed", lambda at, _: (f"occlusions of prong-2 x 1 from {at}",)),
        Scenario(
            "every size doubled",
            lambda at, _: tuple(f"occlusions of {size} x 2 from {at}" for size in SIZES),
            lambda chart, _: chart == ("occlusion-rate", "service", "all"),
        ),
        Scenario(
            "one of the two largest sizes doubled",
            lambda at, seed: (f"occlusions of {LARGEST_SIZES[seed % 2]} x 2 from {at}",),
            lambda chart, seed: chart == ("occlusion-rate", "cannula", LARGEST_SIZES[seed % 2]),
        ),
        Scenario(
            "the largest base's wall overruns tripled",
            lambda at, _: (f"wall-oxygen-time at {LARGEST_BASE} x 3 from {at}",),
            lambda chart, _: (
                chart[2] in ("wall-oxygen-time", f"wall-oxygen-time at {LARGEST_BASE}")
            ),
        ),
        Scenario(
            "a base's logs stop",
            lambda at, _: (f"logs of {STOPPED} stop from {at}",),
            lambda chart, _: chart == (RECORDS, "base", STOPPED),
        ),
    )
}


@dataclass(frozen=True)
class Heard:
    """A service's signals on the worse side: height, chart, month and likely beginning."""

    rows: tuple[tuple[str, Chart, int, int], ...]
    seed: int

    def first(self, wanted: Callable[[Chart, int], bool], at: int) -> tuple[int, int] | None:
        """Months from the change to the first headline of a wanted chart, and how far off since is.

        None where there is none from the change on.
        """
        found = sorted(
            (month - at, since - at)
            for kind, chart, month, since in self.rows
            if kind == "headline" and month >= at and wanted(chart, self.seed)
        )
        return found[0] if found else None


def heard(scenario: str, seed: int, trips_a_month: int, months: int) -> Heard:
    """Simulate one service, and take it through the pipeline to its signals."""
    from pipeline.ingest.delivery import read_delivery
    from pipeline.ingest.load import load
    from pipeline.judging.evaluator import judge
    from pipeline.judging.versions import versions_in_store
    from pipeline.measures import measure
    from pipeline.measures.signals import signals
    from pipeline.month.gather import calendar
    from pipeline.simulate import simulate
    from pipeline.store.database import open_store

    last = named(months - 1)
    with tempfile.TemporaryDirectory(prefix="service-") as top:
        delivery = Path(top) / "delivery"
        simulate(
            delivery, trips=trips_a_month * months, months=months, seed=seed,
            first_month=named(0), changes=SCENARIOS[scenario].changes(named(months // 2), seed),
        )  # fmt: skip
        with closing(open_store(Path(top) / "store.duckdb", threads=1)) as con:
            load(con, read_delivery(con, delivery))
            judge(con)
            versions = versions_in_store(con)
            measure(con, last)
            found = signals(con, calendar(con, versions, last), versions)["signals"]
    place = {named(m): m for m in range(months)}
    rows = tuple(
        (s.kind, (s.measure, s.group_by, s.group_value), place[s.month], place.get(s.since, -1))
        for s in found[found["side"] == "worse"].itertuples()
    )
    return Heard(rows, seed)


def false_a_year(services: Iterable[Heard], kinds: tuple[str, ...], months: int) -> list[float]:
    """Signals a year of each service's care charts, once watched; each month and chart once."""
    return [
        12 / (months - QUIET)
        * len({(chart, month) for kind, chart, month, _ in one.rows
               if kind in kinds and chart[0] != RECORDS})
        for one in services
    ]  # fmt: skip


def line(name: str, value: str, bound: str, ok: bool | None) -> None:
    """Print a row of the table."""
    verdict = "" if ok is None else "pass" if ok else "short"
    print(f"| {name} | {value} | {bound} | {verdict} |")


def report(found: dict[str, list[Heard]], months: int, *, bounds: bool) -> None:
    """The figures of services of one volume; `bounds`: those that have one."""
    quiet, at = found["nothing changed"], months // 2
    if quiet:
        headline = false_a_year(quiet, ("headline",), months)
        watches = false_a_year(quiet, ("headline", "watch"), months)
        mean, both = sum(headline) / len(quiet), sum(watches) / len(quiet)
        line("false headline signals a year", f"{mean:.2f}", "1.2", mean <= 1.2 if bounds else None)
        line("the same with watches", f"{both:.2f}", "5", both <= 5 if bounds else None)
    least = {"every size doubled": (0.92, 12), "one of the two largest sizes doubled": (0.70, 12),
             "the largest base's wall overruns tripled": (0.85, 12),
             "a base's logs stop": (0.90, 4)}  # fmt: skip
    offs = []
    for name, (share, within) in least.items():
        services = found.get(name, [])
        firsts = [one.first(SCENARIOS[name].told_by, at) for one in services]
        seen = [f for f in firsts if f is not None and f[0] < within]
        offs += [abs(off) for _, off in seen]
        if services:
            part = len(seen) / len(services)
            middle = median(month + 1 for month, _ in seen) if seen else float("nan")
            words = f"{len(seen)} of {len(services)}, median month {middle:g}"
            line(f"{name}, within {within} months", words, f"{share:.0%}",
                 part >= share if bounds else None)  # fmt: skip
    if offs:
        right = sum(off <= 2 for off in offs)
        line("since right within two months", f"{right} of {len(offs)}", "half",
             right * 2 >= len(offs) if bounds else None)  # fmt: skip


def main() -> None:
    """Run every scenario, and print the figures as a table."""
    options = argparse.ArgumentParser(prog="python -m tests.bench.signals")
    options.add_argument("--services", type=int, default=60)
    options.add_argument("--beside", type=int, default=30)
    options.add_argument("--months", type=int, default=24)
    options.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    given = options.parse_args()
    volumes = {60: (given.services, list(SCENARIOS))}
    volumes |= {v: (given.beside, list(SCENARIOS)[:2]) for v in (20, 250) if given.beside}
    with ProcessPoolExecutor(given.processes) as pool:
        begun = {
            volume: {
                name: [pool.submit(heard, name, seed, volume, given.months)
                       for seed in range(1, number + 1)]
                for name in names
            }
            for volume, (number, names) in volumes.items()
        }  # fmt: skip
        for volume, of_volume in begun.items():
            print(f"\n{volume} trips a month, {given.months} months, {volumes[volume][0]} services")
            print("\n| measured | found | bound | |\n| --- | --- | --- | --- |")
            found = {name: [one.result() for one in of_name] for name, of_name in of_volume.items()}
            report(found, given.months, bounds=volume == 60)


if __name__ == "__main__":
    main()
