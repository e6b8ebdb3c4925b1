"""All open work, whatever its month: one row a thing, late first."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import urlencode

from pipeline.desk.piece import Piece, after
from pipeline.desk.waiting import waiting_pieces
from pipeline.followup.case_states import make_case_states
from pipeline.followup.moves import month_under_review
from pipeline.store.actions_view import OPEN_ACTIONS
from pipeline.store.sql import FEW, literal
from schemas.connection import Connection
from schemas.months import month_number

KINDS = {
    "read": "Read", "audit": "Audit", "batch": "Batch", "second": "Second reading",
    "differs": "Readers differ", "referred": "Referred",
    "fetch": "Fetch", "query": "Ask the crew", "signal": "Signal", "action": "Action",
    "limits": "Limits", "publish": "Publish",
}  # fmt: skip
"""Kinds of open work and what they are called, in the order they are listed."""

TO_READ = ("read", "audit", "second")
"""Kinds that are a case to be read."""


OF_A_MONTH = (*TO_READ, "batch", "fetch", "differs", "referred", "query")
"""Kinds that are due the month after they were opened, where nothing else is said."""


def open_work(
    con: Connection, by: str | None = None, among: Sequence[str] | None = None
) -> list[Piece]:
    """Every open piece, late first, then by kind and place; `by`: whose own trips are left out.

    Readers do not see trips that carry their token, nor a second reading of a trip they have read;
    that they differ from another they see, and that a case is theirs to close.
    `among`: of the cases only these trips'.
    """
    now = month_under_review(con)
    make_case_states(con, _ANY_WORK if among is None else
                     f"SELECT unnest([{', '.join(map(literal, among))}]) AS trip_id")  # fmt: skip
    rows = con.execute(_OPEN_WORK, {"by": by or ""}).fetchall()
    pieces = [_piece(row, now) for row in rows]
    if among is None:
        pieces += waiting_pieces(con, now)
    order = list(KINDS)
    placed = sorted(
        enumerate(pieces),
        key=lambda at: (not at[1].late, at[1].due or "9999", order.index(at[1].kind), at[0]),
    )
    return [piece for _, piece in placed]


def _piece(row: tuple[object, ...], now: str) -> Piece:
    kind, trip, n, why, owner, state, opened, due, key = row
    month = str(opened)
    due_month = str(due) if due else ""
    if not due_month and kind in OF_A_MONTH:
        due_month = after(month)
    return Piece(
        str(kind), str(trip or ""), int(str(n)), str(why or ""), str(owner or ""),
        str(state).replace("_", " "), month, due_month,
        max(0, month_number(now) - month_number(month)),
        bool(due_month) and due_month < now, _href(str(kind), str(key or ""), month),
    )  # fmt: skip


def _href(kind: str, key: str, month: str) -> str:
    if kind in ("read", "audit", "second", "differs", "referred"):
        return f"/case?{urlencode({'trip': key})}"
    if kind == "batch":
        return f"/batch?{urlencode({'month': month, 'rule': key})}"
    if kind == "fetch":
        return f"/fetch?{urlencode({'base': key})}"
    return f"/{kind}?{urlencode({'key': key})}"


def next_to_read(con: Connection, by: str, order: list[str], after: str) -> str | None:
    """The next trip of `order` that is open for `by`, after one of it, from the start at its end.

    `order` is the list as it was shown: a case that is done leaves its place, and work that was
    passed over is come to again. Made anew in place where nothing of it is open.
    """
    place = order.index(after) + 1 if after in order else 0
    waiting = [trip for trip in (*order[place:], *order[:place]) if trip != after]
    for first in range(0, len(waiting), FEW):
        some = waiting[first : first + FEW]
        still = {piece.trip for piece in open_work(con, by, some) if piece.kind in TO_READ}
        if found := next((trip for trip in some if trip in still), None):
            return found
    order[:] = reading_order(open_work(con, by))
    return next((trip for trip in order if trip != after), None)


def reading_order(pieces: Sequence[Piece]) -> list[str]:
    """Trips of the cases to read, in the order of the list."""
    return [piece.trip for piece in pieces if piece.kind in TO_READ]


_ANY_WORK = """
    SELECT trip_id FROM judged.work WHERE kind <> 'fetch'
    UNION SELECT trip_id FROM loop.determination
