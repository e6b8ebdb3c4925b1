"""An attack on what was handed over: every small number behind it must stay open.

`python -m tests.shared.attack --periods 300` makes periods (`tests.shared.generated`), shares them
two in sequence with trips that came late between them, each beside the pack of every base, reads
all files back and lets the solver (`tests.shared.solver`) look for what was withheld.
"""

from __future__ import annotations

import argparse
import re
import tempfile
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipeline.sharing.counts import SharedCounts
from pipeline.sharing.edition import Rows, shared_review
from pipeline.sharing.periods import Period
from pipeline.sharing.sizes import METHOD
from reports.render.packs import base_pack
from reports.render.shared_pages import write_shared
from schemas.month_review import MonthReview
from schemas.shared_outputs import SMALLEST_DISCLOSED
from tests.frames import frame_of
from tests.shared import generated
from tests.shared.editions import (
    PAGES,
    bare,
    disclosed,
    few_trips_are_enough,
    read_page,
    strings,
    true_cells,
)
from tests.shared.solver import CELLS, OTHERS, WHATS, Name, Unknowns, rules_system, sizes_system

Told = dict[str, list[dict[str, Any]]]
NUMBER = re.compile(r"(?<![\w.,#])\d+(?:,\d{3})*(?:\.\d+)?(?!\w)")


def small(value: float) -> bool:
    """Whether a true number is one that may not be found."""
    return 0 < value < SMALLEST_DISCLOSED


def periods_of(tables: Told) -> list[Period]:
    """The periods that were told."""
    return [Period(r["from_month"], r["until_month"]) for r in tables["periods"]]


def hidden_numbers(
    tables: Told, truths: Mapping[Period, SharedCounts]
) -> Iterator[tuple[Unknowns, Name, float]]:
    """Every number that is truly small, with the system it must not be worked out from.

    `truths`: by period the counts it was first told with.
    """
    for period, truth in truths.items():
        answers = truth.answers[truth.answers["month"].map(period.holds)]
        rules = rules_system(
            tables["shared_rules"], tables["shared_bases"], period.name,
            sorted(answers["month"].unique()),
        )  # fmt: skip
        sizes = sizes_system(tables["shared_sizes"], period.name)
        of_size = _true_sizes(truth.ventilator[truth.ventilator["month"].map(period.holds)])
        for system, true in ((rules, _true_answers(answers, rules)), (sizes, of_size)):
            yield from (
                (system, name, value)
                for name, value in true.items()
                if small(value) and name in system.places
            )


def _true_answers(answers: pd.DataFrame, system: Unknowns) -> dict[Name, float]:
    named = {name[3] for name in system.places if name[2:3] == ("base",)}
    pooled = answers.assign(base=answers["base"].where(answers["base"].isin(named), OTHERS))
    true: dict[Name, float] = {}
    for (rule,), counts in true_cells(answers, ["rule"]).items():
        true |= {(rule, cell): counts[cell] for cell in CELLS}
    for by, frame in (("month", answers), ("base", pooled)):
        for (rule, value), counts in true_cells(frame, ["rule", by]).items():
            true |= {(rule, cell, by, value): counts[cell] for cell in CELLS}
    return true


def _true_sizes(ventilator: pd.DataFrame) -> dict[Name, float]:
    used = ventilator[ventilator["hours"] > 0]
    by_size = used.groupby("cannula").agg(
        events=("events", "sum"), trips=("trip", "size"), hours=("hours", "sum")
    )
    true: dict[Name, float] = {
        (what, str(size)): float(row[what]) for size, row in by_size.iterrows() for what in WHATS
    }
    return true | {(what, "all"): float(by_size[what].sum()) for what in WHATS}


