"""What is stored of a delivery while it is looked through goes where it is refused."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from threading import Event

import duckdb
import pytest

from pipeline.errors import Refused
from pipeline.ingest import load as loading
from pipeline.ingest import places
from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.early_rows import EarlyRows
from pipeline.ingest.load import RowsStoredEarly, load, rows_stored_early
from pipeline.store.database import open_store

from . import small_delivery


def rows_in(path: Path) -> dict[str, int]:
    """How many rows some of the kept tables have."""
    tables = ("trips", "crew", "observations", "receipt")
    sql = " union all ".join(f"select '{t}', count(*) from delivered.{t}" for t in tables)
    return dict(small_delivery.ask(path, sql))


def test_rows_stored_ahead_are_taken_back_where_the_delivery_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "store.duckdb"
    small_delivery.store(path, small_delivery.write(tmp_path / "a"))
    before = rows_in(path)
    named = small_delivery.write(
        tmp_path / "b", **small_delivery.swap("crew", "c1", "born 1990-01-02")
    )
    monkeypatch.setattr(places, "LONG_FILE_BYTES", 0)
    stored: list[str] = []
    insert, wait, waiting = loading._insert_table, EarlyRows.wait, Event()

    def inserted(con: duckdb.DuckDBPyConnection, table: str, keys: dict[str, str]) -> int:
        stored.append(table)
        return insert(con, table, keys)

    def waits(self: RowsStoredEarly) -> None:
        waiting.set()
        wait(self)

    def ends_late(self: RowsStoredEarly) -> None:
        if self.con:
            assert waiting.wait(60)
        end(self)

    end = EarlyRows.end
    with closing(open_store(path, threads=2)) as con:
        with monkeypatch.context() as patched, rows_stored_early(con) as early:
            patched.setattr(loading, "_insert_table", inserted)
            patched.setattr(EarlyRows, "wait", waits)
            patched.setattr(EarlyRows, "end", ends_late)
            with pytest.raises(Refused):
                read_delivery(con, named, early=early)
            assert early.con is None
        assert {*stored} == {"device_events", "observations"}, "no text before the screen"
        second = small_delivery.write(tmp_path / "c", **small_delivery.swap("trips", "8.4", "8.6"))
        with rows_stored_early(con) as early:
            loaded = load(con, read_delivery(con, second, early=early), begun=early)
    assert (loaded.delivery_no, loaded.new) == (2, True)
    assert all(rows_in(path)[name] == 2 * before[name] for name in before)
