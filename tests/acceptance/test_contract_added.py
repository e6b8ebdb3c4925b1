"""What the contract gained: optional in a delivery, and without a trace where it is absent."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from pipeline.ingest.delivery import read_delivery
from pipeline.review import review
from pipeline.store.content_hash import contents
from pipeline.store.database import LAYOUT_VERSION, create_layout, open_store
from pipeline.store.ledger import content_digests
from schemas.contract import ADDED, TABLES
from schemas.stored import STORED

from . import small_delivery

pytestmark = pytest.mark.usefixtures("without_screen")


LISTED = "trip_id,service_month,base\n007,2026-01,b1\nT2,2026-01,b1\nT9,2026-01,b2\nT3,2026-02,\n"
KEYS = "SELECT trip_key FROM delivered.trips"


def layout_3(path: Path) -> None:
    """Turn a store into what the layout before left of the same delivery."""
    con = open_store(path)
    con.execute("DROP VIEW delivered.missing_trip; DROP TABLE delivered.expected_trip")
    for table, columns in ADDED.items():
        for column in columns:
            con.execute(f"ALTER TABLE delivered.{table} DROP COLUMN {column}")
    con.execute("UPDATE delivered.layout SET version = 3")
    con.close()


def shape(path: Path) -> list[tuple[object, ...]]:
    return small_delivery.ask(
        path,
        "SELECT table_name, column_name, data_type, is_nullable FROM duckdb_columns()"
        " WHERE schema_name = 'delivered' ORDER BY table_name, column_index",
    )


def test_a_store_of_the_layout_before_is_brought_to_this_one(tmp_path: Path) -> None:
    """Same columns in the same places as a new store; marks and digests of trips as they were."""
    path, fresh = tmp_path / "store.duckdb", tmp_path / "fresh.duckdb"
    small_delivery.store(path, small_delivery.write(tmp_path / "d"))
    asked = f"SELECT trip_key, content FROM ({contents(f'({KEYS})')}) ORDER BY ALL"
    before, marks = small_delivery.ask(path, asked), digests(path)
    layout_3(path)
    open_store(path).close()
    con = open_store(fresh)
    con.close()
    assert shape(path) == shape(fresh)
    assert small_delivery.ask(path, "SELECT version FROM delivered.layout") == [(LAYOUT_VERSION,)]
    assert small_delivery.ask(path, asked) == before
    assert digests(path) == marks
    assert small_delivery.ask(path, "SELECT count(*) FROM delivered.missing_trip") == [(0,)]


def digests(path: Path) -> dict[str, list[object]]:
    con = open_store(path, create=False, read_only=True)
    try:
        return content_digests(con, KEYS)
    finally:
        con.close()


def test_an_empty_added_column_leaves_the_digests_of_a_row_as_they_were() -> None:
    """The digest of 0.1.0 over the columns it had; another one where an added column is filled."""
    import duckdb

    con = duckdb.connect()
    create_layout(con)
    con.execute(
        "INSERT INTO delivered.observations (trip_key, line, at_s, spo2_pct) VALUES (1, 2, 0, 90)"
    )
    own = [c for c in STORED["observations"].columns if c not in ADDED["observations"]]
    ((before,),) = con.execute(
        f"SELECT bit_xor(hash({', '.join(own)})) FROM delivered.observations"
    ).fetchall()
    assert content_digests(con, "SELECT 1 AS trip_key")["observations"] == [
        1,
        f"{before:016x}",
    ]
    mark = content_digests(con, "SELECT 1 AS trip_key")["observations"]
    con.execute("UPDATE delivered.observations SET care = 'suction'")
    assert content_digests(con, "SELECT 1 AS trip_key")["observations"] != mark


@pytest.mark.usefixtures("with_screen")
def test_added_columns_are_the_last_and_may_be_absent_without_a_word(tmp_path: Path) -> None:
    for table, columns in ADDED.items():
        named = list(TABLES[table].to_schema().columns)
        assert tuple(named[-len(columns) :]) == columns
    con = open_store(tmp_path / "store.duckdb")
    staged = read_delivery(con, small_delivery.write(tmp_path / "d"))
    sentence = " ".join(what for _, what in staged.mentions)
    con.close()
    assert "absent" in sentence, "of the columns that were there from the first"
    assert not [c for columns in ADDED.values() for c in columns if c in sentence]


def test_a_wrong_cell_of_an_added_column_sets_its_row_aside(tmp_path: Path) -> None:
    trips = "trip_id,service_month,base,vehicle,diagnosis_group,outcome_24h,blend_ordered\n"
    trips += "007,2026-01,b1,ground,croup,arrest,\nT2,2026-01,b1,ground,croup,,perhaps\n"
    observations = "trip_id,at_s,care\nT3,0,prayed\n"
    folder = small_delivery.write(
        tmp_path / "d", trips=f"{trips}T3,2026-02,b1,ground,croup,,\n", observations=observations
    )
    assert {place[:3] for place in small_delivery.aside(folder)} >= {
        ("trips.csv", 2, "outcome_24h"), ("trips.csv", 3, "blend_ordered"),
        ("observations.csv", 2, "care"),
    }  # fmt: skip


def listed(folder: Path, text: str = LISTED) -> Path:
    small_delivery.write(folder)
    (folder / "expected.csv").write_text(text, encoding="utf-8")
    return folder


def test_a_list_of_expected_trips_names_those_that_are_missing(tmp_path: Path) -> None:
    """Its counts outweigh those of export.toml; a month it does not list keeps its number."""
    delivery, path = listed(tmp_path / "d"), tmp_path / "out" / "store.duckdb"
    review(delivery, tmp_path / "out", month="2026-01")
    assert small_delivery.ask(
        path, "SELECT month, trips FROM delivered.expected_holding ORDER BY 1"
    ) == [
        ("2026-01", 3),
        ("2026-02", 1),
    ]
    problems = pd.read_csv(tmp_path / "out" / "2026-01" / "data" / "problems.csv")
    missing = problems[problems["kind"] == "missing_trip"]
    assert missing[["trip_id", "file", "line"]].values.tolist() == [["T9", "expected.csv", 4]]
    page = (tmp_path / "out" / "2026-01" / "index.html").read_text(encoding="utf-8")
    assert "trip T9 of base b2" in page


def test_a_missing_trip_is_no_longer_missing_once_it_came(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    small_delivery.store(path, listed(tmp_path / "a"))
    asked = "SELECT trip_id FROM delivered.missing_trip"
    assert small_delivery.ask(path, asked) == [("T9",)]
    late = small_delivery.write(
        tmp_path / "b",
        trips="trip_id,service_month,base,vehicle,diagnosis_group\nT9,2026-01,b2,ground,croup\n",
        **{
            name: small_delivery.TABLES[name][1:].split("\n")[0] + "\n"
            for name in small_delivery.TABLES
            if name != "trips"
        },
    )
    small_delivery.store(path, late)
    assert small_delivery.ask(path, asked) == []


def test_a_row_of_the_list_that_is_set_aside_still_counts(tmp_path: Path) -> None:
    """It is a trip of the log whose name cannot be read: the month is not thought complete."""
    text = LISTED.replace("T9,2026-01,b2", "T9,2026-01," + "b" * 65)
    path = tmp_path / "store.duckdb"
    small_delivery.store(path, listed(tmp_path / "d", text))
    assert small_delivery.ask(
        path, "SELECT trips FROM delivered.expected WHERE month = '2026-01'"
    ) == [(3,)]
    assert small_delivery.ask(path, "SELECT count(*) FROM delivered.missing_trip") == [(0,)]


def test_a_month_of_the_list_that_the_delivery_does_not_cover_refuses(tmp_path: Path) -> None:
    folder = listed(tmp_path / "d", LISTED + "T4,2026-07,b1\n")
    assert small_delivery.only(small_delivery.refusals(folder)).code == "wrong-month"


@pytest.mark.usefixtures("with_screen")
def test_a_month_with_few_of_the_trips_listed_is_doubtful(tmp_path: Path) -> None:
    """Two of five came; export.toml says three, which the list outweighs."""
    more = "".join(f"X{n},2026-01,b1\n" for n in range(2))
    con = open_store(tmp_path / "store.duckdb")
    for name, text, doubtful in (("a", LISTED, False), ("b", LISTED + more, True)):
        staged = read_delivery(con, listed(tmp_path / name, text))
        sentence = [problem.code for problem in staged.doubtful(con)]
        assert ("few-trips" in sentence) == doubtful
    con.close()
