"""Write a delivery's files chunk by chunk."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.simulate.catalogue import BASE_NAMES, LEAST_SIZES, MOST_SIZES, catalogue_text
from pipeline.simulate.changes import RETRAINED, Refused, planted_text
from pipeline.simulate.chosen import Settled
from pipeline.simulate.dirt import LEAST_TRIPS, TRAINING_ROW, Dirt
from pipeline.simulate.draws import Bools, Ints
from pipeline.simulate.options import Options
from pipeline.simulate.service import TABLES, export_text, protocol_text
from pipeline.simulate.tables import EXPECTED, PlantedWriter, Writer, columns
from pipeline.simulate.trips import Chunk, expected, made
from schemas.contract import MONTH_PATTERN

CHANGES = "planted_changes.csv"
MOST_TRIPS = 10_000_000
MOST_MONTHS = 120


def checked(options: Options, *, chunk: int, dirt: bool) -> None:
    """Refuse options that make no sense: Refused with a sentence."""
    trips, months, month = options.trips, options.months, options.first_month
    bases, sizes, truth = options.setup.base_count, options.setup.size_count, options.truth
    for sound, sentence in (
        (1 <= trips <= MOST_TRIPS,
         f"The number of trips must be from 1 to {MOST_TRIPS:,}, is {trips:,}."),
        (1 <= months <= MOST_MONTHS,
         f"The number of months must be from 1 to {MOST_MONTHS}, is {months}."),
        (1 <= bases <= len(BASE_NAMES),
         f"There must be from 1 to {len(BASE_NAMES)} bases, not {bases}."),
        (LEAST_SIZES <= sizes <= MOST_SIZES,
         f"There must be from {LEAST_SIZES} to {MOST_SIZES} cannula sizes, not {sizes}."),
        (trips >= months,
         f"There must be at least one trip a month: {trips} trips do not fill {months} months."),
        (not dirt or trips >= LEAST_TRIPS,
         f"Bad rows of every kind need at least {LEAST_TRIPS} trips, not {trips}."),
        (re.match(MONTH_PATTERN, month) and month >= "1000-02",
         f'The first month must be written YYYY-MM, as in 2026-01, is "{month}".'),
        (options.seed >= 0, f"The seed must be 0 or above, is {options.seed}."),
        (0 <= options.plants <= 2,
         f"The share of plants must be from 0 to 2, is {options.plants:g}."),
        (truth.rate_ratio > 0 and truth.per_100h >= 0 and truth.shape > 0,
         "The rate ratio and the shape of the occlusions must be above 0, their rate not below."),
        (-0.3 <= options.confounding <= 0.3,
         f"The confounding must be from -0.3 to 0.3, is {options.confounding:g}."),
        (chunk >= 1, f"A chunk must hold at least one trip, not {chunk}."),
    ):  # fmt: skip
        if not sound:
            raise Refused(sentence)


def checked_empty(into: Path) -> None:
    """Refuse a directory that already holds a delivery: Refused with a sentence."""
    for name in ("export.toml", "protocol.toml", "cannulas.toml", *(f"{t}.csv" for t in TABLES)):
        if (into / name).exists():
            raise Refused(f"{into} already holds {name}. Choose a new or an empty directory.")


class Delivery:
    """One delivery directory that grows chunk by chunk."""

    def __init__(
        self, connection: Any, into: Path, options: Options, dirt: Dirt | None, *, second: bool
    ) -> None:
        into.mkdir(parents=True, exist_ok=True)
        self.into = into
        self.options = options
        self.dirt = dirt
        self.months = options.month_names
        self.received = np.zeros(options.months, dtype=np.int64)
        self.listed = self.received.copy()
        names = [name for name in TABLES if name != "training"]
        self.writers = {
            name: Writer(connection, into / f"{name}.csv", self._columns(name)) for name in names
        }
        clock = self._columns("planted_clock")
        self.clock = Writer(connection, into / "planted_clock.csv", clock)
        if not second:
            path = into / f"{EXPECTED}.csv"
            self.dispatched: Writer | None = Writer(connection, path, self._columns(EXPECTED))
        else:
            self.dispatched = None
        self.planted = PlantedWriter(connection, into / "planted.csv", options.rules)

    def _columns(self, table: str) -> dict[str, str]:
        return columns(table, self.months, self.options.setup)

    def add(self, chunk: Chunk, index: Ints, keep: Bools) -> None:
        """Write those of a chunk's trips that are kept; `index` holds all their numbers."""
        first = index[0]
        for name, table in chunk.tables.items():
            rows = keep[table["trip"] - first]
            kept = {column: values[rows] for column, values in table.items()}
            writer, edits = self.writers[name], []
            if self.dirt:
                edits = self.dirt.edits(name, kept, index, chunk.when, writer.lines)
            writer.append(kept, edits)
        trips = chunk.tables["trips"]
        if self.dispatched:
            listed = {"trip": index, "month": trips["month"], "base": trips["base"]}
            self.dispatched.append(listed)
            self.listed += np.bincount(trips["month"], minlength=self.options.months)
        months = trips["month"][keep]
        self.received += np.bincount(months, minlength=self.options.months)
        judged = keep & ~np.isin(index, self.dirt.removed(index)) if self.dirt else keep
        verdicts = [chunk.answers.by_rule[rule][judged] for rule in self.options.rules]
        self.planted.append(
            {"trip": index[judged], **{f"v{k}": codes for k, codes in enumerate(verdicts)}}
        )
        logged = judged & np.isin(index, chunk.tables["device_events"]["trip"])
        self.clock.append({"trip": index[logged], "offset_s": chunk.offset_s[logged]})

    def write_settings(self, wanted: list[int]) -> None:
        """Write what describes the delivery; `wanted` trips were expected month by month."""
        options = self.options
        delivered = [k for k in range(options.months) if self.received[k]]
        text = export_text([self.months[k] for k in delivered], [wanted[k] for k in delivered])
        _write(self.into / "export.toml", text)
        protocol = protocol_text(options.first_month, all_rules=options.all_rules)
        _write(self.into / "protocol.toml", protocol)
        _write(self.into / "cannulas.toml", catalogue_text(options.setup))
        if self.dispatched:
            self._add_never_received(
                [wanted[k] - int(self.listed[k]) for k in delivered], delivered
            )
        rows = self._training(delivered)
        if self.dirt:
            month, base = self.months[options.training_month], options.setup.bases[0]
            rows.append(TRAINING_ROW.format(month=month, base=base))
            self.dirt.listed.append(("training.csv", 1 + len(rows), "rule", "missing value"))
            _write(self.into / "planted_dirt.csv", self.dirt.text())
        _write(self.into / "training.csv", "".join(["month,base,rule\n", *rows]))
        if options.changes:
            _write(self.into / CHANGES, planted_text(options.changes, self.months))

    def _add_never_received(self, more: list[int], months: list[int]) -> None:
        """Name the trips that the dispatch log has and nobody made: all at the first base."""
        base = self.options.setup.bases[0]
        rows = [
            f"N{month:03d}{k:04d},{self.months[month]},{base}\n"
            for month, count in zip(months, more, strict=True)
            for k in range(count)
        ]
        with (self.into / f"{EXPECTED}.csv").open("a", encoding="utf-8", newline="") as file:
            file.writelines(rows)

    def _training(self, delivered: list[int]) -> list[str]:
        """The retrainings of the months delivered: those asked for, else the troubled base's."""
        options = self.options
        asked = [(c.first, c.base, c.what) for c in options.changes if c.kind == RETRAINED]
        if options.troubled:
            base = options.setup.bases[options.setup.troubled]
            asked = [(options.training_month, base, "wall-oxygen-time")]
        return [f"{self.months[k]},{base},{rule}\n" for k, base, rule in asked if k in delivered]


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="")


