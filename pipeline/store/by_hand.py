"""What people said of trips and limits, for the rooms that read it through the store."""

from __future__ import annotations

from pipeline.store.followup_tables import has_table
from schemas.connection import Connection


def added_trips(con: Connection) -> list[str]:
    """Tokens of the trips that somebody added by hand for reading, sorted."""
    return [key for key, *_ in _standing(con, "added")]


def approvals(con: Connection) -> dict[str, tuple[str, str]]:
    """Who approved which protocol version and in which month, by its id."""
    return {key: (by, month) for key, by, month in _standing(con, "approval")}


def _standing(con: Connection, thing: str) -> list[tuple[str, str, str]]:
    if not has_table(con, "move"):
        return []
    return con.execute(
        "SELECT key, recorded_by, month FROM loop.move WHERE thing = ?"
        " QUALIFY move_no = max(move_no) OVER (PARTITION BY key) ORDER BY key",
        [thing],
    ).fetchall()
