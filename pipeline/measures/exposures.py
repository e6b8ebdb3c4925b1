"""Measures of time: full oxygen with a high saturation, and minutes at the bedside."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

HOLDS_S = 600
"""An SpO2 is taken to hold for ten minutes or until the next one; assumed."""


def spo2_held(stretches: str) -> str:
    """SQL for each SpO2 of the trips of `stretches`, from at_s until it no longer holds."""
    return f"""
        SELECT trip_key, at_s, spo2_pct,
               least(lead(at_s, 1, 2147483647) OVER (
                         PARTITION BY trip_key ORDER BY at_s, line), at_s + {HOLDS_S}) AS until_s
        FROM delivered.observations SEMI JOIN {stretches} USING (trip_key)
        WHERE spo2_pct IS NOT NULL
    """


# each trip's seconds of undiluted oxygen, those covered by an SpO2, and by one above 97 %
_WALL_OXYGEN = f"""
    CREATE OR REPLACE TEMP TABLE wall_oxygen AS
    WITH wall AS (
        SELECT t.trip_key, w.service_month, t.from_s, t.until_s
        FROM judged.timeline t JOIN judged.trip_window w USING (trip_key)
        WHERE t.source IN ('wall', 'cylinder') AND w.service_month <= $month
    ),
    observed AS ({spo2_held("wall")}),
    watched AS (
        SELECT w.service_month, w.trip_key,
               least(w.until_s, o.until_s) - greatest(w.from_s, o.at_s) AS seconds,
               o.spo2_pct > 97 AS high
        FROM wall w JOIN observed o ON o.trip_key = w.trip_key
            AND o.at_s < w.until_s AND o.until_s > w.from_s
    ),
    by_watched AS (
        SELECT service_month, trip_key, sum(seconds) AS seconds,
               coalesce(sum(seconds) FILTER (high), 0) AS high_seconds
        FROM watched GROUP BY ALL
    ),
    by_trip AS (
        SELECT w.service_month, w.trip_key, sum(w.until_s - w.from_s) AS seconds
        FROM wall w GROUP BY ALL
    )
    SELECT b.service_month, b.trip_key, h.seconds, h.high_seconds
    FROM by_trip b LEFT JOIN by_watched h USING (service_month, trip_key)
"""

_FULL_OXYGEN = """
    SELECT 'full-oxygen-above-97' AS measure, {month} AS month, 'service' AS group_by,
           'all' AS group_value, coalesce(sum(high_seconds), 0) / 60.0 AS numerator,
           coalesce(sum(seconds), 0) / 3600.0 AS denominator,
           count(seconds)::INTEGER AS trips, (count(*) - count(seconds))::INTEGER AS left_out,
           numerator / nullif(denominator, 0) AS estimate, 'minutes per wall hour' AS unit
    FROM wall_oxygen
    GROUP BY ALL
"""

_BEDSIDE = """
    SELECT 'bedside-minutes' AS measure, {month} AS month, 'service' AS group_by,
           'all' AS group_value, coalesce(sum(t.departed_s), 0) / 60.0 AS numerator,
           count(t.departed_s)::DOUBLE AS denominator, count(t.departed_s)::INTEGER AS trips,
           (count(*) - count(t.departed_s))::INTEGER AS left_out,
           median(t.departed_s) / 60.0 AS estimate, 'minutes' AS unit
    FROM judged.trip_window w
    JOIN (SELECT trip_key, departed_s FROM delivered.trips) t USING (trip_key)
    WHERE service_month <= $month
    GROUP BY ALL
"""

_WITH_OCCLUSION = """
    SELECT 'trips-with-occlusion' AS measure, {month} AS month, 'service' AS group_by,
           'all' AS group_value, count(*) FILTER (used AND events > 0)::DOUBLE AS numerator,
           count(*) FILTER (used)::DOUBLE AS denominator, count(*) FILTER (used)::INTEGER AS trips,
           count(*) FILTER (NOT used)::INTEGER AS left_out
    FROM (SELECT month AS service_month, trip_key, bool_or(counted) AS used,
                 coalesce(sum(events) FILTER (counted), 0) AS events
          FROM ventilator_time GROUP BY ALL)
    GROUP BY ALL
"""


def by_month_and_all(con: duckdb.DuckDBPyConnection, sql: str, month: str) -> pd.DataFrame:
    """The rows of each month, and of all months together."""
    import pandas as pd

    bound = {"month": month} if "$month" in sql else None
    frames = [
        con.execute(sql.format(month=at), bound).df() for at in ("service_month", f"'to {month}'")
    ]
    return pd.concat(frames, ignore_index=True)


def exposures(con: duckdb.DuckDBPyConnection, month: str) -> pd.DataFrame:
    """Rows of the three measures up to `month`; call after `occlusion_rates`.

    The time measures carry no interval: they are charted as single values (XmR). Bedside minutes
    are medians; their numerator is the sum of minutes.
    """
    import pandas as pd

    from pipeline.measures.rows import with_interval
    from pipeline.statistics.intervals import wilson
    from schemas.outputs import Measures

    con.execute(_WALL_OXYGEN, {"month": month})
    timed = pd.concat([by_month_and_all(con, sql, month) for sql in (_FULL_OXYGEN, _BEDSIDE)])
    timed = timed.assign(method="none: charted as single values")
    timed = timed.reindex(columns=list(Measures.to_schema().columns))
    counts = by_month_and_all(con, _WITH_OCCLUSION, month)
    shares = with_interval(
        counts, wilson(counts["numerator"], counts["denominator"]), "share of trips"
    )
    return pd.concat([shares, timed], ignore_index=True)
