"""The tables of the follow-up: made when first needed, so that an older store opens as it is."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from typing import Any

from pipeline.errors import refused
from pipeline.store.answers_view import VIEWS
from pipeline.store.database import one, table_ddl
from schemas.connection import Connection

AT_ONCE = 200
"""Rows put into one statement."""

_VIEWS_MADE = hashlib.sha256("".join(VIEWS).encode()).hexdigest()
"""What is noted at a table where the views are as this program makes them: to make them anew takes
longer than most of what is then stored."""


def ensure_followup_tables(con: Connection) -> None:
    """Create what is missing of the schema `loop`; part of the transaction at hand, if any."""
    from schemas.followup import FOLLOWUP_TABLES

    rows = con.execute("SELECT table_name, comment FROM duckdb_tables() WHERE schema_name = 'loop'")
    existing = dict(rows.fetchall())
    if existing.keys() >= FOLLOWUP_TABLES.keys() and existing["ledger"] == _VIEWS_MADE:
        return
    con.execute("CREATE SCHEMA IF NOT EXISTS loop")
    for name, schema in FOLLOWUP_TABLES.items():
        if name not in existing:
            con.execute(table_ddl(f"loop.{name}", schema))
    for view in VIEWS:
        con.execute(view)
    con.execute(f"COMMENT ON TABLE loop.ledger IS '{_VIEWS_MADE}'")


def has_followup_tables(con: Connection) -> bool:
    """Whether this store keeps a ledger; those open for reading only may not."""
    return has_table(con, "ledger")


def has_table(con: Connection, name: str) -> bool:
    """Whether the table `name` of the follow-up is there: an older store lacks what came later."""
    (tables,) = one(
        con,
        "SELECT count(*) FROM duckdb_tables() WHERE schema_name = 'loop' AND table_name = ?",
        [name],
    )
    return bool(tables)


def insert(con: Connection, table: str, rows: Iterable[Sequence[Any]]) -> None:
    """Add rows of few and human-made things to a table of the follow-up."""
    for some in batched(rows, AT_ONCE):
        marks = ", ".join(f"({', '.join('?' for _ in row)})" for row in some)
        cells = [cell for row in some for cell in row]
        con.execute(f"INSERT INTO loop.{table} VALUES {marks}", cells)


def batched(rows: Iterable[Sequence[Any]], size: int) -> Iterator[list[Sequence[Any]]]:
    """The rows in lists of at most `size`."""
    left = iter(rows)
    while some := list(islice(left, size)):
        yield some


def next_number(con: Connection, table: str, column: str) -> int:
    """The next number of a numbered table."""
    return int(one(con, f"SELECT coalesce(max({column}), 0) + 1 FROM loop.{table}")[0])


def service_of(con: Connection) -> str:
    """Token of the store's service; empty before the first delivery."""
    return str(one(con, "SELECT coalesce(min(service), '') FROM delivered.delivery")[0])


def check_judged(con: Connection) -> None:
    """Refused if no review has judged a trip of this store yet."""
    (tables,) = one(
        con,
        "SELECT count(*) FROM duckdb_tables() WHERE schema_name = 'judged'"
        " AND table_name = 'verdict'",
    )
    if not tables:
        raise refused("not-reviewed", None, "no trip of this store has been judged yet")
