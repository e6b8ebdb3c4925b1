"""Results that are heavy to make, kept in the store under what they were made from.

They are no part of the history: a store without them gives the same pages, more slowly.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import duckdb

_LAYOUT = """
    CREATE SCHEMA IF NOT EXISTS kept;
    CREATE TABLE IF NOT EXISTS kept.result (
        name VARCHAR NOT NULL, made_from VARCHAR NOT NULL, content VARCHAR NOT NULL
    )
"""


def made_from_hash(*parts: Any) -> str:
    """One hash over parts that JSON can write, in their order."""
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"), allow_nan=True)
    return hashlib.sha256(text.encode()).hexdigest()


def kept(con: duckdb.DuckDBPyConnection, name: str, made_from: str, make: Callable[[], Any]) -> Any:
    """What `make` gives, or what it gave when `name` was made from the same.

    The result must be what JSON gives back as it was (lists, not tuples; texts as keys). One result
    is kept under each name, the latest. A store open for reading only keeps nothing.
    """
    found = _found(con, name, made_from)
    if found is not None:
        return json.loads(found)
    made = make()
    if writable(con):
        con.execute(_LAYOUT)
        con.execute("DELETE FROM kept.result WHERE name = ?", [name])
        content = json.dumps(made, separators=(",", ":"))
        con.execute("INSERT INTO kept.result VALUES (?, ?, ?)", [name, made_from, content])
    return made


def _found(con: duckdb.DuckDBPyConnection, name: str, made_from: str) -> str | None:
    there = "SELECT 1 FROM duckdb_tables() WHERE schema_name = 'kept' AND table_name = 'result'"
    if not con.execute(there).fetchall():
        return None
    asked = "SELECT content FROM kept.result WHERE name = ? AND made_from = ?"
    rows = con.execute(asked, [name, made_from]).fetchall()
    return str(rows[0][0]) if rows else None


def writable(con: duckdb.DuckDBPyConnection) -> bool:
    """Whether the store at hand may be written."""
    asked = "SELECT readonly FROM duckdb_databases() WHERE database_name = current_database()"
    return not any(bool(only) for (only,) in con.execute(asked).fetchall())