def found(tables: Told, truths: Mapping[Period, SharedCounts]) -> tuple[int, list[str]]:
    """How many small numbers were looked for, and those that could not be anything from 1 to 10."""
    looked, given = 0, []
    for system, name, value in hidden_numbers(tables, truths):
        low, high = system.range(name)
        looked += 1
        assert low - 0.1 <= value <= high + 0.1, f"the truth is left out: {name} {value}"
        if low > 1 or high < SMALLEST_DISCLOSED - 1:
            given.append(f"{' '.join(name)} is {value:g}, known to be {low:g} to {high:g}")
    return looked, given + sums_of_few_trips(tables, truths)


def sums_of_few_trips(tables: Told, truths: Mapping[Period, SharedCounts]) -> list[str]:
    """Hours told, by themselves or as a difference, that are those of 1 to 10 trips, or hours."""
    given = []
    for period, truth in truths.items():
        rows = [r for r in tables["shared_sizes"] if r["period"] == period.name]
        used = truth.ventilator[truth.ventilator["month"].map(period.holds)]
        sums = {r["cannula"]: [r["cannula"]] for r in rows if r["hours"] is not None}
        every = sums.pop("all", None)
        if every:
            sums["all"] = [r["cannula"] for r in rows]
            sums["left for those withheld"] = [c for c in sums["all"] if c not in sums]
        for what, sizes in sums.items():
            own = used[used["cannula"].isin(sizes) & (used["hours"] > 0)]
            if small(own["trip"].nunique()) or small(own["hours"].sum()):
                given.append(f"hours of {what} in {period.name}: {own['trip'].nunique()} trips")
    return given


def strange_numbers(tables: Told, pages: Mapping[str, str], plain: set[str]) -> list[str]:
    """Numbers written on pages that no told number is rounded to, and that are not `plain`."""
    known = np.array(sorted(_numbers_behind(tables)))
    odd = []
    for page, text in pages.items():
        for written in set(NUMBER.findall(text)) - plain:
            value = float(written.replace(",", ""))
            places = len(written.partition(".")[2])
            if not (np.abs(known - value) <= 0.5 * 10.0**-places + 1e-9).any():
                odd.append(f"{page}: {written}")
    return odd


def _numbers_behind(tables: Told) -> set[float]:
    known: set[float] = set()
    for rows in tables.values():
        for row in rows:
            numbers = {k: float(v) for k, v in row.items() if isinstance(v, int | float)}
            known |= set(numbers.values())
            if "share" in row:
                shares = [numbers[k] for k in ("share", "low", "high") if k in numbers]
                known |= {100 * s for s in shares} | {100 * (1 - s) for s in shares}
            if row.get("kept") is not None and row.get("variance") is not None:
                known.add(numbers["variance"] + numbers["kept"])
    return known


