"""Trips judged a few at a time, or from rows stored in another order, are judged the same."""

from __future__ import annotations

import shutil
from contextlib import closing
from pathlib import Path

import duckdb
import pytest

from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging import evaluator, trips_to_judge
from pipeline.judging.evaluator import KEPT, judge
from pipeline.store.database import one, open_store

pytestmark = pytest.mark.usefixtures("without_screen")

Found = dict[str, list[tuple[object, ...]]]


@pytest.fixture(scope="module")
def loaded(dirty_delivery: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a delivery that was not judged yet."""
    path = tmp_path_factory.mktemp("ranges") / "store.duckdb"
    with closing(open_store(path)) as con:
        load(con, read_delivery(con, dirty_delivery))
    return path


@pytest.fixture(scope="module")
def whole(loaded: Path) -> Found:
    with closing(open_copy(loaded, "whole")) as con:
        return judged(con)


def open_copy(store: Path, name: str) -> duckdb.DuckDBPyConnection:
    copy = store.parent / name / store.name
    copy.parent.mkdir()
    shutil.copy(store, copy)
    return open_store(copy)


def judged(con: duckdb.DuckDBPyConnection) -> Found:
    judge(con)
    return {t: con.execute(f"FROM judged.{t} ORDER BY ALL").fetchall() for t in KEPT}


def test_trips_are_judged_the_same_in_ranges(
    loaded: Path, whole: Found, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trips_to_judge, "TRIPS_AT_ONCE", 16)
    with closing(open_copy(loaded, "ranges")) as con:
        assert judged(con) == whole
        assert len(trips_to_judge.ranges(con)) > 3
        # nothing is left to judge, and nothing of the last range
        assert judge(con) == 0
        left = "SELECT table_name FROM duckdb_tables() WHERE temporary"
        assert ("charted_now",) not in con.execute(left).fetchall()
    assert all(whole.values())


def test_what_a_stop_leaves_unjudged_is_judged_by_the_next(
    loaded: Path, whole: Found, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each range is kept, or it is not."""
    monkeypatch.setattr(trips_to_judge, "TRIPS_AT_ONCE", 19)
    taken: list[trips_to_judge.Range] = []

    def stops(con: duckdb.DuckDBPyConnection, trips: trips_to_judge.Range) -> str:
        taken.append(trips)
        if len(taken) == 3:
            raise KeyboardInterrupt
        return trips_to_judge.take(con, trips)

    with closing(open_copy(loaded, "stopped")) as con:
        with monkeypatch.context() as patched:
            patched.setattr(evaluator, "take", stops)
            with pytest.raises(KeyboardInterrupt):
                judge(con)
        kept = con.execute("SELECT DISTINCT trip_key FROM judged.verdict ORDER BY 1").fetchall()
        assert len(kept) == 38
        assert kept == con.execute("SELECT trip_key FROM judged.trip_window ORDER BY 1").fetchall()
        assert judged(con) == whole


def test_rows_stored_in_another_order_and_some_trips_anew_are_judged_as_they_were(
    loaded: Path, whole: Found
) -> None:
    """Anew those between others that stay: what is read of them leaves the others out."""
    with closing(open_copy(loaded, "some")) as con:
        con.execute("""
            CREATE TABLE mixed AS FROM delivered.settings ORDER BY hash(line), trip_key;
            DELETE FROM delivered.settings;
        """)
        con.execute("INSERT INTO delivered.settings FROM mixed; DROP TABLE mixed")
        assert judged(con) == whole
        for table in KEPT:
            con.execute(f"DELETE FROM judged.{table} WHERE trip_key % 3 = 1")
        (missing,) = one(con, "SELECT count(*) FROM delivered.holding WHERE trip_key % 3 = 1")
        assert judge(con) == missing > 3
        assert {t: con.execute(f"FROM judged.{t} ORDER BY ALL").fetchall() for t in KEPT} == whole
