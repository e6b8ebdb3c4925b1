"""The figures that say whether the program is fast enough, each a ratio within one run.

A figure's `measured` holds if it is at most `bound`. Both sides of a ratio are measured on the
same machine, on the same files, one straight after the other.
"""

from __future__ import annotations

import csv
import re
import shutil
import statistics
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.bench.deliveries import (
    MONTHS,
    SCAN,
    as_parquet,
    months_of,
    part,
    protocol_of,
    scans,
    simulated,
)
from tests.bench.peer import RULES
from tests.bench.process import Cost, module, python, steps, tailrace

IMPORTS = "import pandas, duckdb, pandera, plotly, scipy"
BARE_TYPER = """
from pathlib import Path
from typing import Annotated
import typer
app = typer.Typer(add_completion=False, rich_markup_mode=None)
@app.command()
def review(delivery: Path, into: Annotated[Path, typer.Option(help="Where to.")] = Path("out")):
    "Do nothing."
app(["--help"])
"""
COUNTRY_GB, GROWTH_GB = 4.0, 5.0
ROUNDS = 5
HANDFUL = 10
LEAST_CPU_S = 1.0


@dataclass(frozen=True)
class Sizes:
    """How many trips each figure is measured on, and where the files are kept."""

    folder: Path
    country: int
    peer: int
    growth: tuple[int, ...]
    late: int
    whatif: int
    rounds: int


@dataclass(frozen=True)
class Figure:
    """One measured figure: its letter, what it says, and what it was made of."""

    letter: str
    what: str
    measured: float
    bound: float
    unit: str
    made_of: str

    @property
    def verdict(self) -> str:
        """Whether it holds."""
        return "pass" if self.measured <= self.bound else "short"


def start_up(sizes: Sizes) -> Iterator[Figure]:
    """`tailrace --help` against a typer program with one command, the quickest of several each."""
    pairs = [(tailrace("--help"), python(BARE_TYPER)) for _ in range(2 * ROUNDS)]
    ours, bare = (min(c.wall_s for c in costs) for costs in zip(*pairs, strict=True))
    yield Figure(
        "start-up", "`tailrace --help` against a bare typer program", ours / bare, 1.5, "times",
        f"{ours:.2f} s against {bare:.2f} s, the quickest of {2 * ROUNDS}",
    )  # fmt: skip


def one_service(sizes: Sizes) -> Iterator[Figure]:
    """The last month of a service's 24, against importing the libraries it stands on.

    First, once more with nothing changed, after one determination, and a pack and a picture of it.
    In CPU seconds, which other work on the machine changes less than it does the clock's.
    """
    whole = simulated(sizes.folder, 250 * MONTHS)
    months = months_of(whole)
    store = sizes.folder / "a-store"
    shutil.rmtree(store, ignore_errors=True)
    tailrace("review", part(whole, "before", months[:-1]), "--into", store)
    last = part(whole, "last", months[-1:])
    taken: dict[str, list[Cost]] = {}
    for number in range(sizes.rounds):
        again = sizes.folder / f"a-store-{number}"
        shutil.rmtree(again, ignore_errors=True)
        shutil.copytree(store, again)
        for name, cost in _of_a_month(last, again, months[-1]):
            taken.setdefault(name, []).append(cost)
            taken.setdefault("imports", []).append(python(IMPORTS))
        shutil.rmtree(again)
    cpu = {name: statistics.median(c.cpu_s for c in costs) for name, costs in taken.items()}
    wall = {name: statistics.median(c.wall_s for c in costs) for name, costs in taken.items()}
    for name, bound in ONE_SERVICE.items():
        yield Figure(
            "a", f"one service, the last of 24 months of 250 trips: {name}, against importing"
            " pandas, duckdb, pandera, plotly and scipy", cpu[name] / cpu["imports"], bound,
            "times", f"CPU {cpu[name]:.2f} s against {cpu['imports']:.2f} s, medians of"
            f" {sizes.rounds}; {wall[name]:.1f} s against {wall['imports']:.1f} s by the clock",
        )  # fmt: skip


ONE_SERVICE = {
    "first review": 6.0,
    "second review with nothing changed": 2.0,
    "review after one determination": 2.5,
    "the director's pack": 2.0,
    "a picture": 2.0,
}
"""What is measured of one service, and how many times the imports it may take."""


