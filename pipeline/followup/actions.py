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


def year_actions(con: duckdb.DuckDBPyConnection, month: str) -> pd.DataFrame:
    """Rows of `YearActions` of trips of the twelve months to `month`, the latest first."""
    year, number = month.split("-")
    first = f"{int(year) - (number != '12'):04d}-{int(number) % 12 + 1:02d}"
    return con.execute(_YEAR_ACTIONS, {"month": month, "first": first}).df()


def referred(con: duckdb.DuckDBPyConnection, month: str) -> pd.DataFrame:
    """Rows of `Referred`: answers that hold and refer a case to somebody, and do not close it."""
    return con.execute(_REFERRED, {"month": month}).df()


_CLOSED = """
    WITH closed AS (
        SELECT trip_id, rule, max(determination_no) AS last_no
        FROM loop.answer WHERE status = 'closed' GROUP BY ALL
    )
"""

_YEAR_ACTIONS = f"""
    {_CLOSED}
    SELECT * EXCLUDE (determination_no) FROM (
    SELECT a.determination_no, a.trip_id, a.month, t.base,
           string_agg(a.rule, ' ' ORDER BY a.rule) AS rules, a.action, a.due_month,
           CASE WHEN c.last_no IS NOT NULL THEN 'closed'
                WHEN a.due_month < $month THEN 'overdue' ELSE 'open' END AS state
    FROM loop.answer a
    JOIN delivered.holding h USING (trip_id)
    JOIN delivered.trips t ON t.trip_key = h.trip_key
    LEFT JOIN closed c ON c.trip_id = a.trip_id AND c.rule IS NOT DISTINCT FROM a.rule
        AND c.last_no >= a.determination_no
    WHERE a.latest_of_reviewer AND a.action IS NOT NULL AND a.month BETWEEN $first AND $month
    GROUP BY ALL)
    ORDER BY month DESC, trip_id, rules
"""

_REFERRED = """
    SELECT a.trip_id, a.month, t.base, string_agg(a.rule, ' ' ORDER BY a.rule) AS rules,
           a.refer_to, any_value(a.reviewer ORDER BY a.determination_no DESC) AS reviewer
    FROM loop.answer a
    JOIN delivered.holding h USING (trip_id)
    JOIN delivered.trips t ON t.trip_key = h.trip_key
    WHERE a.holds AND a.status <> 'closed' AND a.refer_to IS NOT NULL AND a.month <= $month
    GROUP BY a.trip_id, a.month, t.base, a.refer_to
    ORDER BY a.month, a.trip_id
"""

_FOLLOW_UPS = f"""
    {_CLOSED}
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