"""

_OPEN_WORK = f"""
    WITH own AS (
        SELECT w.trip_id FROM delivered.crew c JOIN judged.trip_window w USING (trip_key)
        WHERE c.crew_member = $by
        UNION SELECT w.trip_id FROM delivered.contacts c JOIN judged.trip_window w USING (trip_key)
        WHERE c.authorised_by = $by
    ),
    mine AS (SELECT DISTINCT trip_id FROM loop.determination WHERE reviewer = $by),
    referral AS (
        SELECT c.trip_id, c.month, c.refer_to,
               CASE WHEN c.answered AND c.state = 'awaiting_crew' THEN 'answered' ELSE c.state END
                   AS state,
               'Referred to the ' || c.refer_to || ' by ' || d.reviewer || '.' AS words
        FROM case_state c JOIN (
            SELECT trip_id, arg_min(reviewer, determination_no) AS reviewer
            FROM (SELECT *, max(determination_no)
                          FILTER (status NOT IN ('referred', 'awaiting_crew'))
                      OVER (PARTITION BY trip_id) AS before FROM loop.determination)
            WHERE status = 'referred' AND determination_no > coalesce(before, 0)
            GROUP BY trip_id) d USING (trip_id)
        WHERE c.refer_to IS NOT NULL AND c.state IN ('referred', 'awaiting_crew')
    ),
    trips AS (
        SELECT w.kind, c.trip_id, w.why, w.place, c.month, c.stale, c.readings,
               CASE WHEN c.answered AND c.state = 'awaiting_crew' THEN 'answered' ELSE c.state END
                   AS state
        FROM case_state c LEFT JOIN judged.work w ON w.trip_id = c.trip_id AND w.kind <> 'fetch'
        WHERE c.trip_id NOT IN (FROM own) AND coalesce(c.second, '') <> 'differs'
          AND (coalesce(c.second, '') <> 'asked'
               OR c.state IN ('open', 'awaiting_crew') AND c.refer_to IS NULL
                  AND c.trip_id IN (FROM mine))
          AND (c.unread + c.stale > 0 OR c.state NOT IN ('closed', 'withdrawn'))
        QUALIFY row_number() OVER (PARTITION BY c.trip_id ORDER BY w.order_of_kind) = 1
    )
    SELECT coalesce(kind, 'read') AS kind, trip_id, 1 AS n,
           coalesce(r.words || ' ', '') || coalesce(why, 'Still open.') AS why,
           r.refer_to AS owner,
           CASE WHEN stale > 0 THEN 'stale' ELSE t.state END AS state, t.month AS opened,
           NULL AS due, trip_id AS key, place
    FROM trips t LEFT JOIN referral r USING (trip_id)
    WHERE coalesce(kind, 'read') <> 'batch'
      AND (kind IS NOT NULL OR readings > 0 OR t.state <> 'open')
    UNION ALL
    SELECT 'batch', NULL, count(*), any_value(w.why), NULL, 'open', w.month, NULL, w.rule,
           min(w.place)
    FROM judged.work w
    JOIN finding_state f ON f.trip_id = w.trip_id AND f.rule = w.rule AND f.state <> 'concluded'
    WHERE w.kind = 'batch' AND w.trip_id NOT IN (FROM own)
      AND w.trip_id NOT IN (SELECT trip_id FROM case_state WHERE second IN ('asked', 'differs'))
    GROUP BY w.month, w.rule
    UNION ALL
    SELECT 'second', s.key, 1,
           coalesce(r.words || ' ', '')
           || CASE s.state WHEN 'differs' THEN 'Two readers differ: a third settles it.'
                           ELSE 'To be read without the first reading (' || s.what || ').' END,
           r.refer_to, CASE s.state WHEN 'differs' THEN s.state ELSE coalesce(r.state, s.state) END,
           s.opened, NULL, s.key, 0
    FROM loop.standing s LEFT JOIN referral r ON r.trip_id = s.key
    WHERE s.thing = 'second_reading' AND s.state IN ('asked', 'differs')
      AND s.key NOT IN (FROM mine) AND s.key NOT IN (FROM own)
    UNION ALL
    SELECT CASE s.state WHEN 'differs' THEN 'differs' ELSE 'referred' END, s.key, 1,
           coalesce(r.words || ' ', '')
           || CASE s.state WHEN 'differs'
                   THEN 'You and another reader differ: a third settles it.'
                   ELSE 'A second reader reads it first.' END,
           r.refer_to, CASE s.state WHEN 'differs' THEN s.state ELSE r.state END,
           coalesce(r.month, s.opened), NULL, s.key, 0
    FROM loop.standing s LEFT JOIN referral r ON r.trip_id = s.key
    WHERE s.thing = 'second_reading' AND s.key IN (FROM mine) AND s.key NOT IN (FROM own)
      AND (s.state = 'differs' OR s.state = 'asked' AND r.trip_id IS NOT NULL)
    UNION ALL
    SELECT 'fetch', NULL, count(*), string_agg(DISTINCT w.why, ' '), NULL,
           CASE WHEN bool_or(w.state = 'open') THEN 'open' ELSE 'asked' END, min(w.month), NULL,
           w.base, min(w.place)
    FROM judged.work w WHERE w.kind = 'fetch' AND w.state <> 'arrived' GROUP BY w.base
    UNION ALL
    SELECT 'query', trip_id, 1, what, owner, state, opened, due_month, key, move_no
    FROM loop.standing WHERE thing = 'query' AND state = 'asked'
    UNION ALL
    SELECT 'action', trip_id, 1, what, owner, state, opened, due_month, key, 0
    FROM ({OPEN_ACTIONS})
    ORDER BY opened, place, key
"""
# the row is named in the union's first part; the place is only for the order
_OPEN_WORK = f"SELECT * EXCLUDE (place) FROM ({_OPEN_WORK})"
