"""Trips that come after their month was delivered: the next review says so."""

from __future__ import annotations

from pathlib import Path

from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.month.gather import late_trips
from pipeline.store.database import open_store

from . import reviewed_store


def test_only_new_trips_of_a_month_that_was_there_are_late(
    clean_delivery: Path, tmp_path: Path
) -> None:
    january = [t for t, m in reviewed_store.trips_of(clean_delivery) if m == "2026-01"]
    february = [t for t, m in reviewed_store.trips_of(clean_delivery) if m == "2026-02"]
    first = reviewed_store.delivery_like(
        clean_delivery, tmp_path / "a", without=[*january[:2], *february]
    )
    second = reviewed_store.delivery_like(clean_delivery, tmp_path / "b", without=january[2:])
    con = open_store(tmp_path / "store.duckdb", threads=1)
    try:
        load(con, read_delivery(con, first))
        assert late_trips(con, "2026-02") == {}
        load(con, read_delivery(con, second))
        assert late_trips(con, "2026-02") == {"2026-01": 2}
        assert late_trips(con, "2026-01") == {}
        load(con, read_delivery(con, clean_delivery))
        assert late_trips(con, "2026-03") == {}
    finally:
        con.close()
