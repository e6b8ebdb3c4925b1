"""Pieces of SQL that every room needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.connection import Connection
from schemas.contract import sheet_name

if TYPE_CHECKING:
    from schemas.frame import Frame

FEW = 40
"""So many trips are named in a question, so that nothing of others is looked at."""


def quoted(name: str) -> str:
    """Return a name as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """Return a text as an SQL literal."""
    return "'" + text.replace("'", "''") + "'"


def make_table(con: Connection, name: str, frame: Frame) -> None:
    """Make a temporary table of a frame's rows."""
    rows = frame.for_database()  # noqa: F841 - the database finds it by its name
    con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS FROM rows")


def in_table(con: Connection, table: str) -> str:
    """SQL: that the trip_id before it is among those of `table`; by name where they are few."""
    rows = con.execute(f"SELECT DISTINCT trip_id FROM {table} LIMIT {FEW + 1}").fetchall()
    if len(rows) > FEW:
        return f"IN (SELECT trip_id FROM {table})"
    return f"IN ({', '.join(sorted(literal(trip) for (trip,) in rows)) or 'NULL'})"


def is_file_of(table: str, file: str) -> str:
    """SQL: whether `file`, as `delivered.file` names it, is the one that held `table`."""
    sheet = f"replace('{sheet_name('?')}', '?', {table})"
    return f"{file} IN ({table} || '.csv', {table} || '.parquet', {sheet})"
