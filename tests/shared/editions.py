"""Editions written for real, and everything that can be read back from their files."""

from __future__ import annotations

import csv
import json
import re
import sys
import zipfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest
from openpyxl import load_workbook

import reports
from pipeline import measures
from pipeline.cli import main as cli
from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging import whatif
from pipeline.judging.evaluator import judge
from pipeline.judging.versions import versions_in_store
from pipeline.review import shared_edition, tool_version
from pipeline.sharing import periods
from pipeline.sharing.counts import SharedCounts, shared_counts
from pipeline.simulate import simulate
from pipeline.store.database import open_store
from schemas.frame import Frame
from schemas.measure_outputs import MEASURE_OUTPUTS
from schemas.month_review import MonthReview, ProtocolInForce

TABLES = ("periods", "shared_rules", "shared_bases", "shared_sizes")
PAGES = ("index.html", "director.html", "education.html")
COUNTS = ("trips", "variance", "kept", "not_judged", "judged", "events")


@dataclass(frozen=True)
class World:
    """A delivery, the folder it was reviewed into, and the truth behind what was shared."""

    delivery: Path
    into: Path
    months: tuple[str, ...]
    truth: SharedCounts

    def editions(self) -> list[Path]:
        """The shared editions that were written, by month."""
        return sorted((self.into / "shared").iterdir())


