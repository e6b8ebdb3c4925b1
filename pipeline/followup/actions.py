"""Actions that readers asked for: open, overdue, done or not pursued."""

from __future__ import annotations

from pipeline.store.actions_view import ACTIONS, OPEN_ACTIONS
from schemas.connection import Connection
from schemas.frame import Frame
from schemas.months import later


def follow_ups(con: Connection, month: str) -> Frame:
    """The actions open as of `month`; follows `schemas.followup_outputs.FollowUps`.

    An action has a life of its own beside the case, and is overdue once its due month lies before
    `month`. What the case's answers say stands beside it, as far as they may be seen.
    """
    return Frame.read(con.execute(_FOLLOW_UPS, {"month": month}))


def year_actions(con: Connection, month: str) -> Frame:
    """Rows of `YearActions` of the twelve months to `month`, the latest first.

    An action belongs to its trip's month; one of no trip, as of a signal, to that it was opened in.
    """
    asked = {"month": month, "first": later(month, -11)}
    return Frame.read(con.execute(_YEAR_ACTIONS, asked))


def referred(con: Connection, month: str) -> Frame:
    """Rows of `Referred`: answers that hold and refer a case to somebody, and do not close it."""
    return Frame.read(con.execute(_REFERRED, {"month": month}))


_OF_A_TRIP_OR_NONE = "(x.trip_id IS NULL OR t.trip_key IS NOT NULL)"

_YEAR_ACTIONS = f"""
    SELECT x.trip_id, coalesce(t.service_month, x.opened) AS month, t.base, x.rule AS rules,
           x.what AS action, x.due_month,
           CASE WHEN x.state IN ('done', 'not_pursued') THEN 'closed'
                WHEN x.due_month < $month THEN 'overdue' ELSE 'open' END AS state
    FROM ({ACTIONS}) x
    LEFT JOIN delivered.holding h USING (trip_id)
    LEFT JOIN delivered.trips t ON t.trip_key = h.trip_key
    WHERE coalesce(t.service_month, x.opened) BETWEEN $first AND $month AND {_OF_A_TRIP_OR_NONE}
    ORDER BY month DESC, x.trip_id, x.rule, x.key
"""

_REFERRED = """
    SELECT a.trip_id, a.month, t.base, string_agg(a.rule, ' ' ORDER BY a.rule) AS rules,
           a.refer_to, any_value(a.reviewer ORDER BY a.determination_no DESC) AS reviewer
    FROM answer_now a
    JOIN delivered.holding h USING (trip_id)
    JOIN delivered.trips t ON t.trip_key = h.trip_key
    WHERE a.holds AND a.status <> 'closed' AND a.refer_to IS NOT NULL AND a.month <= $month
    GROUP BY a.trip_id, a.month, t.base, a.refer_to
    ORDER BY a.month, a.trip_id
"""

_FOLLOW_UPS = f"""
    WITH answered AS (
        SELECT trip_id, arg_max(conclusion, determination_no) AS conclusion,
               arg_max(status, determination_no) AS status,
               arg_max(refer_to, determination_no) AS refer_to
        FROM answer_now WHERE holds GROUP BY trip_id
    )
    SELECT x.trip_id, coalesce(t.service_month, x.opened) AS month, t.base, x.rule AS rules,
           a.conclusion, coalesce(a.status, 'open') AS status, a.refer_to,
           coalesce(x.owner, '') AS reviewer, x.what AS action, x.due_month,
           coalesce(x.due_month < $month, FALSE) AS overdue
    FROM ({OPEN_ACTIONS}) x
    LEFT JOIN delivered.holding h USING (trip_id)
    LEFT JOIN delivered.trips t ON t.trip_key = h.trip_key
    LEFT JOIN answered a USING (trip_id)
    WHERE coalesce(t.service_month, x.opened) <= $month AND {_OF_A_TRIP_OR_NONE}
    ORDER BY x.due_month NULLS LAST, x.trip_id, x.rule, x.key
"""