def _of_a_month(delivery: Path, store: Path, month: str) -> Iterator[tuple[str, Cost]]:
    """What is done with a month, in the order of ONE_SERVICE, and what each took."""
    first, second, answered, pack, picture = ONE_SERVICE
    yield first, tailrace("review", delivery, "--into", store)
    yield second, tailrace("review", delivery, "--into", store)
    with (store / month / "data" / "cases.csv").open(encoding="utf-8", newline="") as file:
        case = next(row for row in csv.DictReader(file) if row["rules"])
    cells = {"trip_id": case["trip_id"], "rules": case["rules"], "reviewer": "R1",
             "conclusion": "practice", "status": "closed", "note": "Read"}  # fmt: skip
    sheet = store.with_suffix(".csv")
    sheet.write_text("\n".join([",".join(cells), ",".join(cells.values())]), encoding="utf-8")
    tailrace("determine", sheet, "--into", store)
    yield answered, tailrace("review", delivery, "--into", store)
    to = store / "pack.html"
    yield pack, tailrace("pack", month, "--for", "director", "--into", store, "--to", to)
    drawn = ("picture", "deviation-share", "--to", store / "picture.svg")
    yield picture, tailrace(*drawn, "--into", store)


def country(sizes: Sizes) -> Iterator[Figure]:
    """A country's files to its verdicts, against a typed scan of every column; memory to pages.

    Both from CSV and from Parquet, in CPU seconds, the imports of either side included.
    """
    csv = simulated(sizes.folder, sizes.country)
    for kind, delivery in (("CSV", csv), ("Parquet", as_parquet(csv))):
        store = sizes.folder / "b-store"
        scan = python(SCAN, *scans(delivery))
        shutil.rmtree(store, ignore_errors=True)
        judged = _judged(delivery, store)
        cost = _into_empty(delivery, store)
        shutil.rmtree(store)
        yield Figure(
            "b", f"{sizes.country:,} trips from {kind} files to verdicts, against a typed scan of"
            " every column of the same files", judged.cpu_s / scan.cpu_s, 8, "times",
            f"CPU {judged.cpu_s:.0f} s against {scan.cpu_s:.1f} s; {judged.wall_s:.0f} s against"
            f" {scan.wall_s:.1f} s by the clock",
        )  # fmt: skip
        yield Figure(
            "b", f"{sizes.country:,} trips from {kind} files to pages: most memory held",
            cost.memory_gb, COUNTRY_GB, "GB", f"CPU {cost.cpu_s:.0f} s, {cost.wall_s:.0f} s by the"
            f" clock; {cost.spilled_gb:.1f} GB spilled to disk; {_longest(cost)}",
        )  # fmt: skip


def peer(sizes: Sizes) -> Iterator[Figure]:
    """The program against the same review in pandas; first that both found the same."""
    from tests.bench.peer.same import assert_same

    delivery = simulated(sizes.folder, sizes.peer, dirt=True)
    protocol = protocol_of(delivery, RULES, sizes.folder / "c-protocol.toml")
    store, found = sizes.folder / "c-store", sizes.folder / "c-peer"
    costs = []
    for _ in range(2):
        shutil.rmtree(store, ignore_errors=True)
        spill = store / "store.duckdb.tmp"
        ours = module("tests.bench.peer.ours", delivery, protocol, store, spill=spill)
        costs.append((ours, module("tests.bench.peer", delivery, protocol, found)))
    same = assert_same(store / "store.duckdb", found)
    shutil.rmtree(store)
    ours, theirs = (min(c, key=lambda cost: cost.wall_s) for c in zip(*costs, strict=True))
    for measured, bound in PEER.items():
        of_each = [
            {"by the clock": c.wall_s, "of CPU": c.cpu_s, "of memory": c.memory_gb}[measured]
            for c in (ours, theirs)
        ]
        yield Figure(
            "c", f"{sizes.peer:,} trips: validation, timeline, five rules and rates, against the"
            f" same in pandas: {measured}", of_each[0] / of_each[1], bound, "times",
            f"{of_each[0]:.2f} against {of_each[1]:.2f} {'GB' if 'memory' in measured else 's'},"
            f" of the quicker of two; {same}; {ours.spilled_gb:.1f} GB spilled to disk",
        )  # fmt: skip


PEER = {"by the clock": 0.6, "of CPU": 0.95, "of memory": 0.5}
"""What is held against pandas, and how many times as much of it the program may take."""


def growth(sizes: Sizes) -> Iterator[Figure]:
    """Cost a trip from one decade of trips to the next; what is spilled to disk is said."""
    before: tuple[int, float] | None = None
    for trips in sizes.growth:
        cost = _into_empty(simulated(sizes.folder, trips), sizes.folder / "d-store")
        shutil.rmtree(sizes.folder / "d-store")
        each = 1e6 * cost.wall_s / trips
        sentence = (
            f"{each:.0f} µs a trip ({cost.wall_s:.1f} s), {cost.memory_gb:.1f} GB held,"
            f" {cost.spilled_gb:.1f} GB spilled"
        )
        if before:
            yield Figure(
                "d", f"cost a trip at {trips:,} trips, against {before[0]:,}", each / before[1],
                1.15, "times", sentence,
            )  # fmt: skip
            yield Figure(
                "d",
                f"most memory held at {trips:,} trips",
                cost.memory_gb,
                GROWTH_GB,
                "GB",
                sentence,
            )
        before = (trips, each)


