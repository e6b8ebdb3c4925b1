"""Counts of every month by base, rule and cannula, from which the shared edition is pooled."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.occlusion_rate import ventilator_time
from schemas.connection import Connection
from schemas.record import dataclass
from schemas.shared_outputs import ALL_RULES

if TYPE_CHECKING:
    import pandas as pd

_ANSWERS = f"""
    WITH answer AS (
        SELECT w.service_month AS month, t.base, w.trip_key, v.rule, v.verdict
        FROM judged.verdict v
        JOIN judged.trip_window w USING (trip_key)
        JOIN delivered.trips t USING (trip_key)
        WHERE w.service_month <= $month
    ),
    by_trip AS (
        SELECT month, base, trip_key,
               bool_and(verdict <> 'cannot_tell') AND bool_or(verdict <> 'not_applicable')
                   AS judged,
               bool_and(verdict IN ('met', 'authorised', 'not_applicable')) AS kept
        FROM answer GROUP BY ALL
    ),
    by_base AS (
        SELECT month, base, count(*) AS trips, count(*) FILTER (judged AND NOT kept) AS variance,
               count(*) FILTER (judged AND kept) AS kept
        FROM by_trip GROUP BY ALL
    ),
    by_rule AS (
        SELECT month, base, rule, count(*) FILTER (verdict = 'deviation') AS variance,
               count(*) FILTER (verdict IN ('met', 'authorised', 'borderline')) AS kept
        FROM answer GROUP BY ALL
    )
    SELECT month, base, '{ALL_RULES}' AS rule, trips, variance, kept FROM by_base
    UNION ALL
    SELECT b.month, b.base, r.rule, b.trips, coalesce(a.variance, 0), coalesce(a.kept, 0)
    FROM by_base b CROSS JOIN (SELECT DISTINCT rule FROM by_rule) r
    LEFT JOIN by_rule a ON a.month = b.month AND a.base = b.base AND a.rule = r.rule
    ORDER BY ALL
"""

_VENTILATOR = """
    SELECT month, cannula, trip_key AS trip, sum(events)::INTEGER AS events,
           sum(seconds) / 3600.0 AS hours
    FROM ventilator_time WHERE counted AND cannula IS NOT NULL
    GROUP BY month, cannula, trip_key ORDER BY ALL
"""


@dataclass(frozen=True)
class SharedCounts:
    """What the shared edition is pooled from; itself nothing to be shared.

    `answers`: month, base, rule (or all-rules), trips of the base that any rule was asked of,
    variance and kept (see `schemas.shared_outputs.SharedRules`); one row each, zeros included.
    `ventilator`: month, cannula, trip (a key of the store's), events, hours; one row a trip and
    cannula.
    """

    answers: pd.DataFrame
    ventilator: pd.DataFrame


def shared_counts(con: Connection, month: str) -> SharedCounts:
    """The counts of every month up to `month`, from what the store has judged."""
    answers = con.execute(_ANSWERS, {"month": month}).df()
    con.execute(ventilator_time(), {"month": month})
    return SharedCounts(answers, con.execute(_VENTILATOR).df())
