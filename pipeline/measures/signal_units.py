"""The vehicle, ventilator or heater that most trips behind a signal share, and few others.

A heater that fails at every change of oxygen looks like a crew that is slow at it.
"""

from __future__ import annotations

from schemas.connection import Connection
from schemas.frame import Frame

LEAST, SHARE, TIMES = 3, 0.5, 2
"""Named is what at least so many trips share, so large a part of them, and so many times the part
that it has of the other trips of the same bases and months. Common practice, no source."""

_OF_SIGNALS = """
    SELECT {'month': month, 'kind': kind, 'measure': measure, 'group_by': group_by,
            'group_value': group_value} AS key, trip_id, since, month AS until
    FROM signal_event
"""


def shared_units(behind: str) -> str:
    """SQL of `key`, `unit_kind`, `unit`, `trips`, `of`, `others`, `of_others`, most trips first.

    `behind`: SQL of the trips behind each signal, with `key` (anything that tells signals from each
    other), `trip_id`, and the first and last month of the signal, `since` and `until`.
    """
    return f"""
    WITH behind AS ({behind}),
    asked AS (
        SELECT DISTINCT b.key, b.since, b.until, t.base
        FROM behind b JOIN judged.trip_window w USING (trip_id)
        JOIN delivered.trips t USING (trip_key)
    ),
    trip AS (
        SELECT a.key, b.trip_id IS NOT NULL AS own, t.vehicle::VARCHAR AS vehicle,
               t.ventilator_unit::VARCHAR AS ventilator, t.heater_unit::VARCHAR AS heater
        FROM asked a JOIN delivered.trips t USING (base)
        JOIN judged.trip_window w
            ON w.trip_key = t.trip_key AND w.service_month BETWEEN a.since AND a.until
        LEFT JOIN (SELECT DISTINCT key, trip_id FROM behind) b
            ON b.key = a.key AND b.trip_id = w.trip_id
    ),
    counted AS (
        SELECT key, unit_kind, unit, count(*) FILTER (own) AS trips,
               count(*) FILTER (NOT own) AS others
        FROM (UNPIVOT trip ON vehicle, ventilator, heater INTO NAME unit_kind VALUE unit)
        GROUP BY ALL
    ),
    every AS (
        SELECT key, count(*) FILTER (own) AS of, count(*) FILTER (NOT own) AS of_others
        FROM trip GROUP BY key
    )
    SELECT key, unit_kind, unit, trips, of, others, of_others FROM counted JOIN every USING (key)
    WHERE trips >= {LEAST} AND trips >= {SHARE} * of AND trips * of_others >= {TIMES} * others * of
    ORDER BY key, trips DESC, unit_kind, unit
    """


def signal_units(con: Connection) -> Frame:
    """Rows of `SignalUnits`; call after `signal_events`."""
    asked = f"SELECT unnest(key), * EXCLUDE (key) FROM ({shared_units(_OF_SIGNALS)})"
    return Frame.read(con.execute(asked))
