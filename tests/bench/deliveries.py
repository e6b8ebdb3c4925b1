"""The files that are measured on: simulated once into a folder, and parts or copies of them."""

from __future__ import annotations

import re
import shutil
from collections.abc import Collection, Sequence
from pathlib import Path

import duckdb

from pipeline.store.database import sql_type
from schemas import contract
from tests.bench.process import tailrace

TABLES = ("trips", "crew", "settings", "device_events", "observations", "contacts")
MONTHS = 24


def simulated(folder: Path, trips: int, months: int = MONTHS, *, dirt: bool = False) -> Path:
    """A delivery of `trips` over `months`; made if it is not there yet. `dirt`: with bad rows."""
    made = folder / f"{trips}-trips-{months}-months{'-dirt' if dirt else ''}"
    if not (made / "export.toml").exists():
        shutil.rmtree(made, ignore_errors=True)
        aside = made.with_name(f"{made.name}.new")
        shutil.rmtree(aside, ignore_errors=True)
        more = ["--dirt"] if dirt else []
        size = ["--trips", str(trips), "--months", str(months)]
        tailrace("simulate", "--into", aside, *size, *more)
        for planted in aside.glob("planted*.csv"):
            planted.unlink()
        aside.rename(made)
    return made


def months_of(delivery: Path) -> list[str]:
    """The service months that a delivery says it holds."""
    return re.findall(r"\d{4}-\d{2}", _months_line(delivery))


def part(delivery: Path, name: str, months: Sequence[str], most: int | None = None) -> Path:
    """The trips of some months of a delivery, or the first few of them, as a delivery."""
    made = delivery.with_name(f"{delivery.name}-{name}")
    shutil.rmtree(made, ignore_errors=True)
    made.mkdir()
    chosen = ", ".join(f"'{month}'" for month in months)
    own = {"trips": f"service_month IN ({chosen})", "training": f"month IN ({chosen})"}
    trips = _csv(delivery / "trips.csv")
    if most is not None:
        own["trips"] += f" ORDER BY trip_id LIMIT {most}"
    of_trips = f"trip_id IN (SELECT trip_id FROM {trips} WHERE {own['trips']})"
    with duckdb.connect() as con:
        for table in (*TABLES, "training"):
            rows = f"FROM {_csv(delivery / f'{table}.csv')} WHERE {own.get(table, of_trips)}"
            con.execute(f"COPY ({rows}) TO '{made / table}.csv' (HEADER)")
    for settings in ("protocol.toml", "cannulas.toml"):
        shutil.copy(delivery / settings, made)
    text = (delivery / "export.toml").read_text(encoding="utf-8")
    listed = ", ".join(f'"{month}"' for month in months)
    text = text.replace(_months_line(delivery), f"months = [{listed}]")
    kept = [
        line
        for line in text.splitlines()
        if not (found := re.match(r'"?(\d{4}-\d{2})"? *=', line)) or found[1] in months
    ]
    (made / "export.toml").write_text("\n".join(kept) + "\n", encoding="utf-8")
    return made


def protocol_of(delivery: Path, rules: Collection[str], made: Path) -> Path:
    """Write the delivery's protocol with only some of its rules to `made`."""
    text = (delivery / "protocol.toml").read_text(encoding="utf-8")
    tables = re.split(r"(?m)^(?=\[)", text)
    named = [re.match(r"\[version\.rules\.([^\]]+)\]", table) for table in tables]
    kept = [t for t, name in zip(tables, named, strict=True) if not name or name[1] in rules]
    made.write_text("".join(kept), encoding="utf-8")
    return made


def as_parquet(delivery: Path) -> Path:
    """The same delivery with every table as Parquet, numbers as numbers."""
    made = delivery.with_name(f"{delivery.name}-parquet")
    if made.exists():
        return made
    aside = made.with_name(f"{made.name}.new")
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir()
    with duckdb.connect() as con:
        for table in (*TABLES, "training"):
            kinds = "types={'month': 'VARCHAR'}" if table == "training" else "sample_size=-1"
            source = f"read_csv('{delivery / table}.csv', header=true, {kinds})"
            con.execute(f"COPY (FROM {source}) TO '{aside / table}.parquet'")
    for path in delivery.glob("*.toml"):
        shutil.copy(path, aside)
    aside.rename(made)
    return made


SCAN = """
import sys, duckdb
con = duckdb.connect()
for scan in sys.argv[1:]:
    con.execute(scan).fetchall()
"""
"""Runs the statements of `scans` in a process of its own."""


def scans(delivery: Path) -> list[str]:
    """What reading the files costs at least: DuckDB's own scan of every column, as its type."""
    made = []
    for path in sorted(p for p in delivery.iterdir() if p.suffix in (".csv", ".parquet")):
        source = f"'{path}'"
        if path.suffix == ".csv":
            fields = contract.TABLES[path.stem].to_schema().columns
            header = path.open(encoding="utf-8").readline().strip().split(",")
            types = ", ".join(f"'{name}': '{sql_type(fields[name])}'" for name in header)
            source = f"read_csv({source}, auto_detect=false, header=true, columns={{{types}}})"
        made.append(f"SELECT bit_xor(hash(COLUMNS(*))) FROM {source}")
    return made


def _months_line(delivery: Path) -> str:
    text = (delivery / "export.toml").read_text(encoding="utf-8")
    found = re.search(r"^months = \[[^\]]*\]", text, re.MULTILINE)
    assert found is not None
    return found[0]


def _csv(path: Path) -> str:
    return f"read_csv('{path}', all_varchar=true, header=true)"
