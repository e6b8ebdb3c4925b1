"""A small store is worked on by one thread; a large delivery or store by all processors."""

from pathlib import Path

import pytest

from pipeline.store import database
from pipeline.store.database import enough_threads, one, open_store


def threads(con: object) -> int:
    return int(one(con, "SELECT current_setting('threads')")[0])  # type: ignore[arg-type]


def test_threads_are_those_the_work_is_worth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "store.duckdb"
    con = open_store(path)
    con.execute("SET threads = 3")
    enough_threads(con, 1000)
    assert threads(con) == 3  # a small delivery changes nothing
    con.close()
    con = open_store(path)
    assert threads(con) == 1
    monkeypatch.setattr(database, "LARGE_DELIVERY_BYTES", 999)
    con.execute("SET threads = 3")
    enough_threads(con, 1000)
    everything = threads(con)
    con.close()
    monkeypatch.setattr(database, "SMALL_STORE_BYTES", path.stat().st_size - 1)
    con = open_store(path)
    assert threads(con) == everything
    con.close()
    con = open_store(path, threads=2)
    assert threads(con) == 2
    con.close()
