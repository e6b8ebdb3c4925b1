"""What somebody has begun to write: kept in the store until it is saved, not in the browser."""

from __future__ import annotations

import json

from schemas.connection import Connection

LARGEST = 64 * 1024
Fields = dict[str, list[str]]
"""What stands in a form: each field with its values."""


def draft_of(con: Connection, by: str, place: str) -> tuple[str, Fields] | None:
    """The mark a draft was begun with, and what stands in it; None without one."""
    rows = con.execute(
        "SELECT seen, fields FROM loop.draft WHERE recorded_by = ? AND place = ?", [by, place]
    ).fetchall()
    if not rows:
        return None
    return str(rows[0][0] or ""), json.loads(rows[0][1])


def keep_draft(con: Connection, by: str, place: str, seen: str, fields: Fields) -> None:
    """Keep what stands in a form in place of what was kept of it; in a transaction."""
    drop_draft(con, by, place)
    text = json.dumps(fields, ensure_ascii=False)
    if len(text) <= LARGEST:
        con.execute("INSERT INTO loop.draft VALUES (?, ?, ?, ?)", [by, place, seen, text])


def drop_draft(con: Connection, by: str, place: str) -> None:
    """Forget a draft, once it is saved or given up; in a transaction."""
    con.execute("DELETE FROM loop.draft WHERE recorded_by = ? AND place = ?", [by, place])
