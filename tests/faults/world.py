"""A small service to attack: deliveries, filled sheets, and every command that writes.

What a command leaves is looked at as units that must be whole: each month's folder, each shared
edition, each sheet, each other file, and the tables of the store.
"""

from __future__ import annotations

import csv
import hashlib
import re
import shutil
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from urllib.parse import unquote

from pipeline.followup.ledger_words import ledger
from tests.faults import commands
from tests.followup import reviewed_store
from tests.mapping import small_source as mapping
from tests.stores import attached

MONTH = "2026-02"
UNIT = re.compile(r"((?:shared/)?\d{4}-\d{2}|assets|made)(/|$)")
LINK = re.compile(r'(?:href|src)="([^"#?:]+)["#?]')
SAYS_ONCE = ("receipt", "ledger", "workbook", "layout")
"""Tables that grow with every command, whatever it did, or hold what a spreadsheet program made."""

Units = dict[str, str]
Tables = dict[str, str]


@dataclass(frozen=True)
class World:
    """Where everything lies; `base` is a store folder in which a month was reviewed."""

    top: Path

    @property
    def base(self) -> Path:
        """A reviewed store folder, never changed."""
        return self.top / "base"

    def operations(self, into: Path) -> dict[str, list[object]]:
        """Every command that writes, as it is typed, on the folder `into`."""
        top, here = self.top, ["--into", into]
        return {
            "first review": ["review", top / "delivery", *here],
            "second review": ["review", top / "delivery", *here],
            "replaced trips": ["review", top / "replaced", *here],
            "determine": ["determine", top / "answers.csv", *here],
            "correct": ["correct", top / "fixes.csv", *here],
            "retrained": ["retrained", top / "retraining.csv", *here],
            "publish": ["publish", MONTH, "--by", "D1", "--anyway", *here],
            "share": ["review", top / "delivery", "--edition", "shared", *here],
            "pack": ["pack", MONTH, "--for", "director", *here],
            "map": ["map", top / "own", "--to", into / "made"],
        }

    def prepare(self, name: str, into: Path) -> Path:
        """The folder as it is before an operation."""
        shutil.rmtree(into, ignore_errors=True)
        if name in ("first review", "map"):
            into.mkdir()
        else:
            shutil.copytree(self.base, into)
        return into


def plainly() -> None:
    """Leave out what takes longest and writes nothing of its own.

    Power, history under other limits, the workbook's tables of data, and the privacy screen.
    """
    from pipeline import measures
    from pipeline.judging import whatif
    from reports.render import workbook
    from schemas.frame import Frame
    from schemas.measure_outputs import MEASURE_OUTPUTS
    from tests.unscreened import WITHOUT

    for module, name, stand_in in WITHOUT:
        setattr(module, name, stand_in)
    workbook._write_tables = lambda *_: None

    measures.figures = lambda *_: {  # type: ignore[assignment]
        name: Frame(dict.fromkeys(model.to_schema().columns, ()))
        for name, model in MEASURE_OUTPUTS.items()
        if name not in {"before_after", "signal_trips"}
    }
    whatif.main_curves = lambda *_: None  # type: ignore[assignment,return-value]


def backwards() -> None:
    """A clock that was set back by decades, and goes on doing so."""
    import time

    plainly()
    now = iter(range(2_000_000_000, -(10**12), -100_000))
    time.time = lambda: float(next(now))
    time.time_ns = lambda: next(now) * 10**9


def make(top: Path, trips: int = 24) -> World:
    """Write the deliveries and sheets, and review the first."""
    from pipeline.simulate import simulate

    world = World(top)
    simulate(top / "delivery", trips=trips, months=2, seed=7)
    done = commands.run("review", top / "delivery", "--into", world.base, before=plainly)
    assert done.fine, done
    trip, rule = reviewed_store.flagged(world.base)[0]
    other = next(
        t for t, month in reviewed_store.trips_of(top / "delivery") if month == MONTH and t != trip
    )
    reviewed_store.delivery_like(
        top / "delivery", top / "replaced", edits={("trips", other): {"weight_kg": "7.7"}}
    )
    reviewed_store.write_csv(
        top / "answers.csv", [reviewed_store.answer(trip, rule, "practice", status="open")]
    )
    line = _line_of(top / "delivery" / "trips.csv", other)
    fix = {"trip_id": other, "table": "trips", "line": f"{line}", "at_s": ""}
    reviewed_store.write_csv(top / "fixes.csv", [
        {**fix, "column": "weight_kg", "value": "7.9", "reason": "misread", "by": "Q1"}
    ])  # fmt: skip
    base = reviewed_store.ask(
        world.base, f"select base from delivered.trips where trip_id = '{trip}'"
    )[0][0]
    held = {"month": "2026-01", "base": base, "crew_member": "", "rule": rule}
    reviewed_store.write_csv(top / "retraining.csv", [held])
    mapping.source(top / "own")
    return world


def _line_of(path: Path, trip: str) -> int:
    with path.open(encoding="utf-8", newline="") as file:
        return next(n for n, row in enumerate(csv.reader(file), start=1) if trip in row)


def units(into: Path) -> Units:
    """The hash of each unit a person can see, by its name."""
    found: dict[str, list[str]] = {}
    for path in sorted(into.rglob("*")) if into.is_dir() else ():
        name = path.relative_to(into).as_posix()
        hidden = any(part.startswith(".") for part in Path(name).parts)
        if not path.is_file() or hidden or name.startswith(("store.duckdb", "assets/")):
            continue
        unit = UNIT.match(name)
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        found.setdefault(unit[1] if unit else name, []).append(f"{name} {digest}")
    return {unit: "\n".join(files) for unit, files in found.items()}


def tables(into: Path) -> Tables:
    """The hash of each table that what was given is kept in; none without a store."""
    path = into / "store.duckdb"
    if not path.exists():
        return {}
    with attached(path) as con:
        names = con.execute(
            "select schema_name, table_name from duckdb_tables()"
            " where database_name = 'store' and schema_name in ('delivered', 'loop') order by all"
        ).fetchall()
        asked = " union all ".join(
            f"select '{schema}.{name}', count(*), coalesce(sum(hash(t)), 0)"
            f' from {schema}."{name}" t'
            for schema, name in names if name not in SAYS_ONCE
        )  # fmt: skip
        return {name: str((rows, hashed)) for name, rows, hashed in con.execute(asked).fetchall()}


def dangling(into: Path) -> list[str]:
    """Links of pages that lead to nothing."""
    found = []
    for page in sorted(into.rglob("*.html")):
        if any(part.startswith(".") for part in page.relative_to(into).parts):
            continue
        text = page.read_text(encoding="utf-8")
        found += [
            f"{page.relative_to(into)}: {link}"
            for link in LINK.findall(text)
            if not (page.parent / unquote(link)).exists()
        ]
        if not text.rstrip().endswith("</html>"):
            found.append(f"{page.relative_to(into)} is torn")
    return found


def wrong(into: Path, before: Units, after: Units) -> list[str]:
    """What of the folder is neither as it was nor as it was to be."""
    now = units(into)
    half = [
        f"{unit}: neither the old nor the new"
        for unit, content in now.items()
        if content not in (before.get(unit), after.get(unit))
    ]
    gone = [f"{unit}: gone" for unit in before if unit not in now and unit in after]
    return [*half, *gone, *dangling(into)]


def ledger_problems(into: Path) -> list[str]:
    """What the ledger says was changed behind its back."""
    if not (into / "store.duckdb").exists():
        return []
    return [problem.sentence() for problem in ledger(into)[1]]


run = partial(commands.run, before=plainly)
