"""The second reading: asked for or drawn, blind to the first, compared once both are there."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import refused, usage
from pipeline.followup.moves import Move, month_under_review, move, standing
from pipeline.followup.screen_text import check_by, check_text
from pipeline.followup.states import AGREED, ASKED, DIFFERS, SETTLED, Facts
from pipeline.store.answers_view import reading
from pipeline.store.database import one, transaction
from pipeline.store.followup_tables import ensure_followup_tables, service_of
from pipeline.store.session import store_in
from pipeline.store.sql import in_table
from schemas.connection import Connection

ONE_IN, AT_LEAST = 10, 2
"""Of a month's trips with a variance one in ten is drawn, and two at least."""

DRAWN = "drawn"
READERS, SERVICE, ONE, SEVERAL = "readers", "service", "one", "several"


def ask_second_reading(con: Connection, trip_id: str, by: str) -> bool:
    """Ask for a second reading of a trip; in a transaction. False if one was asked for before."""
    if standing(con, "second_reading", trip_id):
        return False
    (held,) = one(con, "SELECT count(*) FROM delivered.holding WHERE trip_id = ?", [trip_id])
    if not held:
        raise refused("no-such-trip", None, f'the store has no trip "{trip_id[:64]}"')
    return move(con, _asked(con, trip_id, f"asked by {by}", by))


def follow_second_readings(con: Connection, first_new: int) -> None:
    """Draw, compare and settle second readings after answers from number `first_new` on.

    Part of the transaction that stores the answers. Drawn are, of the month's trips with a
    variance, those with the lowest hashes over service, month and trip; it is said once the first
    reader has closed the case. A trip with two readers already is not drawn.
    """
    _compare(con, first_new)
    if readers_of(con) != ONE:
        for (trip_id,) in con.execute(_DRAWN, [service_of(con), first_new]).fetchall():
            move(con, _asked(con, trip_id, DRAWN, None))


def readers_of(con: Connection) -> str:
    """Whether the service has `several` readers, as every one does that has not said `one`."""
    said = standing(con, READERS, SERVICE)
    return said.state if said else SEVERAL


def say_readers(con: Connection, number: str, why: str, by: str) -> bool:
    """Store that the service has one reader, or several; in a transaction. False if it was so.

    With one reader no second reading is drawn, and none that was drawn is waited for; those that
    somebody asks for are. Refused without a word on why.
    """
    if number not in (ONE, SEVERAL):
        raise usage("usage", "READERS", f"must be {ONE} or {SEVERAL}", remedy="Name one of them.")
    if number == readers_of(con):
        return False
    if not why.strip():
        raise refused("not-a-move", None, "it needs a word on why", column="--why")
    check_text(con, {"--why": why})
    return move(con, Move(READERS, SERVICE, number, month_under_review(con), by, why=why.strip()))


def say_readers_in(folder: Path, number: str, why: str, by: str) -> str:
    """As `say_readers`, of a folder's store; what was done, in words."""
    check_by(by)
    with store_in(folder) as con, transaction(con):
        ensure_followup_tables(con)
        say_readers(con, number, why, by)
    if number == SEVERAL:
        return "The service has several readers: second readings are drawn."
    return "The service has one reader: no second reading is drawn, and none drawn is waited for."


def _asked(con: Connection, trip_id: str, what: str, by: str | None) -> Move:
    month = month_under_review(con)
    (base,) = one(
        con,
        "SELECT base FROM delivered.holding JOIN delivered.trips USING (trip_key)"
        " WHERE delivered.holding.trip_id = ?",
        [trip_id],
    )
    return Move(
        "second_reading", trip_id, ASKED, month, by, trip_id=trip_id, base=base, what=what
    )  # fmt: skip


def _compare(con: Connection, first_new: int) -> None:
    """What the new answers make of second readings that wait for one, or for a third."""
    month = month_under_review(con)
    con.execute(_NEW, [first_new])
    waiting = _WAITING.format(new=in_table(con, "new_answer"))
    for trip_id, state, readers, whole, disputed, new_reader in con.execute(waiting).fetchall():
        if state == ASKED and readers >= 2 and whole:
            end = DIFFERS if disputed else AGREED
            move(con, Move("second_reading", trip_id, end, month), Facts(worked_out=True))
        elif state == DIFFERS and readers >= 3:
            move(
                con,
                Move("second_reading", trip_id, SETTLED, month, new_reader, owner=new_reader),
                Facts(by=new_reader),
            )


_NEW = """
    CREATE OR REPLACE TEMP TABLE new_answer AS
    SELECT DISTINCT trip_id FROM loop.determination WHERE determination_no >= ?
"""

# of a reader counts what was concluded; whole: the two of them concluded on the same flags
_WAITING = f"""
    WITH waits AS (
        SELECT key AS trip_id, state FROM loop.standing
        WHERE thing = 'second_reading' AND state IN ('asked', 'differs') AND key {{new}}
    ),
    own AS (
        SELECT r.trip_id, r.reviewer, max(determination_no) AS last_no,
               coalesce(list(r.rule ORDER BY r.rule) FILTER (
                   r.verdict IN ('deviation', 'borderline')), []) AS rules,
               list(coalesce(r.rule, '') || '=' || coalesce(r.finding, '') ORDER BY r.rule) AS said
        FROM ({reading("WHERE d.trip_id {new}")}) r SEMI JOIN waits USING (trip_id)
        WHERE r.latest_of_reviewer
          AND (r.conclusion IS NOT NULL OR r.status = 'closed')
        GROUP BY r.trip_id, r.reviewer
    )
    SELECT w.trip_id, w.state, count(*) AS readers, count(DISTINCT o.rules) = 1 AS whole,
           count(DISTINCT o.said) > 1 AS disputed, arg_max(o.reviewer, o.last_no) AS new_reader
    FROM waits w JOIN own o USING (trip_id)
    GROUP BY ALL ORDER BY w.trip_id
"""

_DRAWN = f"""
    WITH touched AS (
        SELECT DISTINCT month, trip_id FROM loop.determination
        WHERE determination_no >= $2 AND conclusion IS NOT NULL
    ),
    closed AS (
        SELECT trip_id FROM loop.determination SEMI JOIN touched USING (trip_id)
        GROUP BY trip_id HAVING arg_max(status, determination_no) = 'closed'
    ),
    flagged AS (
        SELECT w.service_month AS month, w.trip_id,
               row_number() OVER month AS place, count(*) OVER (PARTITION BY month) AS trips
        FROM judged.trip_window w
        WHERE w.service_month IN (SELECT month FROM touched) AND EXISTS (
            SELECT 1 FROM judged.verdict v
            WHERE v.trip_key = w.trip_key AND v.verdict = 'deviation')
        WINDOW month AS (PARTITION BY service_month ORDER BY
            sha256($1 || '|second|' || w.service_month || '|' || w.trip_id))
    )
    SELECT f.trip_id FROM flagged f SEMI JOIN closed t ON t.trip_id = f.trip_id
    WHERE f.place <= greatest({AT_LEAST}, ceil(f.trips / {ONE_IN}.0))
      AND f.trip_id NOT IN (SELECT key FROM loop.standing WHERE thing = 'second_reading')
      AND (SELECT count(DISTINCT reviewer) FROM loop.determination d
           WHERE d.trip_id = f.trip_id AND d.conclusion IS NOT NULL) = 1
    ORDER BY f.trip_id
"""
