"""Store a move of something people look after, if `pipeline.followup.states` allows it."""

from __future__ import annotations

from dataclasses import replace

from pipeline.errors import refused
from pipeline.followup.states import THINGS, Facts, refusal
from pipeline.store.database import one
from pipeline.store.followup_tables import insert, next_number
from pipeline.store.ledger import record_stored
from schemas.connection import Connection
from schemas.record import dataclass

NO_FACTS = Facts()
KEPT = ("trip_id", "rule", "base", "owner", "due_month", "what", "why")
"""What a later move leaves as it was where it does not say otherwise."""


@dataclass(frozen=True)
class Move:
    """One thing as it is to stand; the fields are those of `schemas.desk.MOVE`."""

    thing: str
    key: str
    state: str
    month: str
    by: str | None = None
    trip_id: str | None = None
    rule: str | None = None
    base: str | None = None
    owner: str | None = None
    due_month: str | None = None
    what: str | None = None
    why: str | None = None


def standing(con: Connection, thing: str, key: str) -> Move | None:
    """The thing as it stands; None if there is none of that key."""
    rows = con.execute(
        "SELECT thing, key, state, month, recorded_by, trip_id, rule, base, owner, due_month, what,"
        " why FROM loop.standing WHERE thing = ? AND key = ?",
        [thing, key],
    ).fetchall()
    return Move(*rows[0]) if rows else None


def move(con: Connection, given: Move, facts: Facts = NO_FACTS) -> bool:
    """Store a move with its entry; in a transaction. False if it would change nothing.

    What `given` leaves out stays as it was. Refused (not-a-move) if its states do not allow it.
    """
    before = standing(con, given.thing, given.key)
    now = given
    if before is not None:
        kept = {name: getattr(before, name) for name in KEPT if getattr(given, name) is None}
        now = replace(given, **kept)
        if replace(now, month=before.month, by=before.by) == before:
            return False
        if given.thing in THINGS:
            check_move(given.thing, before.state, given.state, replace(facts, why=given.why or ""))
    elif given.thing in THINGS and given.state != (begins := THINGS[given.thing].begins):
        # what the record shows, and nobody has touched, stands where its kind begins
        check_move(given.thing, begins, given.state, replace(facts, why=given.why or ""))
    number = next_number(con, "move", "move_no")
    insert(con, "move", [(
        number, now.thing, now.key, now.state, now.month, now.trip_id, now.rule, now.base,
        now.owner, now.due_month, now.what, now.why, now.by,
    )])  # fmt: skip
    record_stored(con, "move", number, {
        "thing": now.thing, "key": now.key, "state": now.state, "by": now.by,
    })  # fmt: skip
    return True


def check_move(thing: str, before: str, after: str, facts: Facts) -> None:
    """Refused (not-a-move) unless the thing may go from one state to the other."""
    if why := refusal(thing, before, after, facts):
        raise refused("not-a-move", None, why)


def new_key(con: Connection, thing: str, letter: str) -> str:
    """The next key of a thing that is numbered: A1, A2."""
    (number,) = one(
        con,
        "SELECT count(DISTINCT key) + 1 FROM loop.move WHERE thing = $1 AND starts_with(key, $2)",
        [thing, letter],
    )
    return f"{letter}{number}"


def month_under_review(con: Connection) -> str:
    """The latest month with judged trips: the only present that the store knows."""
    (month,) = one(con, "SELECT coalesce(max(service_month), '') FROM judged.trip_window")
    if not month:
        raise refused("not-reviewed", None, "no trip of this store has been judged yet")
    return str(month)
