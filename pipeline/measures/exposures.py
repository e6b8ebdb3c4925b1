"""Full oxygen with a high saturation, minutes at the bedside, logs not complete, outcomes."""

from __future__ import annotations

from schemas.connection import Connection
from schemas.frame import Frame, stacked
from schemas.units import Unit

BY_MONTH_AND_ALL = "unnest([service_month, $to]) AS month"
"""Every row for its month, and once more for all months together."""

# each trip's seconds of undiluted oxygen covered by an SpO2, and by one above 97 %
_WALL_OXYGEN = """
    CREATE OR REPLACE TEMP TABLE wall_oxygen AS
    WITH by_watched AS (
        SELECT trip_key, sum(seconds) AS seconds, sum(high_seconds) AS high_seconds
        FROM full_oxygen_watched WHERE source IN ('wall', 'cylinder') GROUP BY trip_key
    )
    SELECT k.service_month, k.trip_key, h.seconds, h.high_seconds
    FROM (SELECT DISTINCT service_month, trip_key FROM oxygen_known
          WHERE source IN ('wall', 'cylinder')) k
    LEFT JOIN by_watched h USING (trip_key)
"""

_FULL_OXYGEN = f"""
    SELECT 'full-oxygen-above-97' AS measure, month, 'service' AS group_by,
           'all' AS group_value, coalesce(sum(high_seconds), 0) / 60.0 AS numerator,
           coalesce(sum(seconds), 0) / 3600.0 AS denominator,
           count(seconds)::INTEGER AS trips, (count(*) - count(seconds))::INTEGER AS left_out,
           numerator / nullif(denominator, 0) AS estimate, 'minutes per wall hour' AS unit
    FROM (SELECT *, {BY_MONTH_AND_ALL} FROM wall_oxygen)
    GROUP BY ALL
"""

_BEDSIDE = f"""
    SELECT 'bedside-minutes' AS measure, month, 'service' AS group_by,
           'all' AS group_value, coalesce(sum(departed_s), 0) / 60.0 AS numerator,
           count(departed_s)::DOUBLE AS denominator, count(departed_s)::INTEGER AS trips,
           (count(*) - count(departed_s))::INTEGER AS left_out,
           median(departed_s) / 60.0 AS estimate, 'minutes' AS unit
    FROM (
        SELECT t.departed_s, {BY_MONTH_AND_ALL}
        FROM judged.trip_window
        JOIN (SELECT trip_key, departed_s FROM delivered.trips) t USING (trip_key)
        WHERE service_month <= $month
    )
    GROUP BY ALL
"""

_WITH_OCCLUSION = f"""
    SELECT 'trips-with-occlusion' AS measure, month, 'service' AS group_by,
           'all' AS group_value, count(*) FILTER (used AND events > 0)::DOUBLE AS numerator,
           count(*) FILTER (used)::DOUBLE AS denominator, count(*) FILTER (used)::INTEGER AS trips,
           count(*) FILTER (NOT used)::INTEGER AS left_out
    FROM (SELECT used, events, {BY_MONTH_AND_ALL}
          FROM (SELECT month AS service_month, trip_key, bool_or(counted) AS used,
                       coalesce(sum(events) FILTER (counted), 0) AS events
                FROM ventilator_time GROUP BY ALL))
    GROUP BY ALL
"""


_INCOMPLETE = f"""
    SELECT 'incomplete-log-share' AS measure, month, group_by, group_value,
           count(*) FILTER (NOT log_complete)::DOUBLE AS numerator, count(*)::DOUBLE AS denominator,
           count(*)::INTEGER AS trips, 0::INTEGER AS left_out
    FROM (SELECT log_complete, group_by, group_value, {BY_MONTH_AND_ALL}
          FROM (SELECT w.service_month, w.log_complete, unnest(['service', 'base']) AS group_by,
                       unnest(['all', t.base]) AS group_value
                FROM (SELECT DISTINCT trip_key FROM ventilator_time) v
                JOIN judged.trip_window w USING (trip_key) JOIN delivered.trips t USING (trip_key)))
    GROUP BY ALL
"""


# by hand-over and by a day after it: together, and each outcome by itself; a death by hand-over is
# one a day later too, whether or not the receiving hospital told
_OUTCOME = f"""
    WITH known AS (
        SELECT u.measure, u.outcome, {BY_MONTH_AND_ALL}
        FROM judged.trip_window w JOIN (
            SELECT trip_key, unnest(['worse-outcome', 'worse-outcome-day-after']) AS measure,
                   unnest([outcome, if(outcome = 'died', 'died', outcome_24h)]) AS outcome
            FROM delivered.trips) u USING (trip_key)
        WHERE w.service_month <= $month
    ),
    counted AS (
        SELECT *, 'service' AS group_by, 'all' AS group_value,
               outcome IN ('more_support', 'intubated', 'arrest', 'died') AS worse
        FROM known
        UNION ALL
        SELECT k.*, 'outcome', o.code, k.outcome = o.code
        FROM known k CROSS JOIN (
            SELECT unnest(['more_support', 'intubated', 'arrest', 'died']) AS code) o
        WHERE NOT (k.measure = 'worse-outcome-day-after' AND o.code = 'arrest')
    )
    SELECT measure, month, group_by, group_value,
           count(*) FILTER (worse)::DOUBLE AS numerator, count(outcome)::DOUBLE AS denominator,
           count(outcome)::INTEGER AS trips, (count(*) - count(outcome))::INTEGER AS left_out
    FROM counted GROUP BY ALL
"""


def by_month_and_all(con: Connection, month: str, *measures: str) -> Frame:
    """The rows of each month, and of all months together, that the SQL of some measures gives."""
    sql = " UNION ALL BY NAME ".join(f"SELECT * FROM ({measure})" for measure in measures)
    named = {"month": month, "to": f"to {month}"}
    return Frame.read(con.execute(sql, {name: named[name] for name in named if f"${name}" in sql}))


def exposures(con: Connection, month: str) -> Frame:
    """Rows of the measures above up to `month`; call after `occlusion_rates` and `full_oxygen`.

    The time measures carry no interval: they are charted as single values (XmR). Bedside minutes
    are medians; their numerator is the sum of minutes.
    """
    from pipeline.measures.estimate_rows import with_interval
    from pipeline.statistics.intervals import wilson
    from schemas.outputs import Measures

    con.execute(_WALL_OXYGEN)
    timed = by_month_and_all(con, month, _FULL_OXYGEN, _BEDSIDE)
    timed = timed.assign(method="none: charted as single values")
    timed = timed.only(Measures.to_schema().columns)
    counts = by_month_and_all(con, month, _WITH_OCCLUSION, _INCOMPLETE, _OUTCOME)
    shares = with_interval(counts, wilson(counts["numerator"], counts["denominator"]), Unit.SHARE)
    return stacked([shares, timed])
