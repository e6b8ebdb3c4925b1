"""Where each finding and each case stands: read, stale or not, and what was last said of it."""

from __future__ import annotations

from pipeline.store.answers_view import reading
from pipeline.store.content_hash import make_contents
from pipeline.store.sql import in_table
from schemas.connection import Connection
from schemas.record import dataclass


@dataclass(frozen=True)
class CaseNow:
    """A case as it stands; `open_findings`: those still flagged that nobody has concluded.

    `refer_to`: whom it is referred to, also while its crew is asked; None where it is not.
    `answered`: its crew was asked, and has answered everything. `audit`: it is read because it was
    drawn from the trips without a finding. `asks_words`: why it is closed with a conclusion in
    words, empty where its findings are enough. `closers`: readers whose last word closed it.
    """

    state: str
    refer_to: str | None
    open_findings: tuple[str, ...]
    second: str | None
    readers: tuple[str, ...]
    answered: bool = False
    audit: bool = False
    asks_words: str = ""
    closers: tuple[str, ...] = ()


def make_case_states(con: Connection, asked: str) -> None:
    """Make `finding_state` and `case_state` for the held trips among `asked`, with trip_id.

    Also `case_reading`: every answer to them, as `loop.reading` has it.
    finding_state: trip_id, rule, verdict, state, one row a flag. case_state: trip_id, month, base,
    flags, unread, stale, state, refer_to, second (how its second reading stands), readings,
    answered, audit and asks_words as `CaseNow` has them.
    First readings that a second one waits for count as read here: what they say does not come out.
    """
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE case_asked AS SELECT DISTINCT trip_id FROM ({asked})"
    )
    asked_trips = in_table(con, "case_asked")
    for statement in (_HELD, _COMPARED, _COMPARED_KEY):
        con.execute(statement.format(asked=asked_trips))
    make_contents(con, "case_content", "case_key")
    for statement in (_READING, _FINDING_STATE, _CASE_STATE):
        con.execute(statement.format(asked=asked_trips))


def cases_now(con: Connection, asked: str) -> dict[str, CaseNow]:
    """The cases of the held trips among `asked`, by trip_id."""
    make_case_states(con, asked)
    rows = con.execute("""
        SELECT c.trip_id, c.state, c.refer_to, c.second,
               (SELECT coalesce(list(f.rule ORDER BY f.rule), []) FROM finding_state f
                WHERE f.trip_id = c.trip_id AND f.state <> 'concluded'),
               (SELECT coalesce(list(DISTINCT r.reviewer ORDER BY r.reviewer), [])
                FROM case_reading r WHERE r.trip_id = c.trip_id
                    AND (r.conclusion IS NOT NULL OR r.status = 'closed')),
               c.answered, c.audit, c.asks_words,
               (SELECT coalesce(list(w.reviewer ORDER BY w.reviewer), []) FROM (
                    SELECT reviewer FROM case_reading WHERE trip_id = c.trip_id
                    GROUP BY reviewer HAVING arg_max(status, determination_no) = 'closed') w)
        FROM case_state c ORDER BY c.trip_id
    """).fetchall()
    return {
        trip: CaseNow(
            state, refer_to, tuple(left), second, tuple(readers), answered, audit, asks,
            tuple(closers),
        )
        for trip, state, refer_to, second, left, readers, answered, audit, asks, closers in rows
    }  # fmt: skip


GRAVE = ("died", "arrest", "intubated")
"""Outcomes, at hand-over or a day later, that no case is closed on without a word."""


_HELD = """
    CREATE OR REPLACE TEMP TABLE case_held AS
    SELECT h.trip_id, h.trip_key, t.service_month AS month, t.base
    FROM delivered.holding h JOIN delivered.trips t USING (trip_key) WHERE h.trip_id {asked}
"""

_COMPARED = """
    CREATE OR REPLACE TEMP TABLE case_compared AS
    SELECT DISTINCT r.trip_id, r.trip_key AS was_key, h.trip_key AS now_key
    FROM loop.determination r JOIN case_held h USING (trip_id)
    WHERE r.trip_id {asked} AND r.trip_key <> h.trip_key
"""

_COMPARED_KEY = """
    CREATE OR REPLACE TEMP TABLE case_key AS
    SELECT was_key AS trip_key FROM case_compared UNION SELECT now_key FROM case_compared
"""

_READING = f"CREATE OR REPLACE TEMP TABLE case_reading AS {reading('WHERE d.trip_id {asked}')}"