@dataclass
class Handed:
    """What was handed over so far, as an outsider has it; and the truth behind each period."""

    folder: Path
    before: dict[Period, Rows] = field(default_factory=dict)
    truths: dict[Period, SharedCounts] = field(default_factory=dict)
    tables: Told = field(default_factory=dict)
    odd: list[str] = field(default_factory=list)

    def share(self, month: str, counts: SharedCounts) -> None:
        """Write the edition of a month and every base's pack, and read all of it back."""
        safe = shared_review(_review(month), counts, self.before)
        assert safe.shared is not None
        edition = self.folder / month
        write_shared(safe, edition)
        now = disclosed(edition)
        packs = {base: base_pack(safe, base) for base in sorted(set(counts.answers["base"]))}
        for period in periods_of(now):
            self.truths.setdefault(period, counts)
        for name, rows in now.items():
            seen = self.tables.setdefault(name, [])
            seen.extend(row for row in rows if row not in seen)
        self._remember(safe)
        self.odd += strange_numbers(now, self._texts(edition, packs), self._plain(month))

    def _remember(self, safe: MonthReview) -> None:
        assert safe.shared is not None
        by_name = {name: frame.records() for name, frame in safe.shared.by_name().items()}
        for period in (Period(r["from_month"], r["until_month"]) for r in by_name["periods"]):
            self.before.setdefault(period, {
                name: [row for row in rows if row["period"] == period.name]
                for name, rows in by_name.items()
            })  # fmt: skip

    def _texts(self, edition: Path, packs: Mapping[str, str]) -> dict[str, str]:
        aside = self.folder / "pack.html"
        texts = {}
        for name in PAGES:
            page = read_page(edition / name)
            texts[name] = " ".join([*page.text, *strings(page.figures)])
        for base, html in packs.items():
            aside.write_text(html, encoding="utf-8")
            texts[f"pack of {base}"] = " ".join(read_page(aside).text)
        return texts

    def _plain(self, month: str) -> set[str]:
        """The numbers on the pages of an edition that tells nothing, and those in names."""
        empty = replace(_review(month), months=())
        nothing = SharedCounts(
            pd.DataFrame(columns=["month", "base", "rule", "trips", "variance", "kept"]),
            pd.DataFrame(columns=["month", "cannula", "trip", "events", "hours"]),
        )
        safe = shared_review(empty, nothing)
        write_shared(safe, self.folder / "empty")
        texts = self._texts(self.folder / "empty", {"": base_pack(safe, "none")})
        names = [*(period.name for period in self.truths), *generated.SIZES, *METHODS]  # fmt: skip
        return set(NUMBER.findall(" ".join([*texts.values(), *names])))


METHODS = ("95 %", "per 100 h", METHOD, "2026", "2027")
"""Words of pages with numbers that are no counts, and the years that months are named with."""


def _review(month: str) -> MonthReview:
    cannulas = frame_of(
        [
            {"id": s, "family": "f", "size_rank": i, "label": s}
            for i, s in enumerate(generated.SIZES)
        ]
    )
    return replace(bare(month), cannulas=cannulas)


def attacked(seed: int, folder: Path) -> tuple[Handed, int, list[str]]:
    """Two periods in sequence of one made-up service; what was looked for, and what was found."""
    random = np.random.default_rng(seed)
    service = generated.service(random)
    if random.random() < 0.4:
        first, second = (["2026-01"], ["2026-02"])
        volume = (200, 500)
    else:
        first, second = ([f"2026-{m:02d}" for m in half] for half in (range(1, 7), range(7, 13)))
        volume = (26, 95)
    handed = Handed(folder)
    with few_trips_are_enough():
        begun = generated.trips(service, _volumes(first, volume, random), random)
        handed.share(first[-1], begun.counts())
        late = generated.trips(service, {first[0]: int(random.integers(1, 4))}, random, 100_000)
        new = generated.trips(service, _volumes(second, volume, random), random, 200_000)
        handed.share(second[-1], begun.and_late(late).and_late(new).counts())
    looked, given = found(handed.tables, handed.truths)
    return handed, looked, given + handed.odd


def _volumes(
    months: list[str], volume: tuple[int, int], random: generated.Random
) -> dict[str, int]:
    return {month: int(random.integers(*volume)) for month in months}


def main() -> None:
    """The long run, by command line; its figures are printed at the end."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--periods", type=int, default=300, help="periods in all, two a service")
    asked.add_argument("--seed", type=int, default=1, help="the first service's seed")
    options = asked.parse_args()
    began = time.perf_counter()
    periods = looked = failed = 0
    seed = options.seed
    while periods < options.periods:
        with tempfile.TemporaryDirectory() as folder:
            handed, numbers, given = attacked(seed, Path(folder))
        periods += len(handed.truths)
        looked += numbers
        failed += len(given)
        for line in given:
            print(f"seed {seed}: {line}")
        seed += 1
    took = time.perf_counter() - began
    print(
        f"{periods} periods of {seed - options.seed} services in {took:.0f} s: {looked:,} numbers"
        f" below {SMALLEST_DISCLOSED} looked for, {failed} found."
    )
    raise SystemExit(1 if failed else 0)


if __name__ == "__main__":
    main()
