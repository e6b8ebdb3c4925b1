"""The store's tables are the pandera schemas', and what is stored keeps to them."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipeline.store.database import open_store, sql_type
from schemas.contract import TABLES
from schemas.stored import STORED, stored_as

from . import small_delivery

pytestmark = pytest.mark.usefixtures("without_screen")


SPELLED = {"TEXT": "VARCHAR", "INT": "INTEGER"}


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stored")
    path = folder / "store.duckdb"
    changes = small_delivery.swap("settings", ",8,0.4", ",eight,0.4") | small_delivery.swap(
        "crew", "T2", "T9"
    )
    small_delivery.store(path, small_delivery.write(folder / "d", **changes))
    return path


@pytest.mark.parametrize("table", STORED)
def test_the_store_has_the_schema_and_every_column_is_described(loaded: Path, table: str) -> None:
    schema = STORED[table]
    found = small_delivery.ask(loaded, f"select column_name, column_type, \"null\" from"
                            f" (describe delivered.{table})")  # fmt: skip
    wanted = [
        (name, SPELLED.get(sql_type(c), sql_type(c)), "YES" if c.nullable else "NO")
        for name, c in schema.columns.items()
    ]
    assert found == wanted
    assert schema.description
    assert all(column.description for column in schema.columns.values())


@pytest.mark.parametrize("table", ["trips", "settings", "device_events", "contacts", "training"])
def test_what_is_stored_keeps_to_the_contract_s_checks(loaded: Path, table: str) -> None:
    con = open_store(loaded, create=False, read_only=True)
    frame: duckdb.DuckDBPyRelation = con.sql(f"from delivered.{table}")
    assert len(frame.fetchall()) > 0
    for name, column in TABLES[table].to_schema().columns.items():
        if name == "trip_id" and table != "trips":
            continue
        for check in column.checks:
            low, high = check.statistics.get("min_value"), check.statistics.get("max_value")
            codes = check.statistics.get("allowed_values")
            values = [v for (v,) in con.sql(f'select "{name}" from delivered.{table}').fetchall()]
            known = [value for value in values if value is not None]
            assert column.nullable or len(known) == len(values)
            assert all(low is None or value >= low for value in known)
            assert all(high is None or value <= high for value in known)
            assert all(codes is None or value in codes for value in known)
    con.close()


def test_every_table_of_the_contract_is_kept() -> None:
    for table, model in TABLES.items():
        kept = set(STORED[stored_as(table)].columns)
        assert set(model.to_schema().columns) - kept <= {"trip_id"}
        assert "line" in kept
