"""The trips behind signals, what is shown one by one, and bases that may be named; in order."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.measures.signal_counts import AT_BASE, RATE, RECORD, SHARE, one_by_one_rules
from pipeline.rules import all_rules
from pipeline.store.database import temporary_table
from schemas.connection import Connection
from schemas.frame import Frame

if TYPE_CHECKING:
    from pipeline.store.protocol_versions import VersionInStore

ONE_BY_ONE = "one-by-one"
MONTHS = 24
"""Marks go so far back: the twelve months and the twelve before."""

# place: as `one_by_one` orders trips
_ORDERED = """
    CREATE OR REPLACE TEMP TABLE ordered_trip AS
    SELECT w.trip_key, w.trip_id, w.service_month AS trip_month, w.log_complete, w.protocol_no,
           t.base,
           row_number() OVER (ORDER BY w.service_month, t.service_seq NULLS LAST, w.trip_key)
               AS in_order
    FROM judged.trip_window w JOIN delivered.trips t USING (trip_key)
    WHERE w.service_month BETWEEN $first AND $month
"""

_STATE = """CASE v.verdict WHEN 'deviation' THEN 'variance' WHEN 'met' THEN 'kept'
                WHEN 'authorised' THEN 'kept' ELSE 'undecided' END"""

_MARKS = f"""
    WITH verdicts AS (
        SELECT o.*, v.rule, {_STATE} AS state
        FROM ordered_trip o JOIN judged.verdict v USING (trip_key)
        WHERE v.verdict <> 'not_applicable'
    ),
    ventilated AS (
        SELECT trip_key, cannula, bool_or(counted) AS counted,
               sum(events) FILTER (counted) AS events
        FROM ventilator_time GROUP BY ALL
    ),
    marks AS (
        SELECT a.*, v.trip_id, v.trip_month, v.state, v.in_order
        FROM asked_chart a JOIN verdicts v
            ON a.measure IN ('{SHARE}', '{ONE_BY_ONE}')
            AND v.rule = split_part(a.group_value, ' at ', 1)
            AND (a.group_by <> '{AT_BASE}' OR a.group_value = v.rule || ' at ' || v.base)
        UNION ALL
        SELECT a.*, o.trip_id, o.trip_month,
               CASE WHEN sum(v.events) > 0 THEN 'variance' ELSE 'kept' END, o.in_order
        FROM asked_chart a
        JOIN ventilated v ON a.measure = '{RATE}' AND v.counted
            AND (a.group_by = 'service' OR v.cannula = a.group_value)
        JOIN ordered_trip o USING (trip_key)
        GROUP BY ALL
        UNION ALL
        SELECT DISTINCT a.*, o.trip_id, o.trip_month,
               CASE WHEN o.log_complete THEN 'kept' ELSE 'variance' END, o.in_order
        FROM asked_chart a
        JOIN ordered_trip o ON a.measure = '{RECORD}' AND o.base = a.group_value
        SEMI JOIN ventilated v ON v.trip_key = o.trip_key
    )
    SELECT measure, group_by, group_value, row_number() OVER (
               PARTITION BY measure, group_by, group_value ORDER BY in_order)::INTEGER AS place,
           trip_id, trip_month, state
    FROM marks ORDER BY ALL
"""

_APART = """
    SELECT f.rule, f.base, o.trip_id, o.trip_month, v.verdict = 'deviation' AS variance,
           v.observed_low AS observed, l."limit", l.unit
    FROM apart f
    JOIN ordered_trip o ON o.base = f.base AND o.trip_month >= $first
    JOIN judged.verdict v ON v.trip_key = o.trip_key AND v.rule = f.rule
    LEFT JOIN rule_limit l ON l.protocol_no = o.protocol_no AND l.rule = f.rule
    WHERE v.verdict IN ('met', 'authorised', 'borderline', 'deviation')
    ORDER BY f.rule, f.base, o.in_order
"""


def trip_marks(con: Connection, signals: Frame, months: Sequence[str]) -> Frame:
    """Rows of `TripMarks`; call after the measures: reads their ventilator time.

    Leaves `ordered_trip` for `apart_trips`.
    """
    stand = (signals["standing"] == "stands") & (signals["side"] == "worse")
    own = signals.rows(stand & signals.isin("kind", ["headline", "watch"]))
    keys = list(dict.fromkeys(own.keys("measure", "group_by", "group_value")))
    keys += [(ONE_BY_ONE, "rule", rule) for rule in one_by_one_rules()]
    columns = "measure VARCHAR, group_by VARCHAR, group_value VARCHAR"
    temporary_table(con, "asked_chart", columns, keys)
    con.execute(_ORDERED, {"first": months[-MONTHS:][0], "month": months[-1]})
    return Frame.read(con.execute(_MARKS))


def apart_trips(
    con: Connection, funnels: Frame, versions: Sequence[VersionInStore], first: str
) -> Frame:
    """Rows of `ApartTrips` from the month `first` on; call after `trip_marks`."""
    named = funnels.rows((funnels["outside"] > 0) & funnels.known("rule"))
    temporary_table(con, "apart", "rule VARCHAR, base VARCHAR", named.keys("rule", "base"))
    limits = [
        (stored.protocol_no, name, getattr(parameters, limit), all_rules()[name].unit)
        for stored in versions
        for name, parameters in stored.rules.items()
        if (limit := all_rules()[name].limit)
    ]
    columns = 'protocol_no INTEGER, rule VARCHAR, "limit" DOUBLE, unit VARCHAR'
    temporary_table(con, "rule_limit", columns, limits)
    return Frame.read(con.execute(_APART, {"first": first}))
