"""A store looked into, or changed, behind the program's back.

It is attached to the one database of this process: to make a database takes four times as long as
to open a store in it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import duckdb


@cache
def _database() -> duckdb.DuckDBPyConnection:
    return duckdb.connect(config={"threads": 1})


@contextmanager
def attached(store: Path, *, read_only: bool = True) -> Iterator[duckdb.DuckDBPyConnection]:
    """The store's tables, until the block ends."""
    con = _database()
    path = str(store).replace("'", "''")
    con.execute(f"ATTACH '{path}' AS store{' (READ_ONLY)' if read_only else ''}; USE store")
    try:
        yield con
    finally:
        con.execute("USE memory; DETACH store")


def ask(store: Path, sql: str) -> list[tuple[Any, ...]]:
    """The rows of a query."""
    with attached(store) as con:
        return con.execute(sql).fetchall()


def tamper(store: Path, sql: str) -> None:
    """Run statements that change it."""
    with attached(store, read_only=False) as con:
        con.execute(sql)
