"""Shares of trips by verdict: per rule and month, and over all rules together."""

from __future__ import annotations

from pipeline.measures.estimate_rows import with_interval
from schemas.connection import Connection
from schemas.frame import Frame, stacked
from schemas.units import Unit

UNIT = Unit.SHARE


def verdict_counts() -> str:
    """How many trips of each month up to $month got which verdict of which rule, by base."""
    return """
    CREATE OR REPLACE TEMP TABLE verdict_counts AS
    SELECT w.service_month AS month, v.rule, t.base,
           count(*) FILTER (verdict IN ('met', 'authorised', 'borderline', 'deviation')) AS judged,
           count(*) FILTER (verdict = 'deviation') AS deviation,
           count(*) FILTER (verdict = 'borderline') AS borderline,
           count(*) FILTER (verdict = 'cannot_tell') AS cannot_tell,
           count(*) FILTER (verdict <> 'not_applicable') AS applicable
    FROM judged.verdict v
    JOIN judged.trip_window w USING (trip_key)
    JOIN delivered.trips t USING (trip_key)
    WHERE w.service_month <= $month
    GROUP BY ALL
    """


def _deviation_share(month: str) -> str:
    """Variances of the trips judged, by rule; what could not be judged widens the bounds."""
    return f"""
    SELECT 'deviation-share' AS measure, {month} AS month, 'rule' AS group_by, rule AS group_value,
           sum(deviation)::DOUBLE AS numerator, sum(judged)::DOUBLE AS denominator,
           sum(judged)::INTEGER AS trips, sum(cannot_tell)::INTEGER AS left_out,
           sum(deviation) / nullif(sum(applicable), 0) AS bound_low,
           sum(deviation + borderline + cannot_tell) / nullif(sum(applicable), 0) AS bound_high
    FROM verdict_counts GROUP BY ALL
    """


def _cannot_tell_share(month: str) -> str:
    """Trips that could not be judged, of those a rule asks about."""
    return f"""
    SELECT 'cannot-tell-share' AS measure, {month} AS month, 'rule' AS group_by,
           rule AS group_value, sum(cannot_tell)::DOUBLE AS numerator,
           sum(applicable)::DOUBLE AS denominator,
           sum(applicable)::INTEGER AS trips, 0 AS left_out
    FROM verdict_counts GROUP BY ALL
    """


_ALL_RULES = """
    WITH by_trip AS (
        SELECT w.service_month, v.trip_key,
               bool_and(verdict <> 'cannot_tell') AS all_judged,
               bool_and(verdict IN ('met', 'authorised', 'not_applicable')) AS all_met,
               bool_or(verdict <> 'not_applicable') AS any_applicable
        FROM judged.verdict v JOIN judged.trip_window w USING (trip_key)
        WHERE w.service_month <= $month
        GROUP BY ALL
    ),
    by_month AS (
        SELECT service_month AS month, count(*) FILTER (all_met AND all_judged) AS numerator,
               count(*) FILTER (all_judged) AS judged, count(*) FILTER (NOT all_judged) AS unjudged
        FROM by_trip WHERE any_applicable GROUP BY ALL
    )
    SELECT 'all-rules-share' AS measure, coalesce(month, 'to ' || $month) AS month,
           'service' AS group_by, 'all' AS group_value, sum(numerator)::DOUBLE AS numerator,
           sum(judged)::DOUBLE AS denominator, sum(judged)::INTEGER AS trips,
           sum(unjudged)::INTEGER AS left_out
    FROM by_month GROUP BY ROLLUP (month) HAVING count(*) > 0
"""


def rule_shares(con: Connection, month: str) -> Frame:
    """Deviation and cannot-tell shares of each rule, and the all-rules share; Wilson intervals.

    A deviation share's bounds say what it would be if every borderline and untold trip were none
    or were one. In the all-rules share authorised counts as met and borderline does not, and only
    trips with no untold answer are used.
    """
    from pipeline.statistics.intervals import wilson

    con.execute(verdict_counts(), {"month": month})
    parts = []
    for at in ("month", f"'to {month}'"):
        parts += [_deviation_share(at), _cannot_tell_share(at)]
    counts = Frame.read(con.execute(" UNION ALL BY NAME ".join(parts)))
    whole = Frame.read(con.execute(_ALL_RULES, {"month": month}))
    counts = stacked([counts, whole])
    return with_interval(counts, wilson(counts["numerator"], counts["denominator"]), UNIT)
