"""Full oxygen by source: undiluted from wall or cylinder, and any other source at FiO2 1.0."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.exposures import BY_MONTH_AND_ALL, by_month_and_all
from schemas.connection import Connection

if TYPE_CHECKING:
    from schemas.frame import Frame

HOLDS_S = 600
"""An SpO2 is taken to hold for ten minutes or until the next one; assumed."""

# known: the source is, and where gas may be blended its FiO2
_KNOWN = """
    CREATE OR REPLACE TEMP TABLE oxygen_known AS
    SELECT t.trip_key, w.service_month, t.source, t.from_s, t.until_s,
               t.source IN ('wall', 'cylinder') OR t.fio2 >= 1.0 AS is_full
        FROM judged.timeline t JOIN judged.trip_window w USING (trip_key)
        WHERE w.service_month <= $month AND t.source IS NOT NULL
          AND (t.source IN ('wall', 'cylinder') OR t.fio2 IS NOT NULL)
"""

# each trip's seconds of full oxygen from a source covered by an SpO2, and by one above 97 %
_WATCHED = f"""
    CREATE OR REPLACE TEMP TABLE full_oxygen_watched AS
    WITH known AS (FROM oxygen_known WHERE is_full),
    observed AS (
        SELECT trip_key, at_s, spo2_pct,
               least(lead(at_s, 1, 2147483647) OVER (
                         PARTITION BY trip_key ORDER BY at_s, line), at_s + {HOLDS_S}) AS until_s
        FROM delivered.observations SEMI JOIN known USING (trip_key)
        WHERE spo2_pct IS NOT NULL
    )
    SELECT k.service_month, k.source, k.trip_key,
           sum(least(k.until_s, o.until_s) - greatest(k.from_s, o.at_s)) AS seconds,
           coalesce(sum(least(k.until_s, o.until_s) - greatest(k.from_s, o.at_s))
               FILTER (o.spo2_pct > 97), 0) AS high_seconds
    FROM known k JOIN observed o ON o.trip_key = k.trip_key
        AND o.at_s < k.until_s AND o.until_s > k.from_s
    GROUP BY ALL
"""

_FULL_OXYGEN = f"""
    WITH known AS (SELECT *, {BY_MONTH_AND_ALL} FROM oxygen_known),
    whole AS (SELECT month, sum(until_s - from_s) / 3600.0 AS hours FROM known GROUP BY ALL),
    spent AS (
        SELECT month, source, sum(until_s - from_s) AS seconds,
               count(DISTINCT trip_key)::INTEGER AS trips
        FROM known WHERE is_full GROUP BY ALL
    ),
    watched AS (
        SELECT month, source, count(DISTINCT trip_key)::INTEGER AS trips,
               sum(seconds) AS seconds, sum(high_seconds) AS high_seconds
        FROM (SELECT *, {BY_MONTH_AND_ALL} FROM full_oxygen_watched) GROUP BY ALL
    )
    SELECT 'full-oxygen' AS measure, month, 'source' AS group_by, source AS group_value,
           seconds / 60.0 AS numerator, hours AS denominator, trips, 0::INTEGER AS left_out,
           numerator / nullif(denominator, 0) AS estimate, 'minutes per hour' AS unit
    FROM spent JOIN whole USING (month)
    UNION ALL
    SELECT 'full-oxygen-above-97', month, 'source', source, coalesce(w.high_seconds, 0) / 60.0,
           coalesce(w.seconds, 0) / 3600.0, coalesce(w.trips, 0),
           s.trips - coalesce(w.trips, 0),
           (w.high_seconds / 60.0) / nullif(w.seconds / 3600.0, 0), 'minutes per hour'
    FROM spent s LEFT JOIN watched w USING (month, source)
"""


def full_oxygen(con: Connection, month: str) -> Frame:
    """Rows of `schemas.outputs.Measures` by source, of each month and all to `month` together.

    `full-oxygen`: minutes over the hours in which it is known whether oxygen was full, the same
    hours for every source; trips are those with any. `full-oxygen-above-97`: of those minutes,
    the ones with an SpO2 above 97 % over hours with an SpO2; trips without one are left out.
    No interval: minutes of one trip hang together, and what varies is which trips there were.
    Leaves `oxygen_known` and `full_oxygen_watched`.
    """
    from schemas.outputs import Measures

    con.execute(_KNOWN, {"month": month})
    con.execute(_WATCHED)
    rows = by_month_and_all(con, month, _FULL_OXYGEN).assign(method="none: sums of minutes")
    return rows.only(Measures.to_schema().columns)