def _chunks(options: Options, size: int) -> Iterator[Ints]:
    for first in range(0, options.trips, size):
        yield np.arange(first, min(first + size, options.trips))


def deliver(settled: Settled, into: Path, *, chunk: int, later: Path | None = None) -> None:
    """Make all trips and write them; those that come late into `later` (its name with -late)."""
    import duckdb

    later = later or into.with_name(into.name + "-late")
    checked_empty(into)
    options, bad, missing_and_late = settled.options, settled.dirt, settled.missing_and_late
    if len(missing_and_late.late):
        checked_empty(later)
    with duckdb.connect() as connection:
        delivery = Delivery(connection, into, options, bad, second=False)
        second = (
            Delivery(connection, later, options, None, second=True)
            if len(missing_and_late.late)
            else None
        )
        for index in _chunks(options, chunk):
            whole = bad.whole(index) if bad else np.zeros_like(index)
            some = made(options, index, whole)
            held_back = np.isin(index, missing_and_late.late)
            delivery.add(some, index, ~held_back & ~np.isin(index, missing_and_late.missing))
            if second:
                second.add(some, index, held_back)
        received = delivery.received + (second.received if second else 0)
        missing = np.bincount(options.month_of(missing_and_late.missing), minlength=options.months)
        wanted = expected(options, [int(n) for n in received], [int(n) for n in missing])
        delivery.write_settings(wanted)
        if second:
            second.write_settings(wanted)
