"""Where readers differ, and what they answered that has no work on it any more."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.followup_records import Disagreement, LeftTheList

if TYPE_CHECKING:
    import duckdb


def disagreements(con: duckdb.DuckDBPyConnection, month: str) -> tuple[Disagreement, ...]:
    """Findings of the month's trips on which readers' last conclusions differ."""
    rows = con.execute(_DIFFERING, {"month": month}).fetchall()
    return tuple(
        Disagreement(trip, rule, tuple(readers), tuple(conclusions))
        for trip, rule, readers, conclusions in rows
    )


def left_the_list(con: duckdb.DuckDBPyConnection, month: str) -> tuple[LeftTheList, ...]:
    """Answered trips of the month without a row in `month_case`; call after `join_cases`."""
    rows = con.execute(_LEFT, {"month": month}).fetchall()
    return tuple(
        LeftTheList(trip, tuple(rules or ()), tuple(conclusions or ()), why)
        for trip, rules, conclusions, why in rows
    )


_DIFFERING = """
    WITH reader AS (
        SELECT trip_id, coalesce(rule, '') AS rule, reviewer, min(determination_no) AS began,
               arg_max(conclusion, determination_no) AS conclusion
        FROM answer_now WHERE conclusion IS NOT NULL AND month = $month GROUP BY ALL
    )
    SELECT trip_id, rule, list(reviewer ORDER BY began, reviewer),
           list(conclusion ORDER BY began, reviewer)
    FROM reader GROUP BY trip_id, rule HAVING count(DISTINCT conclusion) > 1
    ORDER BY trip_id, rule
"""

_LEFT = """
    SELECT a.trip_id, list(DISTINCT a.rule ORDER BY a.rule) FILTER (a.rule IS NOT NULL),
           list(DISTINCT a.conclusion ORDER BY a.conclusion) FILTER (a.conclusion IS NOT NULL),
           CASE WHEN bool_and(t.service_month = $month) THEN 'no_flag' ELSE 'other_month' END
    FROM answer_now a
    JOIN delivered.holding h USING (trip_id)
    JOIN delivered.trips t ON t.trip_key = h.trip_key
    ANTI JOIN month_case m ON m.trip_id = a.trip_id
    WHERE a.holds AND a.month = $month
    GROUP BY a.trip_id ORDER BY a.trip_id
"""
