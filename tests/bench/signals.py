"""False signals, and what is noticed how soon, of whole invented services through the pipeline.

    python -m tests.bench.signals [--services 60] [--beside 30] [--months 24] [--keep FILE]

Each service is simulated with `--change`, loaded, judged and measured up to its last month; its
signals are those of `data/signals.csv`. The change comes halfway. `--beside`: so many services
each at 20 and 250 trips a month, unchanged and with every size's rate doubled. `--keep`: what is
heard is written there service by service, and a later run goes on from it; `--first-seed` makes
other services, for trying a method out without looking at those that it is measured on.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from tests.frames import to_pandas

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
        for s in to_pandas(found.rows(found["side"] == "worse")).itertuples()
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


Asked = tuple[int, str, int]
"""Trips a month, scenario, seed."""


def kept(path: Path | None, months: int) -> dict[Asked, Heard]:
    """What a run that was broken off had heard already, of as many months."""
    if path is None or not path.exists():
        return {}
    found = {}
    for text in path.read_text(encoding="utf-8").splitlines():
        one = json.loads(text)
        if one["months"] == months:
            rows = tuple((kind, (a, b, c), m, since) for kind, (a, b, c), m, since in one["rows"])
            found[one["trips"], one["scenario"], one["seed"]] = Heard(rows, one["seed"])
    return found


def all_heard(asked: list[Asked], given: argparse.Namespace) -> dict[Asked, Heard]:
    """Every service asked for, those kept in the file `--keep` included; new ones are added."""
    found = kept(given.keep, given.months)
    with ProcessPoolExecutor(given.processes) as pool:
        begun = {
            pool.submit(heard, scenario, seed, trips, given.months): (trips, scenario, seed)
            for trips, scenario, seed in asked
            if (trips, scenario, seed) not in found
        }
        for done in as_completed(begun):
            one = begun[done]
            found[one] = done.result()
            if given.keep is not None:
                named_parts = dict(zip(("trips", "scenario", "seed"), one, strict=True))
                line_ = {**named_parts, "months": given.months, "rows": found[one].rows}
                with given.keep.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(line_) + "\n")
    return found


def main() -> None:
    """Run every scenario, and print the figures as a table."""
    options = argparse.ArgumentParser(prog="python -m tests.bench.signals")
    options.add_argument("--services", type=int, default=60)
    options.add_argument("--beside", type=int, default=30)
    options.add_argument("--months", type=int, default=24)
    options.add_argument("--first-seed", type=int, default=1)
    options.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    options.add_argument("--keep", type=Path, help="file of what is heard, to go on from")
    given = options.parse_args()
    volumes = {60: (given.services, list(SCENARIOS))}
    volumes |= {v: (given.beside, list(SCENARIOS)[:2]) for v in (20, 250) if given.beside}
    seeds = {v: range(given.first_seed, given.first_seed + n) for v, (n, _) in volumes.items()}
    asked = [(v, name, seed) for v, (_, names) in volumes.items() for seed in seeds[v]
             for name in names]  # fmt: skip
    found = all_heard(asked, given)
    for volume, (number, names) in volumes.items():
        print(f"\n{volume} trips a month, {given.months} months, {number} services")
        print("\n| measured | found | bound | |\n| --- | --- | --- | --- |")
        own = {name: [found[volume, name, seed] for seed in seeds[volume]] for name in names}
        report(own, given.months, bounds=volume == 60)


if __name__ == "__main__":
    main()
