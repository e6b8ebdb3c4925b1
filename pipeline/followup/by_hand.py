"""`tailrace add` and `tailrace approve`: what a person says of a trip, or of the limits."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import refused
from pipeline.followup.moves import Move, month_under_review, move, standing
from pipeline.followup.screen_text import check_by, check_text
from pipeline.store.database import one, transaction
from pipeline.store.followup_tables import check_judged, ensure_followup_tables
from pipeline.store.session import store_in
from schemas.connection import Connection


def add(folder: Path, trip_id: str, why: str, by: str | None = None) -> str:
    """Have a trip read although nothing may be flagged; what was done, in words.

    Refused for a trip the store does not have, and for words that look like a person.
    """
    check_by(by)
    with store_in(folder) as con:
        check_judged(con)
        with transaction(con):
            ensure_followup_tables(con)
            month = add_trip(con, trip_id, why, by)
    return f"{trip_id} of {month} is to be read: it stands in the list of its month."


def add_trip(con: Connection, trip_id: str, why: str, by: str | None) -> str:
    """Store it; in a transaction. The trip's month."""
    rows = con.execute(
        "SELECT service_month, base FROM delivered.holding h JOIN delivered.trips USING (trip_key)"
        " WHERE h.trip_id = ?", [trip_id],
    ).fetchall()  # fmt: skip
    if not rows:
        what = "the store has no such trip"
        raise refused("no-such-trip", None, what, column="TRIP")
    if not why.strip():
        raise refused("not-a-move", None, "it needs a word on why", column="--why")
    check_text(con, {"--why": why})
    month, base = rows[0]
    move(con, Move("added", trip_id, "added", month_under_review(con), by, trip_id=trip_id,
                   base=base, what=why.strip()))  # fmt: skip
    return str(month)


def approve(folder: Path, version: str, by: str) -> str:
    """Approve a protocol version's limits; what was done, in words.

    Refused for a version the store does not have; approved before, it is said and left as it is.
    """
    check_by(by)
    with store_in(folder) as con, transaction(con):
        ensure_followup_tables(con)
        new = approve_version(con, version, by)
    done = f"are approved by {by}" if new else "were approved before"
    return f"The limits of protocol version {version} {done}."


def approve_version(con: Connection, version: str, by: str) -> bool:
    """Store it; in a transaction. False if it was approved before."""
    known = con.execute("SELECT id, approved_by FROM delivered.protocol ORDER BY id").fetchall()
    if version not in dict(known):
        what = f'the store has no protocol version "{version[:64]}"'
        remedy = f"Name one of {', '.join(name for name, _ in known) or 'those delivered'}."
        raise refused("no-such-version", None, what, column="VERSION", remedy=remedy)
    if dict(known)[version] or standing(con, "approval", version):
        return False
    return move(con, Move("approval", version, "approved", month_under_review(con), by))


def versions_to_approve(con: Connection) -> list[str]:
    """Protocol versions whose limits nobody has approved."""
    rows = con.execute("""
        SELECT id FROM delivered.protocol WHERE approved_by IS NULL AND id NOT IN (
            SELECT key FROM loop.standing WHERE thing = 'approval') ORDER BY id
    """).fetchall()
    return [version for (version,) in rows]


def approved_everything(con: Connection, month: str) -> bool:
    """Whether the limits that judged a month's trips are all approved."""
    (unapproved,) = one(con, """
        SELECT count(*) FROM (SELECT DISTINCT protocol_no FROM judged.trip_window
                              WHERE service_month = ?) w
        JOIN delivered.protocol p USING (protocol_no)
        WHERE p.approved_by IS NULL AND p.id NOT IN (
            SELECT key FROM loop.standing WHERE thing = 'approval')""", [month])  # fmt: skip
    return not unapproved
