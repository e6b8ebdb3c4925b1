"""The same tables give the same stored rows, by whichever reader and with whatever resources."""

from __future__ import annotations

import shutil
from contextlib import closing
from pathlib import Path

import duckdb
import pytest

from pipeline.files import delimited
from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.store.database import open_store
from schemas.contract import TABLES
from schemas.stored import CHILD_TABLES

pytestmark = pytest.mark.usefixtures("without_screen")

RAGGED = "T,0\n"


def shuffled(delivery: Path, into: Path, kind: str) -> Path:
    """The delivery with the rows of each trip's tables in an order of no meaning, as `kind`."""
    shutil.copytree(delivery, into)
    for table in TABLES:
        file = into / f"{table}.csv"
        if not file.exists():
            continue
        source = f"read_csv('{file}', all_varchar=true, header=true)"
        order = "order by hash(t), t" if table in CHILD_TABLES else ""
        con = duckdb.connect()
        con.execute(f"create table rows as from {source} t {order}")
        if kind == "parquet":
            file.unlink()
            con.execute(f"copy rows to '{file.with_suffix('.parquet')}'")
            continue
        con.execute(f"copy rows to '{file}' (header)")
        if table in CHILD_TABLES and kind != "csv":
            with file.open("a", encoding="utf-8") as more:
                more.write(RAGGED)
    return into


def stored(
    delivery: Path, into: Path, *, threads: int | None = None, memory: str | None = None
) -> dict[str, list[tuple[object, ...]]]:
    """The rows of every table of trips, in the order they are stored in, without their lines."""
    with closing(open_store(into, threads=threads, memory_limit=memory)) as con:
        if memory:
            con.execute("SET debug_force_external = true")
        load(con, read_delivery(con, delivery))
        return {
            table: con.execute(
                f"select * exclude (line) from delivered.{table} order by rowid"
            ).fetchall()
            for table in ("trips", *CHILD_TABLES)
        }


def test_reader_threads_and_memory_change_no_row(
    clean_delivery: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    csv = shuffled(clean_delivery, tmp_path / "csv", "csv")
    first = stored(csv, tmp_path / "first.duckdb", threads=1)
    assert all(first.values())
    for threads, memory in ((2, None), (4, "100MB")):
        found = stored(csv, tmp_path / f"{threads}.duckdb", threads=threads, memory=memory)
        assert found == first
    parquet = shuffled(clean_delivery, tmp_path / "parquet", "parquet")
    assert stored(parquet, tmp_path / "parquet.duckdb") == first
    ragged = shuffled(clean_delivery, tmp_path / "ragged", "ragged")
    assert stored(ragged, tmp_path / "lines.duckdb") == first
    monkeypatch.setattr(delimited, "lines_rows", lambda *_: None)
    assert stored(ragged, tmp_path / "slow.duckdb") == first
