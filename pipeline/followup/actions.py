"""Actions that readers asked for: open, overdue, and closed by a later sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb
    import pandas as pd


def follow_ups(con: duckdb.DuckDBPyConnection, month: str) -> pd.DataFrame:
    """The actions open as of `month`; follows `schemas.followup_outputs.FollowUps`.

    An action stands in its reviewer's last answer to a rule of a trip. It is open until an
    answer of anybody's, given later or with it, closes that rule of the trip. It is overdue once
    its due month lies before `month`.
    """
    return con.execute(_FOLLOW_UPS, {"month": month}).df()


_FOLLOW_UPS = """
    WITH closed AS (
        SELECT trip_id, rule, max(determination_no) AS last_no
        FROM loop.answer WHERE status = 'closed' GROUP BY ALL
    )
    SELECT * EXCLUDE (determination_no) FROM (
    SELECT a.determination_no, a.trip_id, a.month, t.base,
           string_agg(a.rule, ' ' ORDER BY a.rule) AS rules, a.conclusion,
           a.status, a.refer_to, a.reviewer, a.action, a.due_month,
           coalesce(a.due_month < $month, FALSE) AS overdue
    FROM loop.answer a
    JOIN delivered.holding h USING (trip_id)
    JOIN delivered.trips t ON t.trip_key = h.trip_key
    LEFT JOIN closed c ON c.trip_id = a.trip_id AND c.rule IS NOT DISTINCT FROM a.rule
        AND c.last_no >= a.determination_no
    WHERE a.latest_of_reviewer AND a.action IS NOT NULL AND c.last_no IS NULL
      AND a.month <= $month
    GROUP BY ALL)
    ORDER BY due_month NULLS LAST, trip_id, rules
"""