def late_month(sizes: Sizes) -> Iterator[Figure]:
    """A month that arrives late, against all months at once, both over a late handful of trips.

    What any delivery costs, however small, is so taken off both sides. Measured is a review up to
    its verdicts, the store closed again, in CPU seconds, the least of several. What follows draws
    one month from the whole store, whatever came: it would cancel, but it is many times what is
    compared, so that its noise would be all that is seen. It is said beside.
    """
    whole = simulated(sizes.folder, sizes.late)
    months = months_of(whole)
    late = months[MONTHS // 2]
    store, again = (sizes.folder / f"e-{name}" for name in ("store", "again"))
    shutil.rmtree(store, ignore_errors=True)
    everything = _judged(whole, store)
    shutil.rmtree(store)
    _judged(part(whole, "others", [m for m in months if m != late]), store)
    few = part(whole, "few", [late], most=HANDFUL)
    delivery = part(whole, "late", [late])
    costs: dict[Path, list[float]] = {few: [], delivery: []}
    for _ in range(ROUNDS):
        for brought, taken in costs.items():
            shutil.rmtree(again, ignore_errors=True)
            shutil.copytree(store, again)
            taken.append(_judged(brought, again).cpu_s)
    reviewed = tailrace("review", delivery, "--into", store, "--month", months[-1])
    for folder in (store, again):
        shutil.rmtree(folder)
    share = _rows(delivery / "trips.csv") / _rows(whole / "trips.csv")
    handful, came = min(costs[few]), min(costs[delivery])
    all_extra = everything.cpu_s - handful
    # on few trips the difference is noise, and says nothing
    measured = max(came - handful, 0.0) / all_extra / share
    yield Figure(
        "e", f"a late month into a store of {MONTHS} ({sizes.late:,} trips): its part of the cost"
        " over its part of the trips", measured if all_extra > LEAST_CPU_S else float("nan"), 1.5,
        "times",
        f"CPU to the verdicts, least of {ROUNDS}: {came:.2f} s against {handful:.2f} s for"
        f" {HANDFUL} late trips, {came - handful:.2f} s more; all months at once {all_extra:.1f} s"
        f" more; the month has {100 * share:.1f} % of trips; its whole review, a month's pages with"
        f" it, {reviewed.cpu_s:.1f} s",
    )  # fmt: skip


def what_if(sizes: Sizes) -> Iterator[Figure]:
    """Five values of one limit, against the rules stage of one review, in CPU seconds."""
    delivery = simulated(sizes.folder, sizes.whatif)
    store = sizes.folder / "f-store"
    reviewed = steps(_into_empty(delivery, store).output)
    rules = [cost for name, cost in reviewed.items() if name.startswith("rule ")]
    wall, cpu = (sum(both) for both in zip(*rules, strict=True))
    limit = "wall-oxygen-time.limit_min=40,45,50,55,60"
    tried = tailrace("whatif", "--set", limit, "--into", store)
    shutil.rmtree(store)
    yield Figure(
        "f", f"`tailrace whatif` over five values, against the rules stage of one review"
        f" ({sizes.whatif:,} trips)", tried.cpu_s / cpu, 0.5, "times",
        f"CPU {tried.cpu_s:.1f} s, the program's start included, against {cpu:.1f} s;"
        f" {tried.wall_s:.1f} s against {wall:.1f} s by the clock",
    )  # fmt: skip


FIGURES: dict[str, Callable[[Sizes], Iterator[Figure]]] = {
    "start-up": start_up,
    "a": one_service,
    "b": country,
    "c": peer,
    "d": growth,
    "e": late_month,
    "f": what_if,
}


def _into_empty(delivery: Path, store: Path) -> Cost:
    shutil.rmtree(store, ignore_errors=True)
    spill = store / "store.duckdb.tmp"
    return tailrace("review", delivery, "--into", store, "--timings", spill=spill)


def _judged(delivery: Path, store: Path) -> Cost:
    return module("tests.bench.judged", delivery, store)


def _longest(cost: Cost) -> str:
    """The three steps that took longest, those of one kind together."""
    kinds: dict[str, float] = {}
    for name, (wall, _) in steps(cost.output).items():
        kind = re.sub(r"^(read, cast and validate|rule) .*", r"\1", name)
        kinds[{"rule": "rules"}.get(kind, kind)] = kinds.get(kind, 0.0) + wall
    kinds.pop("all", None)
    first = sorted(kinds.items(), key=lambda item: -item[1])[:4]
    return "longest: " + ", ".join(f"{name} {wall:.0f} s" for name, wall in first)


def _rows(path: Path) -> int:
    with path.open("rb") as file:
        return sum(1 for _ in file) - 1
