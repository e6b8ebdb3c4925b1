"""Puts a generated delivery straight into a store's tables, past the file formats.

What the readers make of files is tested on its own; here thousands of deliveries are judged, and
writing and reading each of them would be most of the time.
"""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import duckdb

from pipeline.judging.evaluator import judge
from pipeline.store.database import create_layout
from schemas.protocol import ProtocolVersion
from schemas.stored import CHILD_TABLES

Delivery = dict[str, Any]


def fresh_store() -> duckdb.DuckDBPyConnection:
    con = duckdb.connect(config={"threads": 1})
    create_layout(con)
    return con


@cache
def _store() -> duckdb.DuckDBPyConnection:
    return fresh_store()


def judged(delivery: Delivery) -> duckdb.DuckDBPyConnection:
    """The one store of this process, holding and having judged nothing but `delivery`."""
    con = _store()
    empty(con)
    put(con, delivery)
    judge(con)
    return con


def empty(con: duckdb.DuckDBPyConnection) -> None:
    names = con.execute(
        "SELECT schema_name, table_name FROM duckdb_tables()"
        " WHERE schema_name IN ('delivered', 'judged') AND table_name <> 'layout'"
    ).fetchall()
    for schema, name in names:
        if schema == "judged":
            con.execute(f"DROP TABLE judged.{name}")
        else:
            con.execute(f"DELETE FROM delivered.{name}")


def put(con: duckdb.DuckDBPyConnection, delivery: Delivery) -> None:
    """Store `delivery` as delivery 1, every readable row kept, lost rows as lost."""
    export, tables = delivery["export"], delivery["tables"]
    _put_delivery(con, export)
    keys = {row["trip_id"]: key for key, row in enumerate(tables["trips"], 1)}
    _insert(con, "trips", [
        {**row, "trip_key": keys[row["trip_id"]], "delivery_no": 1, "line": line}
        for line, row in enumerate(tables["trips"], 2)
    ])  # fmt: skip
    lost = [row for row in delivery.get("lost", []) if row["trip_id"] in keys]
    for table in CHILD_TABLES:
        if table not in export.get("not_recorded", []):
            own = [row for row in lost if row["table"] == table]
            _put_child(con, table, tables.get(table, []), own, keys)
    _insert(con, "cannula", [
        {"carried": True, **entry, "delivery_no": 1} for entry in delivery["cannulas"]["cannula"]
    ])  # fmt: skip
    for number, version in enumerate(delivery["protocol"]["version"], 1):
        read = ProtocolVersion.model_validate(version)
        con.execute(
            "INSERT INTO delivered.protocol_version VALUES (?, ?, ?, ?, NULL, NULL, 'demo')",
            [number, read.id, read.from_month, json.dumps(read.model_dump(), sort_keys=True)],
        )


def _put_delivery(con: duckdb.DuckDBPyConnection, export: dict[str, Any]) -> None:
    resolution = export["time_resolution_s"]
    row = {
        "delivery_no": 1, "content_hash": "h", "service": "demo", "contract": 1,
        "privacy_basis": "limited-data-set", "months": export["months"],
        **{f"res_{name}": resolution.get(name) for name in
           ("trips", "settings", "device_events", "observations", "contacts")},
        "max_offset_s": export.get("device_clock", {}).get("max_offset_s", 900),
        "not_recorded": sorted(export.get("not_recorded", [])),
    }  # fmt: skip
    columns = ", ".join(row)
    marks = ", ".join("?" * len(row))
    con.execute(f"INSERT INTO delivered.delivery ({columns}) VALUES ({marks})", list(row.values()))
    con.execute("INSERT INTO delivered.receipt VALUES (1, 1)")


def _put_child(
    con: duckdb.DuckDBPyConnection,
    table: str,
    rows: list[dict[str, Any]],
    lost: list[dict[str, Any]],
    keys: dict[str, int],
) -> None:
    in_file: list[tuple[bool, dict[str, Any]]] = [(True, row) for row in rows]
    for row in sorted(lost, key=lambda row: int(row["position"])):
        in_file.insert(row["position"], (False, row))
    placed = [
        (kept, {**row, "trip_key": keys[row["trip_id"]], "line": line})
        for line, (kept, row) in enumerate(in_file, 2)
        if row["trip_id"] in keys
    ]
    _insert(con, table, [row for kept, row in placed if kept])
    _insert(con, "lost", [
        {"trip_key": row["trip_key"], "table_name": table, "line": row["line"], "at_s": row["at_s"]}
        for kept, row in placed if not kept
    ])  # fmt: skip


def _insert(con: duckdb.DuckDBPyConnection, table: str, rows: list[dict[str, Any]]) -> None:
    """Insert all rows in one statement; a column that a row does not name is null."""
    if rows:
        con.execute(
            f"INSERT INTO delivered.{table}"
            f" SELECT unnest(from_json(?, '{_structure(table)}'), max_depth := 2)",
            [json.dumps(rows)],
        )


@cache
def _structure(table: str) -> str:
    """The columns of a stored table with their types, as JSON is to be read."""
    columns = _store().execute(
        "SELECT column_name, data_type FROM duckdb_columns() WHERE schema_name = 'delivered'"
        " AND table_name = ? ORDER BY column_index", [table]).fetchall()  # fmt: skip
    return json.dumps([dict(columns)])
