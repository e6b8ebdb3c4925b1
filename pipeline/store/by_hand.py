"""What people said of trips and limits, for the rooms that read it through the store."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.store.followup_tables import has_table

if TYPE_CHECKING:
    import duckdb


def added_trips(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Tokens of the trips that somebody added by hand for reading, sorted."""
    return [key for key, *_ in _standing(con, "added")]


def approvals(con: duckdb.DuckDBPyConnection) -> dict[str, tuple[str, str]]:
    """Who approved which protocol version and in which month, by its id."""
    return {key: (by, month) for key, by, month in _standing(con, "approval")}


def _standing(con: duckdb.DuckDBPyConnection, thing: str) -> list[tuple[str, str, str]]:
    if not has_table(con, "move"):
        return []
    return con.execute(
        "SELECT key, recorded_by, month FROM loop.move WHERE thing = ?"
        " QUALIFY move_no = max(move_no) OVER (PARTITION BY key) ORDER BY key",
        [thing],
    ).fetchall()