_FINDING_STATE = """
    CREATE OR REPLACE TEMP TABLE finding_state AS
    WITH flag AS (
        SELECT w.trip_id, w.trip_key, v.rule, v.verdict
        FROM judged.trip_window w JOIN judged.verdict v USING (trip_key)
        WHERE w.trip_id {asked} AND v.verdict IN ('deviation', 'borderline')
    ),
    other AS (
        SELECT c.trip_id, c.was_key FROM case_compared c
        JOIN case_content w ON w.trip_key = c.was_key
        JOIN case_content n ON n.trip_key = c.now_key
        WHERE w.content <> n.content
    ),
    answered AS (
        SELECT r.trip_id, r.rule, r.verdict,
               o.was_key IS NOT NULL AS changed,
               coalesce(r.disputed, FALSE) AND coalesce(s.state, '') = 'differs' AS undecided
        FROM case_reading r
        LEFT JOIN other o ON o.trip_id = r.trip_id AND o.was_key = r.trip_key
        LEFT JOIN loop.standing s ON s.thing = 'second_reading' AND s.key = r.trip_id
        WHERE r.holds AND r.conclusion IS NOT NULL AND r.conclusion <> 'missed'
    )
    SELECT f.trip_id, f.rule, f.verdict,
           CASE WHEN a.trip_id IS NULL OR a.undecided THEN 'unread'
                WHEN a.changed OR a.verdict IS DISTINCT FROM f.verdict THEN 'stale'
                ELSE 'concluded' END AS state
    FROM flag f LEFT JOIN answered a ON a.trip_id = f.trip_id AND a.rule = f.rule
"""

# a case that waits for its crew is referred still, if it was; only a later word ends that
_CASE_STATE = f"""
    CREATE OR REPLACE TEMP TABLE case_state AS
    WITH said AS (
        SELECT trip_id, arg_max(status, determination_no) AS status,
               CASE WHEN arg_max(status, determination_no) FILTER (status <> 'awaiting_crew')
                         = 'referred'
                    THEN arg_max(refer_to, determination_no) END AS refer_to,
               count(DISTINCT reviewer) FILTER (
                   conclusion IS NOT NULL OR status = 'closed') AS readings
        FROM loop.determination WHERE trip_id {{asked}} GROUP BY trip_id
    ),
    was_flagged AS (
        SELECT DISTINCT trip_id FROM case_reading WHERE verdict IN ('deviation', 'borderline')
    ),
    counted AS (
        SELECT trip_id, count(*) AS flags,
               count(*) FILTER (state = 'unread') AS unread,
               count(*) FILTER (state = 'stale') AS stale
        FROM finding_state GROUP BY trip_id
    ),
    drawn AS (SELECT trip_id FROM loop.audit_trip UNION SELECT trip_id FROM loop.audit),
    asked AS (
        SELECT trip_id, bool_and(state <> 'asked') AS answered FROM loop.standing
        WHERE thing = 'query' GROUP BY trip_id
    ),
    grave AS (
        SELECT h.trip_id, CASE WHEN t.outcome IN {GRAVE} THEN t.outcome
                               WHEN t.outcome_24h IN {GRAVE} THEN t.outcome_24h END AS outcome
        FROM case_held h JOIN delivered.trips t USING (trip_key)
    )
    SELECT h.trip_id, h.month, h.base,
           coalesce(c.flags, 0)::INTEGER AS flags, coalesce(c.unread, 0)::INTEGER AS unread,
           coalesce(c.stale, 0)::INTEGER AS stale,
           CASE WHEN c.flags IS NULL AND w.trip_id IS NOT NULL THEN 'withdrawn'
                WHEN s.status = 'closed' AND coalesce(c.unread + c.stale, 0) > 0 THEN 'open'
                ELSE coalesce(s.status, 'open') END AS state,
           s.refer_to, coalesce(s.readings, 0)::INTEGER AS readings,
           r.state AS second, coalesce(q.answered, FALSE) AS answered,
           c.flags IS NULL AND w.trip_id IS NULL AND d.trip_id IS NOT NULL AS audit,
           CASE WHEN g.outcome IS NOT NULL THEN 'the outcome is ' || g.outcome
                WHEN c.flags IS NULL AND w.trip_id IS NULL AND d.trip_id IS NULL
                THEN 'no rule flags the trip' ELSE '' END AS asks_words
    FROM case_held h
    JOIN grave g ON g.trip_id = h.trip_id
    LEFT JOIN drawn d ON d.trip_id = h.trip_id
    LEFT JOIN asked q ON q.trip_id = h.trip_id
    LEFT JOIN counted c ON c.trip_id = h.trip_id
    LEFT JOIN said s ON s.trip_id = h.trip_id
    LEFT JOIN was_flagged w ON w.trip_id = h.trip_id
    LEFT JOIN loop.standing r ON r.thing = 'second_reading' AND r.key = h.trip_id
"""