@contextmanager
def few_trips_are_enough() -> Iterator[None]:
    """Periods as a larger service has them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(periods, "ENOUGH_TRIPS", {1: 200, 3: 600, 6: 150, 12: 0})
        yield


OF_ANSWERS = ("before_after", "signal_trips")
"""Figures that are made by themselves, from what people answered."""


@contextmanager
def without_full_pages() -> Iterator[None]:
    """The full edition's pages and charts are most of a review's time, and not read here."""
    empty = {
        name: Frame.of_rows([], model.to_schema().columns)
        for name, model in MEASURE_OUTPUTS.items()
        if name not in OF_ANSWERS
    }
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reports, "write_pages", lambda review, folder, *_: folder / review.month)
        patch.setattr(measures, "figures", lambda *_: empty)
        patch.setattr(whatif, "main_curves", lambda *_: None)
        yield


def reviewed(folder: Path, *, trips: int, months: int, seed: int) -> World:
    """Simulate, review the last month by the command line, and share the last two months."""
    delivery, into, names = simulated(folder, trips, months, seed)
    command = ["tailrace", "review", str(delivery), "--into", str(into), "--edition", "shared"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", command)
        with pytest.raises(SystemExit) as ended:
            cli.main()
    assert not ended.value.code
    return share_two(World(delivery, into, names, SharedCounts(pd.DataFrame(), pd.DataFrame())))


def loaded(folder: Path, *, trips: int, months: int, seed: int) -> World:
    """The same without the full review, which takes most of the time."""
    delivery, into, names = simulated(folder, trips, months, seed)
    into.mkdir()
    with closing(open_store(into / "store.duckdb", create=True)) as con:
        load(con, read_delivery(con, delivery))
        judge(con)
    return share_two(World(delivery, into, names, SharedCounts(pd.DataFrame(), pd.DataFrame())))


def simulated(
    folder: Path, trips: int, months: int, seed: int
) -> tuple[Path, Path, tuple[str, ...]]:
    """A delivery, a place for its pages, and its months."""
    simulate(folder / "delivery", trips=trips, months=months, seed=seed)
    return folder / "delivery", folder / "pages", names_of(months)


def names_of(months: int) -> tuple[str, ...]:
    return tuple(f"2026-{n:02d}" for n in range(1, months + 1))


def found_again(folder: Path, months: int) -> World:
    """The world that `reviewed` or `loaded` made in a folder."""
    nothing = SharedCounts(pd.DataFrame(), pd.DataFrame())
    return share_two(World(folder / "delivery", folder / "pages", names_of(months), nothing))


def share_two(world: World) -> World:
    """Write the editions of the last two months that are not there, and look up the truth."""
    with closing(open_store(world.into / "store.duckdb", create=False)) as con:
        for month in world.months[-2:]:
            if not (world.into / "shared" / month).exists():
                shared_edition(con, world.into, bare_review(con, month))
        return replace(world, truth=shared_counts(con, world.months[-1]))


def bare(month: str) -> MonthReview:
    """A review with nothing in it that counts trips."""
    none = Frame({})
    return MonthReview(
        "heron-ridge", month, (month,), ("limited-data-set",), tool_version(), (), (),
        0, None, {}, 0, 0, 0, none, none, none, none, none, none,
    )  # fmt: skip


def bare_review(con: duckdb.DuckDBPyConnection, month: str) -> MonthReview:
    """The same of a judged store, with its protocol and its cannulas."""
    protocol = tuple(
        ProtocolInForce(kept.version.id, kept.version.from_month, "D1", None)
        for kept in versions_in_store(con)
    )
    asked = "SELECT DISTINCT id, family, size_rank, label FROM delivered.cannula ORDER BY ALL"
    cannulas = Frame.read(con.execute(asked))
    return replace(bare(month), protocol=protocol, cannulas=cannulas)


def files(edition: Path) -> dict[str, bytes]:
    """Every file by its path, a workbook unzipped as well; not the scripts and styles."""
    found: dict[str, bytes] = {}
    for path in sorted(p for p in edition.rglob("*") if p.is_file()):
        name = path.relative_to(edition).as_posix()
        if name.startswith("assets/"):
            continue
        found[name] = path.read_bytes()
        if name.endswith(".xlsx"):
            with zipfile.ZipFile(BytesIO(found[name])) as book:
                found |= {f"{name}!{part}": book.read(part) for part in book.namelist()}
    return found


def number(cell: str) -> float | str | None:
    """A cell of a data file: a number where it is one, None where empty."""
    if cell == "":
        return None
    return float(cell) if re.fullmatch(r"-?\d+(\.\d+)?(e-?\d+)?", cell) else cell


def disclosed(edition: Path) -> dict[str, list[dict[str, Any]]]:
    """The rows of every data file, read back."""
    rows = {}
    for name in TABLES:
        with (edition / "data" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            rows[name] = [{k: number(v) for k, v in row.items()} for row in csv.DictReader(file)]
    return rows


def disclosed_in_workbook(edition: Path) -> dict[str, list[dict[str, Any]]]:
    """The rows of every sheet of the workbook but the one that explains columns."""
    book = load_workbook(edition / "shared.xlsx", read_only=True, data_only=True)
    rows = {}
    for sheet in book.worksheets:
        head, *body = [list(row) for row in sheet.iter_rows(values_only=True)]
        if sheet.title != "columns":
            rows[sheet.title] = [dict(zip(map(str, head), cells, strict=True)) for cells in body]
    return rows


class _Page(HTMLParser):
    """The text of a page, of its number cells, of its attributes, and its figures."""

    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self.numbers: list[str] = []
        self.figures: Any = {}
        self._at: list[tuple[str, str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.text += [given.get(name) or "" for name in ("aria-label", "title", "content")]
        if tag not in ("meta", "link", "br", "rect", "line", "circle", "path"):
            self._at.append((tag, given.get("class") or ""))
        if tag == "td" and "num" in (given.get("class") or "").split():
            self.numbers.append("")

    def handle_endtag(self, tag: str) -> None:
        while self._at and self._at.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        tag, kind = self._at[-1] if self._at else ("", "")
        if tag == "script" and data.strip():
            self.figures = json.loads(data)
        elif tag not in ("script", "style"):
            self.text.append(data)
        if tag == "td" and "num" in kind.split():
            self.numbers[-1] += data


def read_page(path: Path) -> _Page:
    """A page taken apart."""
    page = _Page()
    page.feed(path.read_text(encoding="utf-8"))
    page.close()
    return page


def strings(value: Any) -> list[str]:
    """Every text within a figure."""
    if isinstance(value, dict):
        return [text for inner in value.values() for text in strings(inner)]
    if isinstance(value, list):
        return [text for inner in value for text in strings(inner)]
    return [value] if isinstance(value, str) else []


def true_cells(answers: pd.DataFrame, by: list[str]) -> dict[tuple[Any, ...], dict[str, int]]:
    """The truth by the columns of `by`: variance, kept, not_judged and trips."""
    sums = answers.groupby(by)[["trips", "variance", "kept"]].sum()
    cells = {}
    for key, row in sums.iterrows():
        trips, variance, kept = (int(row[c]) for c in ("trips", "variance", "kept"))
        rest = trips - variance - kept
        named = key if isinstance(key, tuple) else (key,)
        cells[named] = {"trips": trips, "variance": variance, "kept": kept, "not_judged": rest}
    return cells
